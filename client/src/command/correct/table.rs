//! Corrections in words, and their residuals as a table.

use settled_protocol::correction::{
    Correction, CorrectionWarning, Derivation, Difference, Residuals, Summary,
};

use super::Failure;
use crate::output::{CAUTION, FAINT, Output, STRONG, styled};
use crate::show;

/// A warning in words.
pub(super) fn warning(warning: CorrectionWarning) -> &'static str {
    match warning {
        CorrectionWarning::Stale => "it is old: make another",
        CorrectionWarning::OtherMeter => "it was made for another meter than the one that is attached",
        CorrectionWarning::UnverifiedMeter => "no serial number tells whether it was made for this meter",
        CorrectionWarning::OtherDisplay => "it was made for another display",
        CorrectionWarning::Unknown => "a warning of a later version",
    }
}

/// How the matrix was made, in words.
fn method(method: Derivation) -> &'static str {
    match method {
        Derivation::FourColour => "four-colour method",
        Derivation::LeastSquares => "least squares",
        Derivation::Given => "given",
    }
}

/// A correction in one line.
pub(super) fn line(output: Output, correction: &Correction, stale: bool) -> Result<(), Failure> {
    let Correction { id, name, meter, display, at, residuals, .. } = correction;
    let display = display.as_ref().map_or_else(String::new, |display| format!(", {}", display.as_str()));
    let (date, worth) =
        (format!("{:.10}", at.to_string()), residuals.as_ref().map(worth).unwrap_or_default());
    let name = format!("\"{}\" for {}{display}", name.as_str(), meter.id.as_str());
    output.line(&format!(
        "{id:>5}  {}  {name}  {}{}",
        styled(FAINT, &date),
        styled(FAINT, &worth),
        marks(correction, stale)
    ))?;
    Ok(())
}

/// What a correction is worth, in a few words: the honest figure where there is one.
fn worth(residuals: &Residuals) -> String {
    let before = residuals.before.mean.duv_prime;
    match &residuals.unseen {
        Some(unseen) => format!("Δu′v′ {before:.4} → {:.4} (unseen colours)", unseen.mean.duv_prime),
        None => format!("Δu′v′ {before:.4} → {:.4} (its own colours)", residuals.after.mean.duv_prime),
    }
}

fn marks(correction: &Correction, stale: bool) -> String {
    let marks = [
        ("SIMULATED", correction.simulated),
        ("removed", correction.removed.is_some()),
        (warning(CorrectionWarning::Stale), stale),
    ];
    let marks: Vec<&str> = marks.into_iter().filter(|(_, holds)| *holds).map(|(mark, _)| mark).collect();
    if marks.is_empty() { String::new() } else { format!("  {}", styled(CAUTION, &marks.join(", "))) }
}

/// All there is to know of a correction.
pub(super) fn whole(output: Output, correction: &Correction, stale: bool) -> Result<(), Failure> {
    let title = format!("{} \"{}\"", correction.id, correction.name.as_str());
    output.line(&format!("{}{}", styled(STRONG, &title), marks(correction, stale)))?;
    let mut rows = vec![("for meter", correction.meter.to_string())];
    rows.extend(correction.reference.as_ref().map(|reference| ("reference", reference.to_string())));
    rows.extend(correction.display.as_ref().map(|display| ("display", display.as_str().to_owned())));
    rows.push(("made", format!("{}, {}", show::moment(correction.at), method(correction.method))));
    rows.extend(correction.note.as_ref().map(|note| ("note", note.as_str().to_owned())));
    rows.extend(correction.removed.map(|at| ("removed", show::moment(at))));
    for (index, [x, y, z]) in correction.matrix.rows().into_iter().enumerate() {
        rows.push((if index == 0 { "matrix" } else { "" }, format!("{x:>10.6} {y:>10.6} {z:>10.6}")));
    }
    for (name, words) in rows {
        output.line(&format!("  {}  {words}", styled(FAINT, &format!("{name:<9}"))))?;
    }
    if let Some(residuals) = &correction.residuals {
        output.line("")?;
        table(output, residuals)?;
    }
    Ok(())
}

/// The residuals: each colour, their mean and the largest, and what they say.
pub(super) fn table(output: Output, residuals: &Residuals) -> Result<(), Failure> {
    let head = "   Δx       Δy      Δu′v′    ΔY  ";
    output.line(&styled(FAINT, &format!("  {:<10} {:<33} {:<33} unseen", "", "without it", "with it")))?;
    output.line(&styled(FAINT, &format!("  {:<10}{head} {head}   Δu′v′    ΔY", "")))?;
    for residual in &residuals.colours {
        let name = format!("{:.10}", residual.name.as_str());
        let row = row(&name, &residual.before, &residual.after, residual.unseen.as_ref());
        output.line(&row)?;
    }
    let of = |pick: fn(&Summary) -> &Difference, name| {
        row(name, pick(&residuals.before), pick(&residuals.after), residuals.unseen.as_ref().map(pick))
            // Sizes have no sign.
            .replace('+', " ")
    };
    output.line(&styled(STRONG, &of(|summary| &summary.mean, "mean")))?;
    output.line(&styled(STRONG, &of(|summary| &summary.max, "largest")))?;
    let words = match &residuals.unseen {
        Some(_) => {
            "\"Unseen\" is what another colour of this display can expect; the reference's own error comes on top."
        }
        None => {
            "The matrix was made to fit these colours: they say nothing of others. Add some to check it with."
        }
    };
    output.line(&styled(FAINT, &format!("  {words}")))?;
    if !residuals.worse.is_empty() {
        let names: Vec<&str> = residuals.worse.iter().map(settled_protocol::text::Text::as_str).collect();
        output.line(&format!(
            "  {}",
            styled(CAUTION, &format!("further off than without it: {}", names.join(", ")))
        ))?;
    }
    Ok(())
}

fn row(name: &str, before: &Difference, after: &Difference, unseen: Option<&Difference>) -> String {
    let four = |of: &Difference| {
        let Difference { dx, dy, duv_prime, luminance_percent } = of;
        format!("{dx:>+8.4} {dy:>+8.4} {duv_prime:>8.5} {luminance_percent:>+6.2}%")
    };
    let two = unseen.map_or_else(String::new, |Difference { duv_prime, luminance_percent, .. }| {
        format!("{duv_prime:>8.5} {luminance_percent:>+6.2}%")
    });
    format!("  {name:<10}{} {} {two}", four(before), four(after)).trim_end().to_owned()
}

//! `settle read --settled`: progress meanwhile, and a verdict at the end.

use std::time::{Duration, Instant};

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::method::{MeterSettle, SettleParams};
use settled_protocol::notification::SettleProgress;
use settled_protocol::reading::Flag;
use settled_protocol::settling::{Settled, Test, Verdict};

use super::read::spectrum::columns;
use super::{Exit, Failure, flush, is_cancelled, lease, until_interrupted};
use crate::connection::Connection;
use crate::lease::inherited;
use crate::output::{BAD, CAUTION, FAINT, GOOD, Output, STRONG, styled};
use crate::show;

pub(super) use criteria::{Bands, CriteriaOptions, Patience, Settling};

mod criteria;
pub(super) mod spectrum;

/// Between two lines of progress where there is no terminal to redraw.
const LINES: Duration = Duration::from_secs(10);

/// What is wanted beside the criteria.
pub(super) struct Asked {
    pub(super) meter: String,
    pub(super) integration_s: Option<f64>,
    /// How long to wait while somebody else has the meter.
    pub(super) wait_s: Option<f64>,
    /// The mean of the spectra, and nothing else.
    pub(super) spectrum: bool,
}

pub(super) async fn run(
    output: Output,
    connection: &Connection,
    asked: Asked,
    options: &CriteriaOptions,
) -> Result<Exit, Failure> {
    let criteria = options.criteria()?;
    let Asked { meter, integration_s, wait_s, spectrum } = asked;
    let lease = inherited(&meter);
    let params = SettleParams { meter, criteria, integration_s, progress: true, lease, wait_s };
    let mut progress =
        Progress { output, hold_s: criteria.hold_s, quiet: output.quiet, last: None, kept_by: None };
    let call = connection.call_with_progress::<MeterSettle>(&params, |report| progress.show(&report));
    let call = async {
        match call.await {
            Err(error) if is_cancelled(&error) => Ok(None),
            other => Ok(Some(other?)),
        }
    };
    let outcome = until_interrupted(lease::awaited(output, connection, &params.meter, wait_s, call));
    let settled = outcome.await?.flatten();
    output.end_status();
    let Some(settled) = settled else {
        flush(connection).await;
        if !output.json {
            output.aside("interrupted: the request was taken back");
        }
        return Ok(Exit::Interrupted);
    };
    if output.json {
        output.object(&settled)?;
    } else if spectrum {
        let mean = spectrum::mean(connection, &settled).await?;
        output.aside(&settled.message);
        output.raw(format!("# {}\n", mean.words(&settled)).as_bytes())?;
        output.raw(&columns(&mean.spectrum, settled.quantity))?;
    } else {
        in_words(output, &settled)?;
    }
    Ok(if settled.verdict == Verdict::Settled { Exit::Done } else { Exit::NotSettled })
}

/// Progress as it comes: redrawn in place on a terminal, a line now and then elsewhere.
pub(super) struct Progress {
    pub(super) output: Output,
    pub(super) hold_s: f64,
    pub(super) quiet: bool,
    pub(super) last: Option<Instant>,
    /// What kind of trouble keeps the meter from giving readings, as it was said.
    pub(super) kept_by: Option<ErrorKind>,
}

impl Progress {
    pub(super) fn show(&mut self, report: &SettleProgress) {
        if self.quiet {
            return;
        }
        let news = self.news(report.waiting.as_ref());
        if self.output.json {
            // Said once: that it goes on is no news.
            if news.is_some() || report.waiting.is_none() && self.is_time() {
                self.output.aside(&serde_json::to_string(report).unwrap_or_default());
            }
            return;
        }
        if let Some(news) = news {
            self.output.end_status();
            self.output.aside(&styled(CAUTION, &news));
        }
        if Output::has_status() {
            self.output.status(&self.words(report));
        } else if report.waiting.is_none() && self.is_time() {
            self.output.aside(&self.words(report));
        }
    }

    /// That the meter gives no readings any more, and why, or that it does again; nothing twice.
    fn news(&mut self, waiting: Option<&RpcError>) -> Option<String> {
        let kind = waiting.map(RpcError::kind);
        if std::mem::replace(&mut self.kept_by, kind) == kind {
            return None;
        }
        Some(waiting.map_or_else(|| "the meter gives readings again".to_owned(), kept))
    }

    #[expect(clippy::disallowed_methods, reason = "how often a person is told something is no measurement")]
    fn is_time(&mut self) -> bool {
        let now = Instant::now();
        let due = self.last.is_none_or(|last| now.duration_since(last) >= LINES);
        if due {
            self.last = Some(now);
        }
        due
    }

    fn words(&self, report: &SettleProgress) -> String {
        let SettleProgress { waited_s, latest, value, evidence, .. } = report;
        let mut parts = vec![format!("{:>6}", show::wait(*waited_s))];
        if report.waiting.is_some() {
            parts.push(awaited(report));
            return parts.join("   ");
        }
        parts.push(show::number(*latest));
        parts
            .extend(show::drift(evidence, value.as_ref(), self.hold_s).map(|drift| format!("drift {drift}")));
        parts.push(awaited(report));
        parts.join("   ")
    }
}

/// When it is expected to settle, or else what is being waited for.
pub(super) fn awaited(report: &SettleProgress) -> String {
    let SettleProgress { waited_s, evidence, waiting, .. } = report;
    if let Some(error) = waiting {
        return format!("{}: waiting", plight(error));
    }
    show::forecast(evidence, *waited_s).unwrap_or_else(|| standing(&evidence.failing).to_owned())
}

/// How the meter is that gives no readings.
fn plight(error: &RpcError) -> &'static str {
    match error.kind() {
        ErrorKind::MeterAbsent => "the meter is absent",
        _ => "the meter gives no readings",
    }
}

/// Why there are no readings, in full.
fn kept(error: &RpcError) -> String {
    format!("{} ({error}); waiting until it gives readings again", plight(error))
}

/// What is being waited for.
pub(crate) fn standing(failing: &[Test]) -> &'static str {
    match failing.first() {
        None => "about to settle",
        Some(Test::TooFew) => "gathering readings",
        Some(Test::LuminanceDrift) => "luminance drifts",
        Some(Test::ChromaticityDrift) => "chromaticity drifts",
        Some(Test::Resolution) => "averaging noise",
        Some(Test::Turning) => "swinging, jumping, or about to turn",
        Some(Test::MeterWarmUp) => "the meter is warming up",
        Some(Test::Variation) => "waiting for the rule to be met",
        Some(Test::MinimumWait) => "the shortest wait isn't over",
    }
}

pub(super) fn in_words(output: Output, settled: &Settled) -> Result<(), Failure> {
    let style = match settled.verdict {
        Verdict::Settled => GOOD,
        Verdict::NoiseLimited | Verdict::TimedOut => CAUTION,
        Verdict::WontSettle | Verdict::Lost => BAD,
    };
    if let Some(value) = &settled.value {
        let unit = settled.quantity.unit();
        output.line(&format!(
            "{}   (95 %, repeatability alone)",
            styled(STRONG, &show::estimate(value, unit))
        ))?;
        if let Some(colour) = value.chromaticity {
            let radius = value
                .chromaticity_u95
                .map_or_else(String::new, |u95| format!("   {} in u′v′", show::radius(u95)));
            output.line(&format!(
                "  {}  {}{radius}",
                styled(FAINT, "colour "),
                show::chromaticity(colour)
            ))?;
        }
        if let Some(observer) = settled.observer {
            output.line(&format!("  {}  {}", styled(FAINT, "by     "), show::observer(observer)))?;
        }
        if let Some(nm) = settled.bandwidth_nm {
            let words = format!("bandwidth, corrected for {} nm", show::wavelength(nm));
            output.line(&format!("  {}  {words}", styled(FAINT, "       ")))?;
        }
    }
    let count = settled.readings.map_or(0, |readings| readings.count);
    let count = show::counted(count, "reading", "readings");
    let waited = format!("waited {}, {count}", show::span(settled.waited_s));
    output.line(&format!(
        "  {}  {}, {waited}",
        styled(FAINT, "verdict"),
        styled(style, settled.verdict.name())
    ))?;
    output.line(&format!("  {}  {}", styled(FAINT, "why    "), settled.message))?;
    if let Some(correction) = &settled.correction {
        output.line(&format!("  {}  {correction}", styled(FAINT, "through")))?;
    }
    let (uncorrected, mut flags) = show::uncorrected(&settled.flags, settled.correction.as_ref());
    flags.retain(|flag| *flag != Flag::Shared);
    if let Some(words) = uncorrected {
        output.line(&format!("  {}", styled(CAUTION, words)))?;
    }
    if !flags.is_empty() {
        output.line(&format!("  {}", styled(CAUTION, &show::flags(&settled.meter, &flags))))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests;

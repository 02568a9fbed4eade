//! `settle read --settled`: progress meanwhile, and a verdict at the end.

use std::time::{Duration, Instant};

use clap::Args;
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::method::{MeterSettle, SettleParams};
use settled_protocol::notification::SettleProgress;
use settled_protocol::reading::Flag;
use settled_protocol::rule::Rule;
use settled_protocol::settling::{Criteria, Settled, Test, Verdict};

use super::read::spectrum::columns;
use super::{Exit, Failure, flush, is_cancelled, lease, until_interrupted};
use crate::connection::Connection;
use crate::lease::inherited;
use crate::output::{BAD, CAUTION, FAINT, GOOD, Output, STRONG, styled};
use crate::quantities::{number, seconds, share, within};
use crate::show;

pub(super) mod spectrum;

/// Between two lines of progress where there is no terminal to redraw.
const LINES: Duration = Duration::from_secs(10);

/// What to call settled.
#[derive(Clone, Debug, Args)]
pub(super) struct CriteriaOptions {
    /// Band of luminance, relative, with its % [default: 0.5%].
    #[arg(long, value_name = "PERCENT", allow_hyphen_values = true, value_parser = within(share, 1e-6..=1.0, "0.0001% to 100%"))]
    luminance: Option<f64>,
    /// Band of luminance near black, in cd/m² [default: 0.0005].
    #[arg(long, value_name = "CD_M2", allow_hyphen_values = true, value_parser = within(number, 0.0..=1000.0, "0 to 1000"))]
    luminance_floor: Option<f64>,
    /// Band of chromaticity, in u′v′ [default: 0.0005].
    #[arg(long, value_name = "UV", allow_hyphen_values = true, value_parser = within(number, 1e-6..=1.0, "0.000001 to 1"))]
    chromaticity: Option<f64>,
    /// Luminance below which the band of chromaticity widens, in cd/m² [default: 1].
    #[arg(long, value_name = "CD_M2", allow_hyphen_values = true, value_parser = within(number, 0.0..=1000.0, "0 to 1000"))]
    chromaticity_knee: Option<f64>,
    /// How long the light must stay within its bands [default: 60s].
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = within(seconds, 0.5..=86_400.0, "0.5s to 24h"))]
    hold: Option<f64>,
    /// Confidence of each look at the evidence, with its % [default: 99%].
    #[arg(long, value_name = "PERCENT", allow_hyphen_values = true, value_parser = within(share, 0.8..=0.9999, "80% to 99.99%"))]
    confidence: Option<f64>,
    /// Don't call it settled before this.
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = within(seconds, 0.0..=604_800.0, "0 to 7d"))]
    min_wait: Option<f64>,
    /// Give up after this; not sooner than the hold [default: 1h].
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = within(seconds, 1.0..=604_800.0, "1s to 7d"))]
    max_wait: Option<f64>,
    /// A published rule that decides instead: ies_lm_79, cie_s_025 or quick_look, evaluated as it is worded. The trend is looked
    /// at beside it.
    #[arg(long, value_name = "RULE", value_parser = rule)]
    preset: Option<Rule>,
    /// No progress on standard error.
    #[arg(long)]
    quiet: bool,
}

/// A rule by its name.
fn rule(text: &str) -> Result<Rule, String> {
    let name = text.replace('-', "_");
    Rule::ALL.into_iter().find(|rule| rule.name() == name).ok_or_else(|| {
        let names: Vec<&str> = Rule::ALL.iter().map(|rule| rule.name()).collect();
        format!("there are {}", names.join(", "))
    })
}

impl CriteriaOptions {
    /// The options that were typed.
    pub(super) fn typed(&self) -> Vec<&'static str> {
        let options = [
            ("--luminance", self.luminance),
            ("--luminance-floor", self.luminance_floor),
            ("--chromaticity", self.chromaticity),
            ("--chromaticity-knee", self.chromaticity_knee),
            ("--hold", self.hold),
            ("--confidence", self.confidence),
            ("--min-wait", self.min_wait),
            ("--max-wait", self.max_wait),
            ("--preset", self.preset.map(Rule::least_s)),
        ];
        options.into_iter().filter(|(_, value)| value.is_some()).map(|(option, _)| option).collect()
    }

    /// Whether progress is unwanted.
    pub(super) fn quiet(&self) -> bool {
        self.quiet
    }

    /// The criteria, checked.
    pub(super) fn criteria(&self) -> Result<Criteria, Failure> {
        let default = Criteria::default();
        let criteria = Criteria {
            luminance: self.luminance.unwrap_or(default.luminance),
            luminance_floor_cd_m2: self.luminance_floor.unwrap_or(default.luminance_floor_cd_m2),
            chromaticity: self.chromaticity.unwrap_or(default.chromaticity),
            chromaticity_knee_cd_m2: self.chromaticity_knee.unwrap_or(default.chromaticity_knee_cd_m2),
            hold_s: self.hold.unwrap_or(default.hold_s),
            confidence: self.confidence.unwrap_or(default.confidence),
            min_wait_s: self.min_wait.unwrap_or(default.min_wait_s),
            max_wait_s: self.max_wait.unwrap_or(default.max_wait_s),
            preset: self.preset.unwrap_or(default.preset),
        };
        self.waits_fit(&criteria)?;
        criteria.checked().map_err(Failure::Usage)
    }

    /// The longest wait must have room for the hold and for the shortest wait.
    fn waits_fit(&self, criteria: &Criteria) -> Result<(), Failure> {
        let Criteria { hold_s, min_wait_s, max_wait_s, .. } = *criteria;
        let rule_s = criteria.preset.least_wait_s();
        if max_wait_s < rule_s {
            let (rule, least) = (criteria.preset.title(), show::span(rule_s));
            return Err(Failure::Usage(format!(
                "--preset {rule} takes {least}: --max-wait must not be shorter"
            )));
        }
        let (option, least_s, typed) = if hold_s >= min_wait_s {
            ("--hold", hold_s, self.hold)
        } else {
            ("--min-wait", min_wait_s, self.min_wait)
        };
        if max_wait_s >= least_s {
            return Ok(());
        }
        let words = |seconds: f64, typed: Option<f64>| {
            let by_default = if typed.is_some() { "" } else { " by default" };
            format!("({}{by_default})", show::span(seconds))
        };
        let (most, least) = (words(max_wait_s, self.max_wait), words(least_s, typed));
        Err(Failure::Usage(format!("--max-wait {most} must not be shorter than {option} {least}")))
    }
}

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
        Progress { output, hold_s: criteria.hold_s, quiet: options.quiet, last: None, kept_by: None };
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
fn standing(failing: &[Test]) -> &'static str {
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

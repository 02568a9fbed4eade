//! What to call settled, as it is typed.

use clap::Args;
use settled_drivers::nearest;
use settled_protocol::rule::Rule;
use settled_protocol::settling::Criteria;

use crate::command::Failure;
use crate::quantities::{number, seconds, share, within};
use crate::show;

/// The longest wait that criteria may name, in s.
const LONGEST_WAIT_S: f64 = 604_800.0;

/// The bands that light is held against, and how surely.
#[derive(Clone, Debug, Args)]
pub(in crate::command) struct Bands {
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
    /// Confidence of each look at the evidence, with its % [default: 99%].
    #[arg(long, value_name = "PERCENT", allow_hyphen_values = true, value_parser = within(share, 0.8..=0.9999, "80% to 99.99%"))]
    confidence: Option<f64>,
}

impl Bands {
    /// The criteria that are these, and the protocol's own otherwise.
    pub(in crate::command) fn criteria(&self) -> Criteria {
        let default = Criteria::default();
        Criteria {
            luminance: self.luminance.unwrap_or(default.luminance),
            luminance_floor_cd_m2: self.luminance_floor.unwrap_or(default.luminance_floor_cd_m2),
            chromaticity: self.chromaticity.unwrap_or(default.chromaticity),
            chromaticity_knee_cd_m2: self.chromaticity_knee.unwrap_or(default.chromaticity_knee_cd_m2),
            confidence: self.confidence.unwrap_or(default.confidence),
            ..default
        }
    }
}

/// What to call settled, but for how long to wait for it.
#[derive(Clone, Debug, Args)]
pub(in crate::command) struct Settling {
    #[command(flatten)]
    bands: Bands,
    /// How long the light must stay within its bands [default: 60s].
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = within(seconds, 0.5..=86_400.0, "0.5s to 24h"))]
    hold: Option<f64>,
    /// Don't call it settled before this.
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = within(seconds, 0.0..=LONGEST_WAIT_S, "0 to 7d"))]
    min_wait: Option<f64>,
    /// A published rule that decides instead: ies_lm_79, cie_s_025 or quick_look, evaluated as it is worded. The trend is looked
    /// at beside it.
    #[arg(long, value_name = "RULE", value_parser = rule)]
    preset: Option<Rule>,
}

/// The longest wait, and how it was typed.
pub(in crate::command) struct Patience {
    /// Its option.
    pub(in crate::command) option: &'static str,
    /// In s.
    pub(in crate::command) most_s: f64,
    /// Whether nobody typed it.
    pub(in crate::command) by_default: bool,
}

impl Settling {
    /// The criteria, checked.
    pub(in crate::command) fn criteria(&self, patience: &Patience) -> Result<Criteria, Failure> {
        let default = Criteria::default();
        let criteria = Criteria {
            hold_s: self.hold.unwrap_or(default.hold_s),
            min_wait_s: self.min_wait.unwrap_or(default.min_wait_s),
            max_wait_s: patience.most_s.min(LONGEST_WAIT_S),
            preset: self.preset.unwrap_or(default.preset),
            ..self.bands.criteria()
        };
        self.waits_fit(&criteria, patience)?;
        criteria.checked().map_err(Failure::Usage)
    }

    /// The longest wait must have room for the hold and for the shortest wait.
    fn waits_fit(&self, criteria: &Criteria, patience: &Patience) -> Result<(), Failure> {
        let Criteria { hold_s, min_wait_s, max_wait_s, .. } = *criteria;
        let Patience { option: longest, by_default, .. } = *patience;
        let rule_s = criteria.preset.least_wait_s();
        if max_wait_s < rule_s {
            let (rule, least) = (criteria.preset.title(), show::span(rule_s));
            return Err(Failure::Usage(format!(
                "--preset {rule} takes {least}: {longest} must not be shorter"
            )));
        }
        let (option, least_s, typed) = if hold_s >= min_wait_s {
            ("--hold", hold_s, self.hold.is_some())
        } else {
            ("--min-wait", min_wait_s, self.min_wait.is_some())
        };
        if max_wait_s >= least_s {
            return Ok(());
        }
        let words = |seconds: f64, typed: bool| {
            let by_default = if typed { "" } else { " by default" };
            format!("({}{by_default})", show::span(seconds))
        };
        let (most, least) = (words(max_wait_s, !by_default), words(least_s, typed));
        Err(Failure::Usage(format!("{longest} {most} must not be shorter than {option} {least}")))
    }
}

/// What to call settled, and how long to wait for it.
#[derive(Clone, Debug, Args)]
pub(in crate::command) struct CriteriaOptions {
    #[command(flatten)]
    settling: Settling,
    /// Give up after this; not sooner than the hold [default: 1h].
    #[arg(long, value_name = "TIME", allow_hyphen_values = true, value_parser = within(seconds, 1.0..=LONGEST_WAIT_S, "1s to 7d"))]
    max_wait: Option<f64>,
}

/// A rule by its name.
fn rule(text: &str) -> Result<Rule, String> {
    let name = text.replace('-', "_");
    Rule::ALL.into_iter().find(|rule| rule.name() == name).ok_or_else(|| {
        let names: Vec<&str> = Rule::ALL.iter().map(|rule| rule.name()).collect();
        let meant = nearest::meant(&name, &names).unwrap_or_default();
        format!("there are {}{meant}", names.join(", "))
    })
}

impl CriteriaOptions {
    /// The options that were typed.
    pub(in crate::command) fn typed(&self) -> Vec<&'static str> {
        let Settling { bands, hold, min_wait, preset } = &self.settling;
        let options = [
            ("--luminance", bands.luminance),
            ("--luminance-floor", bands.luminance_floor),
            ("--chromaticity", bands.chromaticity),
            ("--chromaticity-knee", bands.chromaticity_knee),
            ("--hold", *hold),
            ("--confidence", bands.confidence),
            ("--min-wait", *min_wait),
            ("--max-wait", self.max_wait),
            ("--preset", preset.map(Rule::least_s)),
        ];
        options.into_iter().filter(|(_, value)| value.is_some()).map(|(option, _)| option).collect()
    }

    /// The criteria, checked.
    pub(in crate::command) fn criteria(&self) -> Result<Criteria, Failure> {
        let most_s = self.max_wait.unwrap_or(Criteria::default().max_wait_s);
        self.settling.criteria(&Patience {
            option: "--max-wait",
            most_s,
            by_default: self.max_wait.is_none(),
        })
    }
}

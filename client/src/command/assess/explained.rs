//! A series for people: its value, a plot with the band and where it settled, one sentence, and the evidence in a few words.

use settled::settle::digits::significant;
use settled::settle::{Change, sentence};
use settled_protocol::colorimetry::observer::Observer;
use settled_protocol::reading::Flag;
use settled_protocol::settling::{Evidence, Forecast, Verdict};

use super::changes::Moment;
use super::series::{Ending, Series};
use super::trace::Trace;
use crate::output::{BAD, CAUTION, GOOD, STRONG, styled};
use crate::plot::Plot;
use crate::show;
use crate::wrap::behind;

/// Columns of everything.
const WIDTH: usize = 80;

/// Columns and rows of the curve.
const CURVE: (usize, usize) = (68, 10);

/// How far from the others, in spans of the others, a reading is left out of the plot: it would flatten all the rest.
const FAR: f64 = 3.0;

/// All that is said of a series.
pub(super) fn lines(series: &Series, trace: Option<&Trace>, ascii: bool) -> Vec<String> {
    let ending = series.ending();
    let mut lines = vec![styled(STRONG, &headline(series, &ending))];
    let points = trace.map_or_else(Vec::new, |trace| trace.points(series.started_s));
    let (near, far) = without_the_far(points);
    if series.readings > 1 {
        lines.extend(plot(series, &ending, &near, ascii));
        lines.extend(wrapped(&changes(series).join("; ")));
        lines.extend(band(series, &ending).iter().flat_map(|text| wrapped(text)));
    }
    let style = match ending.verdict {
        Verdict::Settled if series.lost_s.is_some() => CAUTION,
        Verdict::Settled => GOOD,
        Verdict::NoiseLimited | Verdict::TimedOut => CAUTION,
        Verdict::WontSettle | Verdict::Lost => BAD,
    };
    lines.extend(wrapped(&in_a_sentence(series, &ending)).iter().map(|line| styled(style, line)));
    lines.extend(lost(series).iter().flat_map(|text| wrapped(text)).map(|line| styled(BAD, &line)));
    let observer = |name| format!("By the observer {name}, not CIE 1931, 2°.");
    lines.extend(series.observer.as_deref().iter().flat_map(|name| wrapped(&observer(name))));
    lines.extend(caution(series).iter().flat_map(|text| wrapped(text)).map(|line| styled(CAUTION, &line)));
    let mut details = in_a_few_words(series, &ending);
    if far > 0 {
        details.push("readings far off are not in the plot".to_owned());
    }
    lines.extend(wrapped(&details.join("; ")));
    lines.push(String::new());
    if ascii { lines.iter().map(|line| in_ascii(line)).collect() } else { lines }
}

/// The series and its value.
fn headline(series: &Series, ending: &Ending) -> String {
    let name = named(series);
    let unreal: String = [(Flag::Simulated, "   SIMULATED"), (Flag::Replayed, "   REPLAYED")]
        .iter()
        .filter(|(flag, _)| series.cautions.has(*flag))
        .map(|(_, words)| *words)
        .collect();
    let Some(value) = &ending.value else { return format!("{name}{unreal}") };
    let colour = value.chromaticity.map_or_else(String::new, |colour| {
        let radius = value.chromaticity_u95.map_or_else(String::new, |u95| format!(" {}", show::radius(u95)));
        format!("   u′ {:.5}  v′ {:.5}{radius}", colour.u_prime(), colour.v_prime())
    });
    let lost = if series.lost_s.is_some() { "   LOST" } else { "" };
    format!("{name}: {}{colour}{lost}{unreal}", show::estimate(value, series.photometric.unit()))
}

/// What it is called, with what tells it from another of the same name.
fn named(series: &Series) -> String {
    let name = if series.id.is_empty() { "the recording" } else { &series.id };
    let usual = Observer::default().name();
    let mut words = vec![name.to_owned()];
    words.extend(match (&series.correction, series.apart.correction) {
        (Some(correction), _) => Some(format!("correction {correction}")),
        (None, true) => Some("no correction".to_owned()),
        (None, false) => None,
    });
    if series.apart.observer {
        words.push(format!("observer {}", series.observer.as_deref().unwrap_or(usual)));
    }
    words.join(", ")
}

/// That it was settled and is no longer.
fn lost(series: &Series) -> Option<String> {
    let after = |t_s: f64| plain_span(t_s - series.started_s);
    series.lost_s.map(|t_s| format!("Lost after {}, and not settled again.", after(t_s)))
}

/// What there is to know before one trusts it.
fn caution(series: &Series) -> Option<String> {
    let beyond = [Flag::AboveRange, Flag::BelowRange].into_iter().filter(|flag| series.cautions.has(*flag));
    let words = show::flags("", &beyond.collect::<Vec<_>>()).replace("; ", ", others ");
    (!words.is_empty()).then(|| format!("Caution: some readings are {words}."))
}

/// The points without those that would flatten the plot, and how many those are.
fn without_the_far(mut points: Vec<(f64, f64)>) -> (Vec<(f64, f64)>, usize) {
    let mut values: Vec<f64> = points.iter().map(|(_, y)| *y).collect();
    values.sort_by(f64::total_cmp);
    let edge = values.len() / 50;
    let (Some(low), Some(high)) = (values.get(edge), values.iter().rev().nth(edge)) else {
        return (points, 0);
    };
    let reach = FAR * (high - low);
    let all = points.len();
    if reach > 0.0 {
        points.retain(|(_, y)| (low - reach..=high + reach).contains(y));
    }
    let far = all - points.len();
    (points, far)
}

fn plot(series: &Series, ending: &Ending, points: &[(f64, f64)], ascii: bool) -> Vec<String> {
    let band = ending.value.zip(ending.evidence.luminance_band);
    let levels = band.map_or_else(Vec::new, |(value, band)| vec![value.y - band, value.y + band]);
    let plot = Plot { width: CURVE.0, height: CURVE.1, levels: &levels, ascii, across: None };
    let since = |t_s: f64| t_s - series.started_s;
    let marks: Vec<(f64, char)> = series
        .changes
        .kept()
        .filter_map(|(t_s, verdict)| mark(verdict).map(|sign| (since(t_s), sign)))
        .collect();
    let (Some((from, _)), Some((to, _))) = (points.first(), points.last()) else { return Vec::new() };
    let mut rows = vec![plot.unit(series.photometric.unit())];
    rows.extend(plot.rows(points));
    rows.extend(plot.axis(points, &marks));
    rows.push(plot.foot(&plain_span(*from), &plain_span(*to)));
    rows
}

/// The sign of a change of verdict in the plot, if it has one.
fn mark(verdict: Verdict) -> Option<char> {
    match verdict {
        Verdict::Settled => Some('▲'),
        Verdict::Lost => Some('▽'),
        Verdict::NoiseLimited | Verdict::WontSettle | Verdict::TimedOut => None,
    }
}

/// Every change of verdict with its time; of very many the first and the last.
fn changes(series: &Series) -> Vec<String> {
    let told = |(t_s, verdict): Moment| {
        let sign = mark(verdict).map_or_else(String::new, |sign| format!("{sign}\u{a0}"));
        let what = match verdict {
            Verdict::WontSettle => "said not to settle",
            Verdict::NoiseLimited => "noise limited",
            Verdict::Settled | Verdict::Lost | Verdict::TimedOut => verdict.name(),
        };
        format!("{sign}{what} after {}", plain_span(t_s - series.started_s))
    };
    let mut words: Vec<String> = series.changes.first().iter().copied().map(told).collect();
    if let Some((between, last)) = series.changes.last() {
        words.extend((between > 0).then(|| show::counted(between, "more change", "more changes")));
        words.push(told(last));
    }
    words
}

/// What the dotted lines in the plot are.
fn band(series: &Series, ending: &Ending) -> Option<String> {
    let (value, band) = ending.value.zip(ending.evidence.luminance_band)?;
    let share = 100.0 * band / value.y.abs().max(f64::MIN_POSITIVE);
    let share = if share < 1000.0 { format!(" ({} %)", significant(share, 2)) } else { String::new() };
    Some(format!("dotted: the band, ±{} {}{share}", significant(band, 3), series.photometric.unit()))
}

/// What the verdict rests on, at the moment it was reached.
pub(super) fn in_a_sentence(series: &Series, ending: &Ending) -> String {
    if series.readings == 0 {
        let what = if series.darkened > 0 { "only dark readings" } else { "no readings" };
        return format!("There were {what}.");
    }
    let Series { criteria, photometric, started_s, last_t_s, .. } = series;
    let words =
        sentence(ending.verdict, &ending.evidence, ending.value.as_ref(), criteria, photometric.unit());
    let lasted_s = last_t_s - started_s;
    match (&series.settled, ending.verdict) {
        (Some(Change { t_s, .. }), _) => {
            let why = words.strip_prefix("Settled").unwrap_or(&words);
            let rounded = (t_s * 1000.0).round() / 1000.0;
            format!("Settled after {} (t_s {rounded}){why}", plain_span(t_s - started_s))
        }
        (None, Verdict::TimedOut) if lasted_s < criteria.max_wait_s => {
            let why = words.split_once(": ").map_or(words.as_str(), |(_, why)| why);
            let why = why.strip_prefix("there were ").unwrap_or(why);
            format!("The recording ends after {}: {why}", plain_span(lasted_s))
        }
        _ => words,
    }
}

/// The evidence that the sentence doesn't give.
fn in_a_few_words(series: &Series, ending: &Ending) -> Vec<String> {
    let Evidence { n, outliers, steps, noise, forecast, window_s, .. } = &ending.evidence;
    let mut words = Vec::new();
    words.extend(
        noise.map(|noise| format!("noise {} {} a reading", significant(noise, 2), series.photometric.unit())),
    );
    if *n > 0 {
        let window = plain_span(*window_s);
        words.push(format!("judged by {n} readings over {window}, of {} in all", series.readings));
    } else {
        words.push(show::counted(series.readings, "reading", "readings"));
    }
    if series.darkened > 0 {
        words.push(show::counted(series.darkened, "dark reading", "dark readings"));
    }
    if *outliers > 0 {
        words.push(show::counted(*outliers as u64, "outlier set aside", "outliers set aside"));
    }
    if *steps > 0 {
        words.push(show::counted(*steps as u64, "step in the light", "steps in the light"));
    }
    let lasted_s = series.last_t_s - series.started_s;
    let ahead = |forecast: &Forecast| ending.verdict == Verdict::TimedOut && forecast.high_s > lasted_s;
    if let Some(forecast) = forecast.filter(ahead) {
        let (low, high) = (plain_span(forecast.low_s.max(lasted_s)), plain_span(forecast.high_s));
        let when = if low == high { format!("about {high}") } else { format!("{low} to {high}") };
        words.push(format!("forecast: settles {when} after it began"));
    }
    words
}

/// A time span, finer than elsewhere: the plot is there to be looked at closely.
fn plain_span(seconds: f64) -> String {
    match seconds {
        short if short < 10.0 => format!("{short:.1} s"),
        middling if middling < 600.0 => format!("{middling:.0} s"),
        long if long < 7200.0 => format!("{:.1} min", long / 60.0),
        longer => format!("{:.1} h", longer / 3600.0),
    }
    .replace(".0 ", " ")
}

/// Lines of no more than [`WIDTH`], indented; none of nothing.
fn wrapped(text: &str) -> Vec<String> {
    if text.is_empty() { Vec::new() } else { behind("  ", text, WIDTH) }
}

/// The same in signs that every terminal has.
pub(in crate::command) fn in_ascii(text: &str) -> String {
    let mut plain = String::new();
    for sign in text.chars() {
        match sign {
            '±' => plain.push_str("+/-"),
            '²' => plain.push('2'),
            '′' => plain.push('\''),
            '▲' => plain.push('^'),
            '▽' => plain.push('v'),
            sign if sign.is_ascii() => plain.push(sign),
            _ => plain.push('?'),
        }
    }
    plain
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_fit_and_lose_nothing() {
        let text = "word ".repeat(50);
        let lines = wrapped(&text);
        assert!(lines.len() == 4 && lines.iter().all(|line| line.len() <= WIDTH), "{lines:?}");
        assert_eq!(lines.join(" ").split_whitespace().count(), 50);
        assert!(wrapped("").is_empty());
    }

    #[test]
    fn in_ascii_signs_have_their_nearest() {
        assert_eq!(in_ascii("±0.5 cd/m² u′ ▲ é"), "+/-0.5 cd/m2 u' ^ ?");
    }

    #[test]
    fn a_reading_far_off_does_not_flatten_the_others() {
        let mut points: Vec<(f64, f64)> =
            (0..100).map(|t| (f64::from(t), 100.0 + f64::from(t % 7))).collect();
        points.push((100.0, 0.0));
        let (near, far) = without_the_far(points);
        assert_eq!((near.len(), far), (100, 1));
        assert_eq!(without_the_far(vec![(0.0, 1.0), (1.0, 1.0)]).1, 0);
    }
}

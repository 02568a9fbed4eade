//! One night beside another.

use settled_protocol::statistics::{Comparison, Difference};

use crate::evaluate::figure::Figure;
use crate::report::Section;
use crate::review::figures::Table;

/// Every difference, with the name and the unit that it has for programs and for people.
pub(super) fn differences(
    comparison: &Comparison,
) -> Vec<(&'static str, &'static str, &'static str, Difference)> {
    let unit = comparison.other.quantity.unit();
    let all = [
        ("mean_difference", "mean", unit, comparison.mean),
        ("u_prime_difference", "u′", "", comparison.u_prime),
        ("v_prime_difference", "v′", "", comparison.v_prime),
        ("drift_difference", "drift an hour", unit, comparison.drift_per_h),
    ];
    all.into_iter().filter_map(|(name, words, unit, found)| Some((name, words, unit, found?))).collect()
}

/// The differences, this run less that one.
pub(super) fn section(run: u64, comparison: &Comparison) -> Section {
    let row = |(_, words, unit, found): (&str, &str, &str, Difference)| {
        let unit = if unit.is_empty() { String::new() } else { format!(", {unit}") };
        let figure = Figure::between(found.value, found.low, found.high);
        let differs = if found.differs { "differs" } else { "can't be told apart" };
        vec![format!("{words}{unit}"), figure.words(), differs.to_owned()]
    };
    let rows: Vec<Vec<String>> = differences(comparison).into_iter().map(row).collect();
    let columns = ["figure", "this run less that one, with 95 %", ""].map(str::to_owned).to_vec();
    let table = Table { title: "Differences".to_owned(), columns, rows };
    Section {
        heading: format!("Beside run {run}"),
        words: vec![comparison.message.clone()],
        plots: Vec::new(),
        tables: vec![table],
    }
}

//! Figures one a line, for spreadsheets and scripts.

use serde::Serialize;

use crate::evaluate::figure::Figure;
use crate::review::evaluation::Evaluation;
use crate::review::figures::{Finding, Quantity};

/// One figure: a line of CSV. Members that don't apply are empty.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Row {
    /// The set it belongs to; of a night, the run.
    pub set: String,
    /// The sequence.
    pub sequence: String,
    /// Which patch, place or time; empty where it is of the whole sequence.
    pub patch: String,
    /// What it is: the stable name of a verdict's subject, or of a figure.
    pub quantity: String,
    /// The figure.
    pub value: Option<f64>,
    /// Its unit; 1 for a bare number.
    pub unit: String,
    /// The lower end of its interval.
    pub low: Option<f64>,
    /// The upper end.
    pub high: Option<f64>,
    /// How often such intervals hold the truth: 0.95, or 0.99 together.
    pub coverage: Option<f64>,
    /// Whether the interval holds at once with those of all figures that this one is judged beside.
    pub together: Option<bool>,
    /// Half the width of the interval of 95 % that the figure has by itself.
    pub u95: Option<f64>,
    /// No less than this is within tolerance.
    pub tolerance_least: Option<f64>,
    /// No more than this.
    pub tolerance_most: Option<f64>,
    /// within, beyond, undecided or told.
    pub verdict: String,
    /// Where the tolerance comes from.
    pub source: String,
}

impl Row {
    /// A row of a figure that isn't judged.
    #[must_use]
    pub fn of(set: &str, sequence: &str, quantity: &Quantity) -> Self {
        Self { patch: quantity.of.clone(), quantity: quantity.name.clone(), ..Self::default() }
            .placed(set, sequence)
            .with(Some(quantity.figure), quantity.unit)
    }

    fn placed(self, set: &str, sequence: &str) -> Self {
        Self { set: set.to_owned(), sequence: sequence.to_owned(), ..self }
    }

    /// With a figure and its unit.
    pub(super) fn with(self, figure: Option<Figure>, unit: &str) -> Self {
        Self {
            value: figure.map(|figure| figure.value),
            unit: figure.map(|_| if unit.is_empty() { "1" } else { unit }.to_owned()).unwrap_or_default(),
            low: figure.map(|figure| figure.low),
            high: figure.map(|figure| figure.high),
            coverage: figure.map(|figure| figure.coverage),
            together: figure.map(|figure| figure.together),
            u95: figure.map(|figure| figure.u95()),
            ..self
        }
    }

    /// The same with an apostrophe before each text that a spreadsheet would take for a formula: names come from plans, charts and records that are
    /// passed on.
    fn as_text(&self) -> Self {
        let text = |text: &String| {
            let is_formula = text.starts_with(['=', '+', '-', '@', '\t', '\r']);
            if is_formula { format!("'{text}") } else { text.clone() }
        };
        Self {
            set: text(&self.set),
            sequence: text(&self.sequence),
            patch: text(&self.patch),
            quantity: text(&self.quantity),
            source: text(&self.source),
            ..self.clone()
        }
    }

    /// A row of a verdict.
    #[must_use]
    pub fn judged(set: &str, sequence: &str, finding: &Finding) -> Self {
        let held = finding.tolerance.as_ref();
        Self {
            quantity: finding.subject.clone(),
            tolerance_least: held.and_then(|held| held.least),
            tolerance_most: held.and_then(|held| held.most),
            verdict: finding.standing.word().to_owned(),
            source: held.map(|held| held.source.clone()).unwrap_or_default(),
            ..Self::default()
        }
        .placed(set, sequence)
        .with(finding.figure, &finding.unit)
    }
}

/// Every verdict of a review, and every figure, in the order of the plan.
#[must_use]
pub fn of_review(evaluation: &Evaluation) -> Vec<Row> {
    let mut rows = Vec::new();
    for set in &evaluation.sets {
        for sequence in &set.sequences {
            let here = evaluation
                .findings
                .iter()
                .filter(|placed| placed.set == set.name && placed.sequence == sequence.name);
            rows.extend(here.map(|placed| Row::judged(&set.name, &sequence.name, &placed.finding)));
            let quantities = sequence.figures.iter().flat_map(|part| part.quantities());
            rows.extend(quantities.map(|quantity| Row::of(&set.name, &sequence.name, &quantity)));
        }
    }
    rows
}

/// Rows as CSV with a header, RFC 4180.
///
/// # Errors
/// None but those of memory.
pub fn csv(rows: &[Row]) -> Result<Vec<u8>, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for row in rows {
        writer.serialize(row.as_text())?;
    }
    writer.into_inner().map_err(|error| csv::Error::from(std::io::Error::other(error.to_string())))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_name_is_a_formula_in_a_spreadsheet_and_numbers_are_as_they_are() {
        let row = |set: &str| Row { set: set.to_owned(), value: Some(-1.5), ..Row::default() };
        let table = csv(&[row("=1+1"), row("@SUM(A1)"), row("SDR, =")]).unwrap();
        let text = String::from_utf8(table).unwrap();
        let lines: Vec<&str> = text.lines().skip(1).map(|line| line.split(",,").next().unwrap()).collect();
        assert_eq!(lines, ["'=1+1", "'@SUM(A1)", "\"SDR, =\""]);
        assert!(text.contains(",-1.5,"), "{text}");
    }
}

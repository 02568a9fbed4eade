//! Reports: what was measured, in one document that can be read, printed and passed on.
//!
//! A [`Document`] is plain data and knows nothing of the format that it is written in, nor of what it is about: a review, a night, two reviews side by side. Whoever
//! has something to report fills one ([`review`]); [`html`] writes it.
//!
//! | module | idea |
//! |---|---|
//! | [`comparison`] | two reviews side by side as a document |
//! | [`night`] | a run as a document, from what the log has of it |
//! | [`html`] | a document as one file of HTML that needs nothing else |
//! | [`review`] | a review as a document |
//! | [`rows`] | figures one a line |
//! | [`schema`] | the form of figures in JSON |

use std::collections::BTreeSet;

use crate::chart::scene::Scene;
use crate::review::figures::{Standing, Table, Tolerance};

pub mod comparison;
pub mod html;
pub mod night;
pub mod review;
pub mod rows;
pub mod schema;

/// A report.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Document {
    /// What it is of, in a few words.
    pub title: String,
    /// What, with what, and when, in a sentence.
    pub subtitle: String,
    /// What must not be overlooked on any page, in capitals: `SIMULATED`. Empty where all was seen on a display.
    pub marks: Vec<String>,
    /// What to mind before anything else is read: that it isn't finished, or that two don't compare.
    pub first: Vec<String>,
    /// How it stands as a whole, in a sentence before the statements; empty where there is nothing to add to them.
    pub lead: String,
    /// What it comes to: statements in the order in which they are read. Those of one verdict that follow one another stand together.
    pub summary: Vec<Statement>,
    /// The rest, heading by heading.
    pub sections: Vec<Section>,
    /// How it was measured.
    pub conditions: Vec<Fact>,
    /// What to mind while reading it, and while measuring again.
    pub cautions: Vec<String>,
    /// Where it all comes from: instruments, plans, versions, times.
    pub provenance: Vec<Fact>,
}

/// One sentence of the summary, with its verdict.
#[derive(Clone, Debug, PartialEq)]
pub struct Statement {
    /// How it is shown.
    pub tone: Tone,
    /// The verdict in a word: `beyond`.
    pub verdict: String,
    /// What it is of: `SDR, grey`; empty where all is of one thing.
    pub place: String,
    /// The sentence.
    pub words: String,
    /// What the figure is held against: `at most 0.004`; empty where it is not judged.
    pub tolerance: String,
    /// Where that comes from; empty where there is none.
    pub source: String,
}

/// How a verdict is shown: by a sign and a colour beside its word.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tone {
    /// As it should be.
    Good,
    /// Not as it should be.
    Bad,
    /// Nobody can tell.
    Open,
    /// Otherwise than before, neither better nor worse.
    Other,
    /// Told, not judged.
    Plain,
}

/// What belongs under one heading.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Section {
    /// The heading.
    pub heading: String,
    /// Paragraphs before everything else.
    pub words: Vec<String>,
    /// Pictures.
    pub plots: Vec<Plot>,
    /// Tables, below the pictures.
    pub tables: Vec<Table>,
}

/// A picture with what belongs to it. The scene's title and description are its text alternative.
#[derive(Clone, Debug, PartialEq)]
pub struct Plot {
    /// What a file of it alone is called, without an ending: small letters, digits and hyphens.
    pub name: String,
    /// The picture.
    pub scene: Scene,
    /// What stands below it: what is drawn, tolerance and source.
    pub caption: String,
}

/// Something known, and its name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fact {
    /// What it is.
    pub name: String,
    /// What is known.
    pub value: String,
}

impl Fact {
    /// A fact.
    #[must_use]
    pub fn new(name: &str, value: impl Into<String>) -> Self {
        Self { name: name.to_owned(), value: value.into() }
    }
}

impl From<Standing> for Tone {
    fn from(standing: Standing) -> Self {
        match standing {
            Standing::Within => Self::Good,
            Standing::Beyond => Self::Bad,
            Standing::Undecided => Self::Open,
            Standing::Told => Self::Plain,
        }
    }
}

/// A tolerance in words: `at most 0.004`, `from 2.3 to 2.5`.
#[must_use]
pub fn tolerance(tolerance: &Tolerance, unit: &str) -> String {
    let number = |value: f64| {
        let text = settled::settle::digits::significant(value, 4);
        let short = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
        short.replace('-', "−")
    };
    let unit = if unit.is_empty() { String::new() } else { format!(" {unit}") };
    match (tolerance.least, tolerance.most) {
        (Some(least), Some(most)) => format!("from {} to {}{unit}", number(least), number(most)),
        (Some(least), None) => format!("at least {}{unit}", number(least)),
        (None, Some(most)) => format!("at most {}{unit}", number(most)),
        (None, None) => String::new(),
    }
}

impl Document {
    /// The same with a name of its own for each picture: where several have one, those that follow have a number behind it.
    #[must_use]
    pub fn with_names_apart(mut self) -> Self {
        let mut taken = BTreeSet::new();
        for plot in self.sections.iter_mut().flat_map(|section| &mut section.plots) {
            let names = std::iter::once(plot.name.clone());
            let numbered = (2_u32..).map(|number| format!("{}-{number}", plot.name));
            if let Some(free) = names.chain(numbered).find(|name| !taken.contains(name)) {
                plot.name.clone_from(&free);
                taken.insert(free);
            }
        }
        self
    }

    /// Every picture, in the order of the sections.
    pub fn plots(&self) -> impl Iterator<Item = &Plot> {
        self.sections.iter().flat_map(|section| &section.plots)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pictures_of_one_name_are_told_apart() {
        let scene = Scene::new((1.0, 1.0), String::new());
        let plot = |name: &str| Plot { name: name.to_owned(), scene: scene.clone(), caption: String::new() };
        let plots = ["hdr-pq", "hdr-pq", "hdr-pq-2", "hdr-pq"].map(plot).to_vec();
        let document =
            Document { sections: vec![Section { plots, ..Section::default() }], ..Document::default() };
        let document = document.with_names_apart();
        let names: Vec<&str> = document.plots().map(|plot| plot.name.as_str()).collect();
        assert_eq!(names, ["hdr-pq", "hdr-pq-2", "hdr-pq-2-2", "hdr-pq-3"]);
    }

    #[test]
    fn tolerances_are_told_in_words_with_their_unit() {
        let told =
            |least, most, unit| super::tolerance(&Tolerance { least, most, source: String::new() }, unit);
        assert_eq!(told(None, Some(0.004), ""), "at most 0.004");
        assert_eq!(told(Some(-10.0), Some(10.0), "%"), "from −10 to 10 %");
        assert_eq!(told(Some(600.0), None, "cd/m²"), "at least 600 cd/m²");
        assert_eq!(told(None, None, "%"), "");
    }
}

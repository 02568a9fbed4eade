//! What the pictures of one sequence are made of: its figures, what was measured, and what it is held against.

use crate::chart::plane::{Picture, Plane};
use crate::chart::{self, scene::Scene as Drawn};
use crate::evaluate::measured::Measured;
use crate::report::{Plot, tolerance};
use crate::review::evaluation::{self, Evaluated, Evaluation, Placed, Sequenced};
use crate::review::figures::Scene;
use crate::review::figures::usable::usable;
use crate::review::plan::{Sequence, Set};
use crate::review::record::{Course, Measurement, Record};

/// One sequence of a review.
#[derive(Clone, Debug)]
pub(super) struct View<'a> {
    pub(super) evaluation: &'a Evaluation,
    pub(super) record: &'a Record,
    pub(super) set: &'a Set,
    pub(super) sequence: &'a Sequence,
    /// What it is held against.
    pub(super) scene: Scene,
}

/// A patch with its light and what it is meant to be.
#[derive(Clone, Debug)]
pub(super) struct Shown<'a> {
    pub(super) patch: &'a Measurement,
    pub(super) light: Measured,
    /// X, Y and Z in cd/m² that it is meant to have; absent where white wasn't measured.
    pub(super) aim: Option<[f64; 3]>,
}

impl<'a> View<'a> {
    /// Nothing where the plan doesn't have that sequence.
    pub(super) fn new(
        record: &'a Record,
        evaluation: &'a Evaluation,
        evaluated: &Evaluated,
        sequenced: &Sequenced,
    ) -> Option<Self> {
        let set = record.header.plan.sets.iter().find(|set| set.name == evaluated.name)?;
        let sequence = set.sequences.iter().find(|sequence| sequence.name == sequenced.name)?;
        let whole = evaluation::scene(record, set, evaluation::calibration(&record.header));
        let scene = evaluation::scene_of(record, set, sequence, &whole);
        Some(Self { evaluation, record, set, sequence, scene })
    }

    /// `SDR, near black`.
    pub(super) fn name(&self) -> String {
        format!("{}, {}", self.set.name, self.sequence.name.replace('_', " "))
    }

    /// The verdict of this subject.
    pub(super) fn finding(&self, subject: &str) -> Option<&'a Placed> {
        self.evaluation.findings.iter().find(|placed| {
            placed.set == self.set.name
                && placed.sequence == self.sequence.name
                && placed.finding.subject == subject
        })
    }

    /// What the figure of this subject may be at most.
    pub(super) fn most(&self, subject: &str) -> Option<f64> {
        self.finding(subject)?.finding.tolerance.as_ref()?.most
    }

    /// `Tolerance: at most 0.004 (common practice, no source).`, of the first of these subjects that has one; empty where none has.
    pub(super) fn tolerance(&self, subjects: &[&str]) -> String {
        let held = subjects.iter().filter_map(|subject| {
            let finding = &self.finding(subject)?.finding;
            let held = finding.tolerance.as_ref()?;
            Some(format!(" Tolerance: {} ({}).", tolerance(held, &finding.unit), held.source))
        });
        held.take(1).collect()
    }

    /// The patches that count, each with what it is meant to be.
    pub(super) fn shown(&self) -> Vec<Shown<'a>> {
        let black = self.scene.black.map_or(0.0, |black| black.luminance.max(0.0));
        let white = self.scene.white.map(|white| white.luminance);
        let patches = self.record.patches(self.set, &self.sequence.name).into_iter();
        let shown = patches.filter_map(|patch| {
            let signal = patch.patch.signal(self.set.coding);
            let aim = white.and_then(|white| self.scene.aim.xyz(signal, white, black));
            Some(Shown { patch, light: usable(patch)?, aim })
        });
        shown.collect()
    }

    /// The course of this step.
    pub(super) fn course(&self, step: usize) -> Option<&'a Course> {
        let courses = self.record.courses(self.set, &self.sequence.name);
        courses.into_iter().find(|course| course.place.step == step)
    }

    /// A picture of this sequence.
    pub(super) fn plot(&self, kind: &str, words: Words, planes: Vec<Plane>) -> Result<Plot, chart::Error> {
        let Words { title, below, description, caption } = words;
        let picture = Picture {
            title: format!("{}: {title}", self.name()),
            below,
            caution: super::marks(self.evaluation).join(", "),
            description: self.described(&description),
            planes,
        };
        Ok(self.plot_of(kind, picture.scene()?, caption))
    }

    /// A picture that is drawn already.
    pub(super) fn plot_of(&self, kind: &str, scene: Drawn, caption: String) -> Plot {
        let name = format!("{}-{}-{kind}", self.set.name, self.sequence.name);
        Plot { name: slug(&name), scene, caption: caption.trim().to_owned() }
    }

    /// The text alternative of a picture, which says first if nothing of it was seen on a display.
    pub(super) fn described(&self, description: &str) -> String {
        let marks = super::marks(self.evaluation);
        if marks.is_empty() {
            description.to_owned()
        } else {
            format!("{} data. {description}", marks.join(" and "))
        }
    }
}

/// What stands with a picture.
#[derive(Clone, Debug, Default)]
pub(super) struct Words {
    pub(super) title: String,
    pub(super) below: String,
    /// What can be seen in it.
    pub(super) description: String,
    pub(super) caption: String,
}

/// Letters, digits and hyphens alone: a name that every file system takes.
pub(in crate::report) fn slug(name: &str) -> String {
    let mut slug = String::new();
    for character in name.chars().flat_map(char::to_lowercase) {
        if character.is_ascii_alphanumeric() {
            slug.push(character);
        } else if !slug.is_empty() && !slug.ends_with('-') {
            slug.push('-');
        }
    }
    slug.trim_end_matches('-').to_owned()
}

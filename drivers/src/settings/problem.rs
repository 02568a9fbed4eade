//! Mistakes in a TOML file, and where they are collected.

use std::cell::RefCell;
use std::fmt;
use std::ops::Range;

/// One mistake in a TOML file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// The file's name.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// The key's path, such as `meter[1].port`; empty for a mistake in the TOML itself.
    pub key: String,
    /// What was wrong and what was expected.
    pub message: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { file, line, column, key, message } = self;
        write!(f, "{file}:{line}:{column}: ")?;
        if !key.is_empty() {
            write!(f, "{key}: ")?;
        }
        f.write_str(message)
    }
}

/// Every mistake in a TOML file, in the order of the file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problems(pub Vec<Problem>);

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, problem) in self.0.iter().enumerate() {
            if index > 0 {
                f.write_str("\n")?;
            }
            problem.fmt(f)?;
        }
        Ok(())
    }
}

impl std::error::Error for Problems {}

/// Where mistakes are collected.
#[derive(Debug)]
pub(super) struct Report<'a> {
    pub(super) file: &'a str,
    pub(super) text: &'a str,
    pub(super) problems: RefCell<Vec<(usize, Problem)>>,
}

impl Report<'_> {
    pub(super) fn add(&self, span: Range<usize>, key: String, message: String) {
        let before = self.text.get(..span.start).unwrap_or(self.text);
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().unwrap_or_default().chars().count() + 1;
        let problem = Problem { file: self.file.to_owned(), line, column, key, message };
        let mut problems = self.problems.borrow_mut();
        // A key that two parts of the program read is wrong once.
        if !problems.iter().any(|(start, known)| *start == span.start && *known == problem) {
            problems.push((span.start, problem));
        }
    }

    pub(super) fn finish(&self) -> Problems {
        let mut problems = self.problems.take();
        problems.sort_by_key(|(start, _)| *start);
        Problems(problems.into_iter().map(|(_, problem)| problem).collect())
    }
}

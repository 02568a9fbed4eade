//! Files and folders that are all there or none of them.

use std::io::Write;
use std::path::{Path, PathBuf};

use tempfile::TempDir;

use crate::command::Failure;
use crate::command::target::{Replace, Target, draft};
use crate::output::Output;

/// What is written, and has no name yet.
#[derive(Debug)]
pub(super) struct Whole {
    output: Output,
    replace: Replace,
    files: Vec<Target>,
    folders: Vec<(TempDir, PathBuf)>,
}

impl Whole {
    pub(super) fn new(output: Output, replace: Replace) -> Self {
        Self { output, replace, files: Vec::new(), folders: Vec::new() }
    }

    /// Writes a file beside where it is to be.
    pub(super) fn file(&mut self, path: &Path, bytes: &[u8]) -> Result<(), Failure> {
        let mut target = Target::open(self.output, path, self.replace)?;
        let written = target.write_all(bytes).and_then(|()| target.flush());
        target.check(written)?;
        self.files.push(target);
        Ok(())
    }

    /// Writes files into a folder beside the one that is to be.
    pub(super) fn folder(&mut self, path: &Path, files: &[(String, Vec<u8>)]) -> Result<(), Failure> {
        let failed = |error: std::io::Error| Failure::Input(format!("{}: {error}", path.display()));
        let draft = draft(path)?;
        for (name, bytes) in files {
            let mut file = std::fs::File::create_new(draft.path().join(name)).map_err(failed)?;
            file.write_all(bytes).and_then(|()| file.sync_all()).map_err(failed)?;
        }
        self.folders.push((draft, path.to_owned()));
        Ok(())
    }

    /// Gives all of them their names.
    pub(super) fn keep(self) -> Result<(), Failure> {
        for (draft, path) in self.folders {
            // A folder that isn't empty is never replaced.
            std::fs::rename(draft.path(), &path)
                .map_err(|error| Failure::Input(format!("{}: {error}", path.display())))?;
            let _named = draft.keep();
        }
        self.files.into_iter().try_for_each(Target::keep)
    }
}

//! A file that is complete or not there, and that takes no other's place unless that is said.

use std::fs::File;
use std::io::{BufWriter, Read, Write};
use std::path::{Path, PathBuf};

use clap::Args;
use tempfile::{NamedTempFile, TempDir};

use super::Failure;
use crate::output::Output;

/// Whether a file that is there already may be replaced.
#[derive(Clone, Copy, Debug, Args)]
pub(super) struct Replace {
    /// Replace a file that is there already. A log and a review's record are never replaced.
    #[arg(long)]
    replace: bool,
}

/// What a log begins with (SQLite's file format, section 1.3), and what a review's record does.
const LOG: &[u8] = b"SQLite format 3\0";
const RECORD: &[u8] = b"{\"review\":";

/// Where a file goes: into a temporary one beside it until it is complete, or to standard output.
#[derive(Debug)]
pub(super) enum Target {
    Standard(Output),
    File { path: PathBuf, file: BufWriter<NamedTempFile>, replace: Replace },
}

impl Target {
    /// Refuses what a file can't be made as. To be asked before anything that takes long; `open` asks again.
    pub(super) fn may_be(path: &Path, replace: Replace) -> Result<(), Failure> {
        if path.as_os_str() == "-" {
            return Ok(());
        }
        if path.is_dir() {
            return Err(Failure::Input(format!("{} is a folder: name a file in it", path.display())));
        }
        replace.may_take_the_place_of(path)?;
        parent(path).map(drop)
    }

    /// Makes the temporary file, unless one is there already that is to be left.
    pub(super) fn open(output: Output, path: &Path, replace: Replace) -> Result<Self, Failure> {
        if path.as_os_str() == "-" {
            return Ok(Self::Standard(output));
        }
        Self::may_be(path, replace)?;
        let folder = parent(path)?;
        // The name of the temporary file would tell nobody anything.
        let failed = |error: std::io::Error| Failure::Input(format!("{}: {}", path.display(), error.kind()));
        let mut builder = tempfile::Builder::new();
        #[cfg(unix)]
        builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
        let file = builder.prefix(".settle-").tempfile_in(folder).map_err(failed)?;
        Ok(Self::File { path: path.to_owned(), file: BufWriter::new(file), replace })
    }

    /// Names the file in the error of a write to it.
    pub(super) fn check(&self, written: std::io::Result<()>) -> Result<(), Failure> {
        match self {
            Self::Standard(_) => Ok(written?),
            Self::File { path, .. } => {
                written.map_err(|error| Failure::Input(format!("{}: {error}", path.display())))
            }
        }
    }

    /// Gives the file its name, once it is on the disk.
    pub(super) fn keep(self) -> Result<(), Failure> {
        let Self::File { path, file, replace } = self else { return Ok(()) };
        // It may have come meanwhile.
        replace.may_take_the_place_of(&path)?;
        let failed = |error: std::io::Error| Failure::Input(format!("{}: {error}", path.display()));
        let file = file.into_inner().map_err(|error| failed(error.into_error()))?;
        file.as_file().sync_all().map_err(failed)?;
        file.persist(&path).map_err(|error| failed(error.error))?;
        Ok(())
    }
}

/// The folder that something is to be in, which must be there.
fn parent(path: &Path) -> Result<&Path, Failure> {
    let parent = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    if !parent.is_dir() {
        return Err(Failure::Input(format!("{}: there is no folder {}", path.display(), parent.display())));
    }
    Ok(parent)
}

/// Refuses what a folder can't be made as. To be asked before anything that takes long; `draft` asks again.
pub(super) fn may_be_a_folder(path: &Path) -> Result<(), Failure> {
    if path.symlink_metadata().is_ok() {
        let words = format!("{} is there already: name a folder that isn't", path.display());
        return Err(Failure::Usage(words));
    }
    parent(path).map(drop)
}

/// Makes the folder that is to be given the name `path` once all is in it: beside that, under a name of its own that is told nobody.
pub(super) fn draft(path: &Path) -> Result<TempDir, Failure> {
    may_be_a_folder(path)?;
    let parent = parent(path)?;
    let mut builder = tempfile::Builder::new();
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o777));
    let failed = |error: std::io::Error| Failure::Input(format!("{}: {}", path.display(), error.kind()));
    builder.prefix(".settle-").tempdir_in(parent).map_err(failed)
}

impl Replace {
    /// Refuses to replace what is there already: anything that isn't empty unless that is wanted, and never what can't be had again.
    fn may_take_the_place_of(self, path: &Path) -> Result<(), Failure> {
        let refused = |words: &str| Err(Failure::Usage(format!("{} {words}", path.display())));
        let Ok(there) = path.symlink_metadata() else { return Ok(()) };
        let is_file = path.metadata().is_ok_and(|there| there.is_file());
        if !is_file && !there.is_symlink() {
            return refused("is there already, and no ordinary file: name another, or - for standard output");
        }
        let begins = beginning(path);
        if begins.starts_with(LOG) {
            return refused("is a log, or another database: it is not replaced; name another file");
        }
        if begins.starts_with(RECORD) {
            return refused("is a review's record: it is not replaced; name another file");
        }
        if self.replace || is_file && path.metadata().is_ok_and(|there| there.len() == 0) {
            return Ok(());
        }
        refused("is there already: name another file, or replace it with --replace")
    }
}

/// The first bytes of a file; none of one that can't be read.
fn beginning(path: &Path) -> Vec<u8> {
    let mut bytes = Vec::new();
    let read = File::open(path).and_then(|file| file.take(64).read_to_end(&mut bytes));
    if read.is_ok() { bytes } else { Vec::new() }
}

impl Write for Target {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        match self {
            Self::Standard(output) => output.raw(bytes).map(|()| bytes.len()),
            Self::File { file, .. } => file.write(bytes),
        }
    }

    fn flush(&mut self) -> std::io::Result<()> {
        match self {
            Self::Standard(_) => Ok(()),
            Self::File { file, .. } => file.flush(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is said of a file with this in it; nothing where it may be replaced.
    fn said(inside: Option<&[u8]>, replace: bool) -> String {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("file");
        if let Some(inside) = inside {
            std::fs::write(&path, inside).unwrap();
        }
        let opened = Target::open(Output::default(), &path, Replace { replace });
        opened.err().map_or_else(String::new, |failure| format!("{failure:?}"))
    }

    #[test]
    fn a_file_that_is_there_is_left_unless_it_is_empty_or_may_be_replaced() {
        assert_eq!([said(None, false), said(Some(b""), false), said(Some(b"<html>"), true)], ["", "", ""]);
        let words = said(Some(b"<html>"), false);
        assert!(words.contains("is there already") && words.contains("--replace"), "{words}");
    }

    #[test]
    fn a_log_and_a_record_of_a_review_are_never_replaced() {
        for replace in [false, true] {
            let words = said(Some(b"SQLite format 3\0 and so on"), replace);
            assert!(words.contains("is a log, or another database"), "{words}");
            let words = said(Some(b"{\"review\":1,\"display\":\"field monitor 4\"}\n"), replace);
            assert!(words.contains("is a review's record"), "{words}");
        }
    }

    #[test]
    fn what_comes_while_a_file_is_written_is_left_too() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("file");
        let target = Target::open(Output::default(), &path, Replace { replace: false }).unwrap();
        std::fs::write(&path, "somebody else's").unwrap();
        assert!(target.keep().is_err());
        assert_eq!(std::fs::read_to_string(&path).unwrap(), "somebody else's");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_device_is_no_file_to_replace_and_a_folder_that_is_not_there_is_named() {
        let said = |path: &str| {
            let opened = Target::open(Output::default(), Path::new(path), Replace { replace: true });
            format!("{:?}", opened.unwrap_err())
        };
        assert!(said("/dev/null").contains("no ordinary file"), "{}", said("/dev/null"));
        let words = said("/nonexistent/x.html");
        assert!(words.contains("/nonexistent/x.html: there is no folder /nonexistent"), "{words}");
    }

    #[test]
    fn a_folder_that_can_not_be_made_is_named_and_not_the_one_that_stands_for_it() {
        let folder = tempfile::tempdir().unwrap();
        let wanted = folder.path().join("none/pictures");
        let said = draft(&wanted).unwrap_err().to_string();
        assert!(said.contains("pictures: there is no folder ") && !said.contains(".settle-"), "{said}");
        assert!(draft(&folder.path().join("pictures")).unwrap().path().is_dir());
    }
}

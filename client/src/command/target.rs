//! A file that is complete or not there.

use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;

use super::Failure;
use crate::output::Output;

/// Where a file goes: into a temporary one beside it until it is complete, or to standard output.
#[derive(Debug)]
pub(super) enum Target {
    Standard(Output),
    File { path: PathBuf, file: BufWriter<NamedTempFile> },
}

impl Target {
    /// Makes the temporary file.
    pub(super) fn open(output: Output, path: &Path) -> Result<Self, Failure> {
        if path.as_os_str() == "-" {
            return Ok(Self::Standard(output));
        }
        let failed = |error: std::io::Error| Failure::Input(format!("{}: {error}", path.display()));
        if path.is_dir() {
            return Err(Failure::Input(format!("{} is a folder: name a file in it", path.display())));
        }
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let mut builder = tempfile::Builder::new();
        #[cfg(unix)]
        builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
        let file = builder.prefix(".settle-").tempfile_in(folder).map_err(failed)?;
        Ok(Self::File { path: path.to_owned(), file: BufWriter::new(file) })
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
        let Self::File { path, file } = self else { return Ok(()) };
        let failed = |error: std::io::Error| Failure::Input(format!("{}: {error}", path.display()));
        let file = file.into_inner().map_err(|error| failed(error.into_error()))?;
        file.as_file().sync_all().map_err(failed)?;
        file.persist(&path).map_err(|error| failed(error.error))?;
        Ok(())
    }
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

//! A record as it is written: a line at a time, each on disk before the next stimulus is shown.

use std::fmt;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use serde::Serialize;

use super::reading::{Loaded, ReadError};
use super::{Entry, Header, Record};

/// A record that grows. Nobody else writes it meanwhile.
#[derive(Debug)]
pub struct Book {
    path: PathBuf,
    file: File,
    record: Record,
}

/// A record can't be begun, gone on with or written.
#[derive(Debug)]
pub enum WriteError {
    /// What is there can't be read.
    Read(ReadError),
    /// Another review is being written into the file.
    Taken {
        /// Which.
        path: PathBuf,
    },
    /// The file can't be created or written.
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
}

impl fmt::Display for WriteError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Read(error) => error.fmt(f),
            Self::Taken { path } => write!(f, "another review is being written into {}", path.display()),
            Self::File { path, .. } => write!(f, "writing {}", path.display()),
        }
    }
}

impl std::error::Error for WriteError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Read(error) => std::error::Error::source(error),
            Self::Taken { .. } => None,
            Self::File { source, .. } => Some(source),
        }
    }
}

impl Book {
    /// Begins a record. A file that is there already is left as it is.
    ///
    /// # Errors
    /// [`WriteError`].
    pub fn create(path: &Path, header: Header) -> Result<Self, WriteError> {
        let failed = |source| WriteError::File { path: path.to_owned(), source };
        let file = OpenOptions::new().read(true).write(true).create_new(true).open(path).map_err(failed)?;
        let file = locked(file, path)?;
        let record = Record { header, entries: Vec::new() };
        let mut book = Self { path: path.to_owned(), file, record };
        let header = book.record.header.clone();
        book.write(&header)?;
        // The file's name must be there after a power cut as well.
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        File::open(folder).and_then(|folder| folder.sync_all()).map_err(failed)?;
        Ok(book)
    }

    /// Goes on with a record; a last line that was cut off is taken away, and its number told.
    ///
    /// # Errors
    /// [`WriteError`].
    pub fn reopen(path: &Path) -> Result<(Self, Option<usize>), WriteError> {
        let failed = |source| WriteError::File { path: path.to_owned(), source };
        let file = OpenOptions::new().read(true).write(true).open(path).map_err(failed)?;
        let mut file = locked(file, path)?;
        let Loaded { record, whole, torn } = Loaded::read(path).map_err(WriteError::Read)?;
        let end = u64::try_from(whole).unwrap_or(u64::MAX);
        file.set_len(end).and_then(|()| file.seek(SeekFrom::Start(end))).map_err(failed)?;
        Ok((Self { path: path.to_owned(), file, record }, torn))
    }

    /// What is in it.
    #[must_use]
    pub fn record(&self) -> &Record {
        &self.record
    }

    /// The file.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Appends a line, and returns once it is on the disk.
    ///
    /// # Errors
    /// [`WriteError`].
    pub fn append(&mut self, entry: Entry) -> Result<(), WriteError> {
        self.write(&entry)?;
        self.record.entries.push(entry);
        Ok(())
    }

    fn write(&mut self, line: &impl Serialize) -> Result<(), WriteError> {
        let failed = |source| WriteError::File { path: self.path.clone(), source };
        let mut bytes = serde_json::to_vec(line).map_err(|error| failed(error.into()))?;
        bytes.push(b'\n');
        self.file.write_all(&bytes).and_then(|()| self.file.sync_data()).map_err(failed)
    }
}

/// The lock goes with the process, however that ends.
fn locked(file: File, path: &Path) -> Result<File, WriteError> {
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(WriteError::Taken { path: path.to_owned() }),
        Err(TryLockError::Error(source)) => Err(WriteError::File { path: path.to_owned(), source }),
    }
}

#[cfg(test)]
mod tests {
    use settled_protocol::time::Timestamp;

    use super::*;
    use crate::review::ready::READY;

    fn header() -> Header {
        Header {
            review: super::super::reading::FORM,
            display: "monitor 3".to_owned(),
            meter: "m".to_owned(),
            log: None,
            began: Timestamp::from_unix_ns(0),
            plan: READY[0].plan().unwrap(),
            luminance_u: None,
            chromaticity_u: None,
        }
    }

    fn note(words: &str) -> Entry {
        Entry::Note { at: Timestamp::from_unix_ns(1), words: words.to_owned() }
    }

    #[test]
    fn what_was_cut_off_is_taken_away_and_the_rest_gone_on_with() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("r.jsonl");
        let mut book = Book::create(&path, header()).unwrap();
        book.append(note("one")).unwrap();
        drop(book);
        let whole = std::fs::read(&path).unwrap();
        std::fs::write(&path, [whole.as_slice(), b"{\"entry\":\"note\",\"at\""].concat()).unwrap();
        let (mut book, torn) = Book::reopen(&path).unwrap();
        assert_eq!((torn, book.record().entries.as_slice()), (Some(3), [note("one")].as_slice()));
        book.append(note("two")).unwrap();
        let Loaded { record, torn, .. } = Loaded::read(&path).unwrap();
        assert_eq!((record.entries, torn), (vec![note("one"), note("two")], None));
    }

    #[test]
    fn two_reviews_are_never_written_into_one_file() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("r.jsonl");
        let _book = Book::create(&path, header()).unwrap();
        assert!(matches!(Book::reopen(&path), Err(WriteError::Taken { .. })));
        assert!(matches!(Book::create(&path, header()), Err(WriteError::File { .. })));
    }
}

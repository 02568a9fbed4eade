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
    /// Where the next line begins: what is behind it was cut off, and is taken away as that is written.
    end: u64,
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
    /// Whether there is nothing that could be gone on with: no file, or one whose first line was cut off as it was written.
    #[must_use]
    pub fn is_to_begin(path: &Path) -> bool {
        !path.exists() || std::fs::read(path).is_ok_and(|bytes| is_cut_off_header(&bytes))
    }

    /// Begins a record. A file that is there already is left as it is, unless it is one whose first line was cut off.
    ///
    /// # Errors
    /// [`WriteError`].
    pub fn create(path: &Path, header: Header) -> Result<Self, WriteError> {
        let failed = |source| WriteError::File { path: path.to_owned(), source };
        let mut options = OpenOptions::new();
        options.read(true).write(true);
        if path.exists() && Self::is_to_begin(path) {
            options.open(path)
        } else {
            options.create_new(true).open(path)
        }
        .map_err(failed)
        .and_then(|file| locked(file, path))
        .and_then(|file| {
            // Somebody may have begun it before the lock was ours.
            let taken = || failed(std::io::ErrorKind::AlreadyExists.into());
            if Self::is_to_begin(path) { Self::begun(path, file, header) } else { Err(taken()) }
        })
    }

    fn begun(path: &Path, file: File, header: Header) -> Result<Self, WriteError> {
        let failed = |source| WriteError::File { path: path.to_owned(), source };
        let record = Record { header, entries: Vec::new() };
        let mut book = Self { path: path.to_owned(), file, end: 0, record };
        let header = book.record.header.clone();
        book.write(&header)?;
        // The file's name must be there after a power cut as well.
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        File::open(folder).and_then(|folder| folder.sync_all()).map_err(failed)?;
        Ok(book)
    }

    /// Goes on with a record. The number of a last line that was cut off is told; it is taken away as the next is written.
    ///
    /// # Errors
    /// [`WriteError`].
    pub fn reopen(path: &Path) -> Result<(Self, Option<usize>), WriteError> {
        let failed = |source| WriteError::File { path: path.to_owned(), source };
        let file = OpenOptions::new().read(true).write(true).open(path).map_err(failed)?;
        let file = locked(file, path)?;
        let Loaded { record, whole, torn } = Loaded::read(path).map_err(WriteError::Read)?;
        let end = u64::try_from(whole).unwrap_or(u64::MAX);
        Ok((Self { path: path.to_owned(), file, end, record }, torn))
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
        let (file, end) = (&mut self.file, self.end);
        let written = file
            .set_len(end)
            .and_then(|()| file.seek(SeekFrom::Start(end)))
            .and_then(|_| file.write_all(&bytes))
            .and_then(|()| file.sync_data());
        if written.is_err() {
            // Half a line must not be left for others to be written behind. If that fails too, the next begins where this did.
            let _cut = file.set_len(end).is_ok();
        } else {
            self.end += u64::try_from(bytes.len()).unwrap_or(0);
        }
        written.map_err(failed)
    }
}

/// How the first line of every record begins.
const BEGINNING: &[u8] = b"{\"review\":";

/// Whether this is what is left of a first line that was cut off; another program's file isn't.
fn is_cut_off_header(bytes: &[u8]) -> bool {
    !bytes.contains(&b'\n') && (bytes.starts_with(BEGINNING) || BEGINNING.starts_with(bytes))
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
        Header::of("monitor 3", "m", READY[0].plan().unwrap(), Timestamp::from_unix_ns(0))
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
    fn what_was_cut_off_stays_until_something_is_written_so_that_a_refusal_changes_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("r.jsonl");
        drop(Book::create(&path, header()).unwrap());
        let torn = [std::fs::read(&path).unwrap().as_slice(), b"{\"entry\""].concat();
        std::fs::write(&path, &torn).unwrap();
        drop(Book::reopen(&path).unwrap());
        assert_eq!(std::fs::read(&path).unwrap(), torn);
    }

    #[test]
    fn a_first_line_that_was_cut_off_is_begun_anew_and_another_programs_file_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("r.jsonl");
        for rest in ["", "{\"rev", "{\"review\":1,\"display\":\"moni"] {
            std::fs::write(&path, rest).unwrap();
            assert!(Book::is_to_begin(&path), "{rest}");
            let mut book = Book::create(&path, header()).unwrap();
            book.append(note("one")).unwrap();
            assert_eq!(Loaded::read(&path).unwrap().record.entries, [note("one")]);
        }
        for other in ["shopping list", "{\"review\":1}\n"] {
            std::fs::write(&path, other).unwrap();
            assert!(!Book::is_to_begin(&path), "{other}");
            assert!(matches!(Book::create(&path, header()), Err(WriteError::File { .. })));
            assert_eq!(std::fs::read_to_string(&path).unwrap(), other);
        }
    }

    #[test]
    fn half_a_line_is_not_left_where_a_write_fails() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("r.jsonl");
        let mut book = Book::create(&path, header()).unwrap();
        let writable = book.file.try_clone().unwrap();
        book.file = File::open(&path).unwrap();
        assert!(matches!(book.append(note("lost")), Err(WriteError::File { .. })));
        book.file = writable;
        // What a disk that filled up took of it.
        book.file.write_all(b"{\"entry\":\"no").unwrap();
        book.append(note("kept")).unwrap();
        assert_eq!(Loaded::read(&path).unwrap().record.entries, [note("kept")]);
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

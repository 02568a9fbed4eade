//! SQLite's write-ahead log, read frame by frame, as <https://www.sqlite.org/fileformat2.html#walformat> describes it.
//!
//! SQLite takes in frames up to the first that is damaged, and drops the rest without a word. That is right after a power cut, when
//! only what was not yet acknowledged is torn; but a frame that is damaged in the middle would take whatever was acknowledged after
//! it along. Each frame's checksum goes on from that of the one before, which is written down too: so frames behind a damaged one
//! can be told from nonsense.

use std::collections::HashMap;
use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};

/// Bytes of the file's header, and of a frame's.
const HEADER: usize = 32;
const FRAME: usize = 24;

/// The first bytes of the file: its last bit says how checksums take their bytes.
const MAGIC: u32 = 0x377f_0682;

/// Commits behind a damaged frame from which on it is no power cut's work. A commit is on the disk before the next begins where the
/// log survives power cuts, so that one alone can be torn; a kill tears none.
const TOO_MANY: usize = 2;

/// The pages of a write-ahead log that count: each in its last version.
#[derive(Debug, Default)]
pub(super) struct Wal {
    pub(super) page_size: Option<usize>,
    pages: HashMap<u32, Vec<u8>>,
    /// Frames that don't have the checksum that they should.
    pub(super) damaged: usize,
    /// Commits behind the first of those.
    behind: usize,
}

/// The file beside a database.
pub(super) fn beside(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push("-wal");
    PathBuf::from(name)
}

/// Says where a database must not be opened as it is, for what SQLite would drop.
pub(super) fn look(path: &Path) -> Result<(), String> {
    let Ok(wal) = Wal::scan(path, false) else { return Ok(()) };
    let length = std::fs::metadata(path).map_or(0, |file| file.len());
    if wal.page_size.is_some() && length == 0 {
        return Err("its database is empty, and its write-ahead log is not".to_owned());
    }
    // SQLite would take what is missing of the last page for zeros. A page that was on its way there is in the write-ahead log.
    let size = super::pages::told_size(path).unwrap_or(super::pages::USUAL_SIZE) as u64;
    let last = u32::try_from(length.div_ceil(size)).unwrap_or(u32::MAX);
    if !length.is_multiple_of(size) && !wal.pages.contains_key(&last) {
        return Err("its last page is cut off".to_owned());
    }
    if wal.damaged > 0 && wal.behind >= TOO_MANY {
        return Err(format!(
            "{} frames of its write-ahead log are damaged, with {} commits behind them",
            wal.damaged, wal.behind
        ));
    }
    Ok(())
}

impl Wal {
    /// Reads that of a database; an empty one where there is none.
    pub(super) fn read(path: &Path) -> std::io::Result<Self> {
        Self::scan(path, true)
    }

    /// Looks through it, and keeps its pages or not.
    fn scan(path: &Path, keep: bool) -> std::io::Result<Self> {
        let mut file = match File::open(beside(path)) {
            Ok(file) => file,
            Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Self::default()),
            Err(error) => return Err(error),
        };
        let mut header = [0; HEADER];
        let mut read = Self::default();
        if !whole(&mut file, &mut header)? {
            return Ok(read);
        }
        let size = page_size(word(&header, 8));
        let Some(size) =
            size.or_else(|| header.iter().any(|byte| *byte != 0).then_some(super::pages::USUAL_SIZE))
        else {
            return Ok(read);
        };
        read.page_size = Some(size);
        let big = word(&header, 0) & 1 == 1;
        let sound = word(&header, 0) & !1 == MAGIC
            && checksum(big, (0, 0), &header[..24]) == (word(&header, 24), word(&header, 28));
        let mut chain = Chain {
            big,
            salts: sound.then(|| (word(&header, 16), word(&header, 20))),
            before: sound.then(|| (word(&header, 24), word(&header, 28))),
        };
        read.damaged += usize::from(!sound);
        let (mut frame, mut pending) = (vec![0; FRAME + size], Vec::new());
        while whole(&mut file, &mut frame)? {
            match chain.take(&frame) {
                Frame::Old => break,
                Frame::Damaged => read.damaged += 1,
                Frame::Good { page, commits } => {
                    pending.push((page, if keep { frame.split_off(FRAME) } else { Vec::new() }));
                    frame.resize(FRAME + size, 0);
                    if commits {
                        read.behind += usize::from(read.damaged > 0);
                        read.pages.extend(pending.drain(..));
                    }
                }
            }
        }
        Ok(read)
    }

    /// The page of that number in its last version.
    pub(super) fn page(&self, number: u32) -> Option<&[u8]> {
        self.pages.get(&number).map(Vec::as_slice)
    }

    /// The highest number of a page in it.
    pub(super) fn highest(&self) -> u32 {
        self.pages.keys().copied().max().unwrap_or(0)
    }
}

/// What frames are checked against.
struct Chain {
    big: bool,
    /// Those of the file; of the first frame where the header is damaged.
    salts: Option<(u32, u32)>,
    /// The checksum that the next frame's goes on from.
    before: Option<(u32, u32)>,
}

enum Frame {
    Good {
        page: u32,
        commits: bool,
    },
    Damaged,
    /// Of an earlier round through the file: what follows counts no more.
    Old,
}

impl Chain {
    fn take(&mut self, frame: &[u8]) -> Frame {
        let (header, page) = frame.split_at(FRAME);
        let salts = (word(header, 8), word(header, 12));
        let stored = (word(header, 16), word(header, 20));
        let expected = self.before.replace(stored).map(|before| {
            let summed = checksum(self.big, before, &header[..8]);
            checksum(self.big, summed, page)
        });
        let ours = *self.salts.get_or_insert(salts) == salts;
        match (ours, expected) {
            // Without the header's checksum nothing tells of the first frame.
            (true, Some(expected)) if expected != stored => Frame::Damaged,
            (true, _) => Frame::Good { page: word(header, 0), commits: word(header, 4) > 0 },
            // A salt was damaged, if all else is as it should be.
            (false, Some(expected)) if expected == stored => Frame::Damaged,
            (false, _) => Frame::Old,
        }
    }
}

/// Fills the buffer; false if the file ends before that.
fn whole(file: &mut File, buffer: &mut [u8]) -> std::io::Result<bool> {
    match file.read_exact(buffer) {
        Ok(()) => Ok(true),
        Err(error) if error.kind() == ErrorKind::UnexpectedEof => Ok(false),
        Err(error) => Err(error),
    }
}

/// A page's size, if it is one that SQLite has.
pub(super) fn page_size(bytes: u32) -> Option<usize> {
    (bytes.is_power_of_two() && (512..=65_536).contains(&bytes)).then_some(bytes as usize)
}

fn word(bytes: &[u8], at: usize) -> u32 {
    let word = bytes.get(at..at + 4).and_then(|bytes| bytes.try_into().ok());
    u32::from_be_bytes(word.unwrap_or_default())
}

/// The checksum that goes on from `before` over these bytes, whose number is a multiple of eight.
fn checksum(big: bool, before: (u32, u32), bytes: &[u8]) -> (u32, u32) {
    let number = if big { u32::from_be_bytes } else { u32::from_le_bytes };
    let (words, _) = bytes.as_chunks::<4>();
    words.chunks_exact(2).fold(before, |(one, two), pair| {
        let one = one.wrapping_add(number(pair[0])).wrapping_add(two);
        (one, two.wrapping_add(number(pair[1])).wrapping_add(one))
    })
}

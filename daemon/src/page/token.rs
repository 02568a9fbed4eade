//! The token that the page asks for: random, made at the first start, and kept in a file that nobody but the daemon's own user may read.

use std::fmt;
use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Read, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

use crate::clock::unguessable;

/// Bytes that a token has at least and at most: what is made here has 32, and somebody may write one of their own.
const BYTES: std::ops::RangeInclusive<usize> = 16..=128;

/// What lets others read, or write, a file.
const OTHERS: u32 = 0o077;

/// What whoever looks at the page must know.
#[derive(Clone, PartialEq, Eq)]
pub struct Token(String);

impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token(…)")
    }
}

/// Why there is none.
#[derive(Debug)]
pub enum TokenError {
    /// The file can't be read, or made.
    Io(PathBuf, std::io::Error),
    /// Others may read it.
    Open(PathBuf, u32),
    /// What it holds is no token.
    Unfit(PathBuf),
    /// The kernel gives nothing random.
    Guessable,
}

impl fmt::Display for TokenError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io(path, error) => {
                write!(
                    f,
                    "the page's token {}: {error}; choose another place with [page] token_file",
                    path.display()
                )
            }
            Self::Open(path, mode) => write!(
                f,
                "the page's token {} has mode {mode:o}, so that others may read it: delete it, and a new one is made",
                path.display()
            ),
            Self::Unfit(path) => write!(
                f,
                "the page's token {} must be {} to {} letters, digits, '-' or '_': delete it, and one is made",
                path.display(),
                BYTES.start(),
                BYTES.end()
            ),
            Self::Guessable => f.write_str("the page's token: the kernel gives nothing random"),
        }
    }
}

impl std::error::Error for TokenError {}

impl Token {
    /// The one that is kept in `file`; made, and kept there, if there is no such file yet.
    ///
    /// # Errors
    /// [`TokenError`].
    pub fn kept_in(file: &Path) -> Result<Self, TokenError> {
        let failed = |error| TokenError::Io(file.to_owned(), error);
        match File::open(file) {
            Ok(open) => Self::read(open, file),
            Err(error) if error.kind() == ErrorKind::NotFound => {
                let token = unguessable().ok_or(TokenError::Guessable)?.replace('-', "");
                keep(&token, file).map_err(failed)?;
                Ok(Self(token))
            }
            Err(error) => Err(failed(error)),
        }
    }

    fn read(open: File, file: &Path) -> Result<Self, TokenError> {
        let failed = |error| TokenError::Io(file.to_owned(), error);
        let mode = open.metadata().map_err(failed)?.permissions().mode() & 0o777;
        if mode & OTHERS != 0 {
            return Err(TokenError::Open(file.to_owned(), mode));
        }
        let mut text = String::new();
        open.take(1024).read_to_string(&mut text).map_err(failed)?;
        let token = text.trim_end_matches('\n');
        let fits = token.chars().all(|c| c.is_ascii_alphanumeric() || "-_".contains(c));
        if BYTES.contains(&token.len()) && fits {
            Ok(Self(token.to_owned()))
        } else {
            Err(TokenError::Unfit(file.to_owned()))
        }
    }

    /// Whether `told` is the token. Looks at all of it, so that how long that takes tells nothing but its length.
    pub(super) fn is(&self, told: &str) -> bool {
        let differences = |(one, other): (u8, u8)| one ^ other;
        told.len() == self.0.len()
            && told.bytes().zip(self.0.bytes()).map(differences).fold(0, |all, one| all | one) == 0
    }

    /// As it stands behind the `#` of an address.
    pub(super) fn fragment(&self) -> &str {
        &self.0
    }
}

/// Writes it whole or not at all: under a name of its own first.
fn keep(token: &str, file: &Path) -> std::io::Result<()> {
    if let Some(folder) = file.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        std::fs::DirBuilder::new().recursive(true).mode(0o700).create(folder)?;
    }
    let mut beside = file.as_os_str().to_owned();
    beside.push(format!(".{}", std::process::id()));
    let beside = Path::new(&beside);
    let mut made = OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(beside)?;
    made.write_all(format!("{token}\n").as_bytes())?;
    made.sync_all()?;
    std::fs::rename(beside, file)
}

#[cfg(test)]
mod tests {
    use std::fs::{self, Permissions};

    use super::*;

    #[test]
    fn it_is_made_once_for_its_owner_alone_and_stays_the_same() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("state/page.token");
        let token = Token::kept_in(&file).unwrap();
        assert_eq!(fs::metadata(&file).unwrap().permissions().mode() & 0o777, 0o600);
        assert_eq!(token.fragment().len(), 32);
        assert_eq!(Token::kept_in(&file).unwrap(), token);
        assert_eq!(
            fs::read_dir(folder.path().join("state")).unwrap().count(),
            1,
            "nothing is left beside it"
        );
        let other = Token::kept_in(&folder.path().join("other")).unwrap();
        assert_ne!(other, token);
        assert_eq!(format!("{token:?}"), "Token(…)");
    }

    #[test]
    fn only_all_of_it_will_do() {
        let folder = tempfile::tempdir().unwrap();
        let token = Token::kept_in(&folder.path().join("token")).unwrap();
        let whole = token.fragment().to_owned();
        assert!(token.is(&whole));
        let last = if whole.ends_with('0') { '1' } else { '0' };
        let wrong = format!("{}{last}", &whole[..31]);
        for other in ["", &whole[..31], &format!("{whole}0"), &wrong] {
            assert!(!token.is(other), "{other}");
        }
    }

    #[test]
    fn a_file_that_others_may_read_or_that_holds_no_token_is_refused_with_what_to_do() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("token");
        fs::write(&file, "00112233445566778899aabbccddeeff\n").unwrap();
        fs::set_permissions(&file, Permissions::from_mode(0o640)).unwrap();
        let error = Token::kept_in(&file).unwrap_err().to_string();
        assert!(error.contains("has mode 640") && error.contains("delete it"), "{error}");
        fs::set_permissions(&file, Permissions::from_mode(0o600)).unwrap();
        assert!(Token::kept_in(&file).is_ok());
        for unfit in ["", "short", "with a space in it, however long it may be", &"x".repeat(200)] {
            fs::write(&file, unfit).unwrap();
            assert!(matches!(Token::kept_in(&file), Err(TokenError::Unfit(_))), "{unfit}");
        }
    }
}

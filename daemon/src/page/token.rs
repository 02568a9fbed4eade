//! The token that the page asks for: random, made at the first start, and kept in a file that nobody but the daemon's own user may read.

use std::fmt;
use std::fs::{File, OpenOptions};
use std::io::{ErrorKind, Read, Write};
use std::os::unix::fs::{DirBuilderExt, MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

use hmac::{Hmac, KeyInit, Mac};
use nix::unistd::geteuid;
use sha2::Sha256;

use crate::clock::unguessable;

/// Bytes that a token has at least and at most: what is made here has 32, and somebody may write one of their own.
const BYTES: std::ops::RangeInclusive<usize> = 16..=128;

/// Who may read every file anyway.
const ROOT: u32 = 0;

/// What a proof is of, before the nonce.
const PROVES: &[u8] = b"settled page, nonce ";

/// What lets others read, or write, a file.
const OTHERS: u32 = 0o077;

/// What whoever looks at the page must know.
#[derive(Clone, PartialEq, Eq)]
pub(super) struct Token(String);

impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token(…)")
    }
}

/// Why there is none.
#[derive(Debug)]
pub(super) enum TokenError {
    /// The file can't be read, or made.
    Io(PathBuf, std::io::Error),
    /// Others may read it.
    Open(PathBuf, u32),
    /// Somebody else's: they know it.
    Owned(PathBuf, u32),
    /// No file, but a pipe or a device.
    NoFile(PathBuf),
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
            Self::Owned(path, owner) => write!(
                f,
                "the page's token {} belongs to user {owner}, who knows it: delete it, and a new one is made",
                path.display()
            ),
            Self::NoFile(path) => write!(f, "the page's token {} is no ordinary file", path.display()),
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
    pub(super) fn kept_in(file: &Path) -> Result<Self, TokenError> {
        let failed = |error| TokenError::Io(file.to_owned(), error);
        // A link may lead to somebody else's, and a pipe that nobody writes to would be waited for without end.
        let flags = nix::libc::O_NOFOLLOW | nix::libc::O_NONBLOCK;
        match OpenOptions::new().read(true).custom_flags(flags).open(file) {
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
        let found = open.metadata().map_err(failed)?;
        if !found.is_file() {
            return Err(TokenError::NoFile(file.to_owned()));
        }
        if !may_own(found.uid(), geteuid().as_raw()) {
            return Err(TokenError::Owned(file.to_owned(), found.uid()));
        }
        let mode = found.permissions().mode() & 0o777;
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

    /// What only who knows the token can tell of a nonce: HMAC-SHA-256 (RFC 2104) by the token, in hexadecimal digits. What is signed begins
    /// with words that nothing else does that is ever signed by it.
    pub(super) fn proof(&self, nonce: &str) -> String {
        // A key of any length will do (RFC 2104, 2).
        let Ok(mut mac) = Hmac::<Sha256>::new_from_slice(self.0.as_bytes()) else { return String::new() };
        mac.update(PROVES);
        mac.update(nonce.as_bytes());
        mac.finalize().into_bytes().iter().map(|byte| format!("{byte:02x}")).collect()
    }

    /// As it stands behind the `#` of an address.
    pub(super) fn fragment(&self) -> &str {
        &self.0
    }
}

/// Whether a token that belongs to `owner` is nobody else's than `user`'s.
fn may_own(owner: u32, user: u32) -> bool {
    owner == user || owner == ROOT
}

/// Writes it whole or not at all: under a name of its own first.
fn keep(token: &str, file: &Path) -> std::io::Result<()> {
    if let Some(folder) = file.parent().filter(|folder| !folder.as_os_str().is_empty()) {
        std::fs::DirBuilder::new().recursive(true).mode(0o700).create(folder)?;
    }
    let mut beside = file.as_os_str().to_owned();
    beside.push(format!(".{}", std::process::id()));
    let beside = Path::new(&beside);
    // One that an earlier start has left, or that somebody else has put there, is none of ours; and what is there then isn't written to.
    match std::fs::remove_file(beside) {
        Err(error) if error.kind() != ErrorKind::NotFound => return Err(error),
        _ => {}
    }
    let mut made = OpenOptions::new().write(true).create_new(true).mode(0o600).open(beside)?;
    made.write_all(format!("{token}\n").as_bytes())?;
    made.sync_all()?;
    std::fs::rename(beside, file)
}

#[cfg(test)]
mod tests {
    use std::fs::{self, Permissions};
    use std::os::unix::fs::symlink;

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
    fn its_proof_is_the_hmac_of_the_nonce() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("token");
        fs::write(&file, "00112233445566778899aabbccddeeff\n").unwrap();
        fs::set_permissions(&file, Permissions::from_mode(0o600)).unwrap();
        let token = Token::kept_in(&file).unwrap();
        // By Python's hmac module.
        let proof = "92e2e9dc053dfab8901350e721d56ce2e02986591974022872692218cd32d87b";
        assert_eq!(token.proof("0123456789abcdef"), proof);
        assert_ne!(token.proof("0123456789abcdeg"), proof);
    }

    #[test]
    fn neither_a_link_nor_a_pipe_is_a_token_and_what_lies_beside_it_is_not_written_to() {
        let folder = tempfile::tempdir().unwrap();
        let (file, other) = (folder.path().join("token"), folder.path().join("other"));
        fs::write(&other, "00112233445566778899aabbccddeeff\n").unwrap();
        fs::set_permissions(&other, Permissions::from_mode(0o600)).unwrap();
        symlink(&other, &file).unwrap();
        assert!(matches!(Token::kept_in(&file), Err(TokenError::Io(..))), "a link");
        fs::remove_file(&file).unwrap();
        nix::unistd::mkfifo(&file, nix::sys::stat::Mode::from_bits_truncate(0o600)).unwrap();
        assert!(matches!(Token::kept_in(&file), Err(TokenError::NoFile(_))), "a pipe");
        fs::remove_file(&file).unwrap();
        symlink(&other, folder.path().join(format!("token.{}", std::process::id()))).unwrap();
        let token = Token::kept_in(&file).unwrap();
        assert_eq!(fs::read_to_string(&other).unwrap(), "00112233445566778899aabbccddeeff\n");
        assert_eq!(Token::kept_in(&file).unwrap(), token);
        assert!(!fs::symlink_metadata(&file).unwrap().is_symlink());
    }

    #[test]
    fn a_file_of_somebody_else_is_no_token() {
        assert!(may_own(1000, 1000) && may_own(ROOT, 1000));
        assert!(!may_own(1001, 1000) && !may_own(1000, ROOT));
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

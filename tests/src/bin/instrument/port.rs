//! Where the instrument is spoken to: a pseudo-terminal behind a symbolic link, or a TCP port of this machine.

use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::os::fd::{AsFd, OwnedFd};
use std::path::{Path, PathBuf};

use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::pty::openpty;
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};

use crate::Failure;

/// How long anything is waited for before orders are looked at again, in ms.
const TURN_MS: u8 = 5;

/// The place, whether anything is there or not.
pub(crate) enum Place {
    /// A symbolic link to a pseudo-terminal.
    Link(PathBuf),
    /// Where to listen. A port of 0 becomes the one that was given.
    Tcp(SocketAddr),
}

impl Place {
    /// `tcp:HOST:PORT`, or the path of the link.
    pub(crate) fn read(text: &str) -> Result<Self, Failure> {
        match text.strip_prefix("tcp:") {
            Some(address) => Ok(Self::Tcp(address.parse()?)),
            None => Ok(Self::Link(text.into())),
        }
    }

    pub(crate) fn open(&mut self) -> Result<Port, Failure> {
        let line = match self {
            Self::Link(link) => pseudo_terminal(link)?,
            Self::Tcp(address) => {
                let listener = TcpListener::bind(*address)?;
                listener.set_nonblocking(true)?;
                *address = listener.local_addr()?;
                Line::Tcp(listener, None)
            }
        };
        Ok(Port { line, heard: Vec::new() })
    }

    /// What is left once the port is closed.
    pub(crate) fn clear(&self) -> Result<(), Failure> {
        if let Self::Link(link) = self {
            std::fs::remove_file(link)?;
        }
        Ok(())
    }
}

/// A pseudo-terminal, with the symbolic link to it.
fn pseudo_terminal(link: &Path) -> Result<Line, Failure> {
    let pty = openpty(None, None)?;
    let mut settings = tcgetattr(&pty.slave)?;
    cfmakeraw(&mut settings);
    tcsetattr(&pty.slave, SetArg::TCSANOW, &settings)?;
    let name = nix::unistd::ttyname(&pty.slave)?;
    if link.symlink_metadata().is_ok() {
        std::fs::remove_file(link)?;
    }
    std::os::unix::fs::symlink(name, link)?;
    Ok(Line::Pty(File::from(pty.master), pty.slave))
}

enum Line {
    /// The second is held so that the first one's reads don't fail while nobody has the port open.
    Pty(File, #[expect(dead_code, reason = "it is held, not used")] OwnedFd),
    /// One client at a time, as instruments have it.
    Tcp(TcpListener, Option<TcpStream>),
}

/// The line, while it is there.
pub(crate) struct Port {
    line: Line,
    heard: Vec<u8>,
}

impl Port {
    /// The next command, if one comes soon.
    pub(crate) fn command(&mut self) -> Result<Option<String>, Failure> {
        if !self.heard.contains(&b'\n') {
            self.listen()?;
        }
        let Some(end) = self.heard.iter().position(|byte| *byte == b'\n') else { return Ok(None) };
        let line: Vec<u8> = self.heard.drain(..=end).collect();
        Ok(Some(String::from_utf8_lossy(&line).trim().to_owned()))
    }

    fn listen(&mut self) -> Result<(), Failure> {
        let mut chunk = [0; 256];
        let count = match &mut self.line {
            Line::Pty(master, _) if ready(&*master, PollFlags::POLLIN)? => master.read(&mut chunk)?,
            Line::Tcp(_, client @ Some(_)) => {
                let stream = client.as_mut().ok_or("no client")?;
                if !ready(&*stream, PollFlags::POLLIN)? {
                    return Ok(());
                }
                // However it went, it is gone.
                let count = stream.read(&mut chunk).unwrap_or(0);
                if count == 0 {
                    *client = None;
                    self.heard.clear();
                }
                count
            }
            Line::Tcp(listener, client) if ready(&*listener, PollFlags::POLLIN)? => {
                match listener.accept() {
                    Ok((stream, _)) => {
                        stream.set_nonblocking(false)?;
                        stream.set_nodelay(true)?;
                        *client = Some(stream);
                    }
                    Err(error) if error.kind() == ErrorKind::WouldBlock => {}
                    Err(error) => return Err(error.into()),
                }
                0
            }
            _ => 0,
        };
        self.heard.extend_from_slice(chunk.get(..count).unwrap_or_default());
        Ok(())
    }

    /// Says all of it. A client that has gone hears nothing.
    pub(crate) fn say(&mut self, bytes: &[u8]) -> Result<(), Failure> {
        match &mut self.line {
            Line::Pty(master, _) => master.write_all(bytes)?,
            Line::Tcp(_, Some(stream)) => {
                let _heard = stream.write_all(bytes).is_ok();
            }
            Line::Tcp(_, None) => {}
        }
        Ok(())
    }

    /// Whether anybody takes in what is said, now or in a moment.
    pub(crate) fn is_heard(&self) -> Result<bool, Failure> {
        match &self.line {
            Line::Pty(master, _) => ready(master, PollFlags::POLLOUT),
            Line::Tcp(_, Some(stream)) => ready(stream, PollFlags::POLLOUT),
            Line::Tcp(_, None) => Ok(false),
        }
    }
}

fn ready(of: &impl AsFd, flags: PollFlags) -> Result<bool, Failure> {
    let mut waiting = [PollFd::new(of.as_fd(), flags)];
    Ok(poll(&mut waiting, PollTimeout::from(TURN_MS))? > 0)
}

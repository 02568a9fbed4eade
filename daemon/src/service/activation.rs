//! Sockets that the service manager has made and handed over: sd_listen_fds(3).

use std::os::unix::net::UnixListener;

use listenfd::ListenFd;

/// The name of ours, where several are handed over: `FileDescriptorName=` of its unit.
pub const NAME: &str = "settled";

/// What was handed over, by name, each to be taken once.
#[derive(Debug, Default)]
pub struct Inherited(Vec<(String, UnixListener)>);

impl Inherited {
    /// Takes what the environment names. To be called once, before there is a second thread: the environment forgets it, so that no
    /// program that is started later takes it for its own.
    ///
    /// # Errors
    /// A sentence, where something is handed over that is no listening socket of the file system.
    pub fn take() -> Result<Self, String> {
        let names = std::env::var("LISTEN_FDNAMES").unwrap_or_default();
        let mut names = names.split(':');
        let mut handed = ListenFd::from_env();
        let mut sockets = Vec::new();
        for index in 0..handed.len() {
            let name = names.next().filter(|name| !name.is_empty()).unwrap_or("unknown").to_owned();
            match handed.take_unix_listener(index) {
                Ok(Some(listener)) => sockets.push((name, listener)),
                Ok(None) => {}
                Err(error) => {
                    return Err(format!(
                        "what the service manager hands over as {name:?} is no socket to listen on: {error}"
                    ));
                }
            }
        }
        Ok(Self(sockets))
    }

    /// The socket of that name; or the only one, whatever it is called.
    pub fn socket(&mut self, name: &str) -> Option<UnixListener> {
        let index = self.0.iter().position(|(known, _)| known == name);
        let index = index.or((self.0.len() == 1).then_some(0))?;
        Some(self.0.remove(index).1)
    }

    /// The names of those that nobody has taken.
    #[must_use]
    pub fn left(&self) -> Vec<&str> {
        self.0.iter().map(|(name, _)| name.as_str()).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ours_is_the_one_that_is_called_so_or_the_only_one() {
        let folder = tempfile::tempdir().unwrap();
        let bound = |name: &str| (name.to_owned(), UnixListener::bind(folder.path().join(name)).unwrap());
        let path = |listener: &UnixListener| listener.local_addr().unwrap().as_pathname().unwrap().to_owned();
        let mut inherited = Inherited(vec![bound("metrics"), bound(NAME)]);
        assert!(inherited.socket("other").is_none(), "of two none is guessed");
        assert_eq!(path(&inherited.socket(NAME).unwrap()), folder.path().join(NAME));
        assert_eq!(inherited.left(), ["metrics"]);
        assert_eq!(path(&inherited.socket(NAME).unwrap()), folder.path().join("metrics"));
    }
}

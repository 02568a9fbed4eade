//! The one who reads all subscribers' sockets, the same for every peer.

use std::io::Read;
use std::os::unix::net::UnixStream;

use nix::errno::Errno;
use nix::sys::epoll::{Epoll, EpollCreateFlags, EpollEvent, EpollFlags, EpollTimeout};

/// How long the next line may take.
const PATIENCE_MS: u16 = 20_000;

/// Every line that is carried ends like this, and nothing that a protocol adds does.
const END: &[u8] = b"}\n";

/// Subscribers' ends of their connections.
pub(crate) struct Subscribers {
    epoll: Epoll,
    streams: Vec<UnixStream>,
    buffer: Vec<u8>,
    /// What came last, of the subscriber that it came to last.
    last: usize,
}

impl Subscribers {
    pub(crate) fn new(streams: Vec<UnixStream>) -> Self {
        let epoll = Epoll::new(EpollCreateFlags::empty()).unwrap();
        for (index, stream) in streams.iter().enumerate() {
            stream.set_nonblocking(true).unwrap();
            epoll.add(stream, EpollEvent::new(EpollFlags::EPOLLIN, index as u64)).unwrap();
        }
        Self { epoll, streams, buffer: vec![0; 256 * 1024], last: 0 }
    }

    pub(crate) fn count(&self) -> usize {
        self.streams.len()
    }

    /// Waits until every subscriber has one line more.
    pub(crate) fn wait(&mut self) {
        let mut missing = self.count();
        let mut events = [EpollEvent::empty(); 128];
        while missing > 0 {
            let ready = match self.epoll.wait(&mut events, EpollTimeout::from(PATIENCE_MS)) {
                Ok(0) => panic!("{missing} of {} subscribers wait in vain", self.count()),
                Ok(ready) => ready,
                Err(Errno::EINTR) => continue,
                Err(error) => panic!("{error}"),
            };
            for event in &events[..ready] {
                let stream = &mut self.streams[event.data() as usize];
                // A line is far smaller than a socket's buffer, and only one is on its way to each: it comes whole.
                let count = stream.read(&mut self.buffer).unwrap();
                assert!(count > 0, "a subscriber was turned away");
                self.last = count;
                missing -= usize::from(self.buffer[..count].ends_with(END));
            }
        }
    }

    /// The bytes that came last.
    pub(crate) fn last(&self) -> &[u8] {
        &self.buffer[..self.last]
    }
}

//! Frames from the kernel's buffer: every channel of a frame is of one moment.
//!
//! The buffer is on only while a frame is waited for, so that none can be older than that. Whether its trigger fires is up to the
//! machine; a frame that doesn't come is waited for no longer than the caller says.

use std::fs::File;
use std::io::{ErrorKind, Read};
use std::os::fd::AsFd;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use nix::fcntl::OFlag;
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use tokio::time::Instant;

use super::attribute::{Folder, fault};
use super::channel::Channel;
use super::format::{Format, layout};
use crate::fault::{Fault, FaultKind};

/// Frames that the kernel keeps: one is read.
const LENGTH: &str = "4";
/// Most channels that a device has.
const MOST: usize = 256;
/// Between two looks for the rest of a frame, where there is no telling when it comes.
const LOOK: Duration = Duration::from_millis(5);

/// A buffer that is set up, and off.
#[derive(Clone, Debug)]
pub(super) struct Buffer {
    folder: Folder,
    node: PathBuf,
    /// Where each channel lies in a frame, in the order in which they were asked for.
    places: Vec<(usize, Format)>,
    frame: usize,
}

impl Buffer {
    /// Switches on these channels and no others, and the trigger. `triggers` are those that there are.
    ///
    /// # Errors
    /// `Busy` if another program has the buffer on; `Refused` if there is none, or no trigger, or a channel isn't in it.
    pub(super) fn new(
        folder: &Folder,
        node: PathBuf,
        channels: &[Channel],
        trigger: Option<&str>,
        triggers: &[String],
    ) -> Result<Self, Fault> {
        let refused = |detail: String| Fault::new(FaultKind::Refused, detail);
        if !folder.has("buffer/enable") {
            return Err(refused("the device has no buffer: leave buffer = true out".to_owned()));
        }
        if folder.text("buffer/enable")? != "0" {
            return Err(Fault::new(FaultKind::Busy, "another program has the device's buffer on"));
        }
        set_trigger(folder, trigger, triggers)?;
        select(folder, channels)?;
        let mut found = Vec::with_capacity(channels.len());
        for channel in channels {
            let name = |end: &str| format!("scan_elements/{}_{end}", channel.name());
            let text = folder.text(&name("type"))?;
            let format = Format::parse(&text);
            let format = format
                .ok_or_else(|| refused(format!("the format {text:?} of {} is unknown", channel.name())))?;
            found.push((folder.number(&name("index"))?, format));
        }
        let mut order: Vec<usize> = (0..found.len()).collect();
        order.sort_by(|a, b| {
            found
                .get(*a)
                .map(|of| of.0)
                .partial_cmp(&found.get(*b).map(|of| of.0))
                .unwrap_or(std::cmp::Ordering::Equal)
        });
        let formats: Vec<Format> = order.iter().filter_map(|at| found.get(*at)).map(|of| of.1).collect();
        let (offsets, frame) = layout(&formats);
        let mut places: Vec<(usize, (usize, Format))> =
            order.into_iter().zip(offsets.into_iter().zip(formats)).collect();
        places.sort_by_key(|(asked, _)| *asked);
        folder.write("buffer/length", LENGTH)?;
        let places = places.into_iter().map(|(_, place)| place).collect();
        Ok(Self { folder: folder.clone(), node, places, frame })
    }

    /// The raw values of the next frame, in the order in which channels were asked for.
    ///
    /// # Errors
    /// `Silent` if none comes within `patience`; what keeps the buffer from being used.
    pub(super) fn frame(&self, patience: Duration) -> Result<Vec<f64>, Fault> {
        let until = Instant::now() + patience;
        self.folder.write("buffer/enable", "1")?;
        let frame = read(&self.node, self.frame, until);
        // What the frame says counts, but a buffer that stays on is another's trouble.
        let off = self.folder.write("buffer/enable", "0");
        let frame = frame?;
        off?;
        let value = |(offset, format): &(usize, Format)| format.value(frame.get(*offset..)?);
        let values: Option<Vec<f64>> = self.places.iter().map(value).collect();
        values.ok_or_else(|| Fault::new(FaultKind::Garbled, "a frame of the buffer is too short"))
    }
}

/// Sets the trigger that was asked for, or makes sure that there is one where one is needed.
fn set_trigger(folder: &Folder, trigger: Option<&str>, triggers: &[String]) -> Result<(), Fault> {
    const CURRENT: &str = "trigger/current_trigger";
    let there = || {
        if triggers.is_empty() {
            "there is none".to_owned()
        } else {
            format!("there is {}", triggers.join(", "))
        }
    };
    match trigger {
        Some(trigger) if triggers.iter().any(|name| name == trigger) => folder.write(CURRENT, trigger),
        Some(trigger) => {
            Err(Fault::new(FaultKind::Refused, format!("no trigger is called {trigger:?}; {}", there())))
        }
        None if folder.has(CURRENT) && folder.text(CURRENT)?.is_empty() => {
            let detail = format!("the buffer needs a trigger: name one with `trigger = …`; {}", there());
            Err(Fault::new(FaultKind::Refused, detail))
        }
        None => Ok(()),
    }
}

/// Switches every other channel off, and these on.
fn select(folder: &Folder, channels: &[Channel]) -> Result<(), Fault> {
    let elements = folder.0.join("scan_elements");
    let entries =
        std::fs::read_dir(&elements).map_err(|error| fault("listing scan_elements".to_owned(), error))?;
    let wanted: Vec<String> = channels.iter().map(|channel| format!("{}_en", channel.name())).collect();
    for entry in entries.take(3 * MOST).filter_map(Result::ok) {
        let name = entry.file_name().to_string_lossy().into_owned();
        if name.ends_with("_en") && !wanted.contains(&name) {
            folder.write(&format!("scan_elements/{name}"), "0")?;
        }
    }
    for (name, channel) in wanted.iter().zip(channels) {
        if !folder.has(&format!("scan_elements/{name}")) {
            let detail = format!("{} is not in the device's buffer", channel.name());
            return Err(Fault::new(FaultKind::Refused, detail));
        }
        folder.write(&format!("scan_elements/{name}"), "1")?;
    }
    Ok(())
}

/// One frame of `length` bytes.
fn read(node: &Path, length: usize, until: Instant) -> Result<Vec<u8>, Fault> {
    let doing = || format!("reading {}", node.display());
    let open = File::options().read(true).custom_flags(OFlag::O_NONBLOCK.bits()).open(node);
    let mut file = open.map_err(|error| fault(doing(), error))?;
    let mut frame = vec![0; length];
    let mut held = 0;
    while held < length {
        let left = until.saturating_duration_since(Instant::now());
        if left.is_zero() {
            let detail = "no frame came from the device's buffer in time: does its trigger fire?";
            return Err(Fault::new(FaultKind::Silent, detail));
        }
        let mut ready = [PollFd::new(file.as_fd(), PollFlags::POLLIN)];
        let timeout = PollTimeout::try_from(left.min(Duration::from_secs(1))).unwrap_or(PollTimeout::ZERO);
        poll(&mut ready, timeout).map_err(|error| fault(doing(), error.into()))?;
        match file.read(frame.get_mut(held..).unwrap_or_default()) {
            // Nobody has it open on the other side, or the kernel has nothing.
            Ok(0) => std::thread::park_timeout(LOOK.min(left)),
            Ok(count) => held += count,
            Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::Interrupted) => {
                std::thread::park_timeout(LOOK.min(left));
            }
            Err(error) => return Err(fault(doing(), error)),
        }
    }
    Ok(frame)
}

//! A made-up light meter on USB: a USBTMC and USB488 device for a kernel that has a USB device controller, be it `dummy_hcd`.
//!
//! `gadget` makes a gadget by configfs, its interface by FunctionFS, prints `ready` and answers until it is killed. Nothing is
//! plugged in until the name of a controller is written to the gadget's file `UDC`; an empty line unplugs it again:
//!
//! ```text
//! ls /sys/class/udc > /sys/kernel/config/usb_gadget/meter/UDC
//! echo > /sys/kernel/config/usb_gadget/meter/UDC
//! ```
//!
//! A line `hush` on its standard input has it leave the next reading unanswered; it prints `hushed`.
//!
//! It says what the shipped profile `lab-tristimulus` expects. It is nobody's product: 1209:0001 is what pid.codes sets aside for
//! tests.
//!
//! | module | idea |
//! |---|---|
//! | `usbtmc` | frames on the bulk endpoints |
//! | `control` | requests on the control endpoint |
//! | `device` | between these and the instrument |
//! | `instrument` | what the instrument says |
//! | `functionfs` | what FunctionFS is told, and tells |

#![expect(clippy::print_stdout, reason = "it is how it says what happens")]

use std::fs::{File, OpenOptions};
use std::io::{BufRead, ErrorKind, Read, Write};
use std::os::unix::fs::{OpenOptionsExt, symlink};
use std::path::Path;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use nix::errno::Errno;
use nix::fcntl::OFlag;
use nix::mount::{MsFlags, mount};
use nix::time::{ClockId, clock_gettime};

mod control;
mod device;
mod functionfs;
mod instrument;
mod usbtmc;

use device::Device;
use functionfs::{EVENT, Event, PACKET, Setup};

type Failure = Box<dyn std::error::Error + Send + Sync>;

const GADGET: &str = "/sys/kernel/config/usb_gadget/meter";
const ENDPOINTS: &str = "/dev/ffs-meter";

/// How long a control request waits for what the host has just fetched to be known as fetched.
const MOMENT: Duration = Duration::from_millis(20);

/// How often the bulk-in endpoint looks whether an exposure is over.
const LOOK: Duration = Duration::from_millis(2);

/// The device, and who waits for it.
#[derive(Default)]
struct Shared {
    device: Mutex<Device>,
    heard: Condvar,
}

impl Shared {
    fn device(&self) -> MutexGuard<'_, Device> {
        self.device.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn now_s() -> Result<f64, Failure> {
    Ok(Duration::from(clock_gettime(ClockId::CLOCK_BOOTTIME)?).as_secs_f64())
}

fn main() -> Result<(), Failure> {
    make()?;
    let mut control = endpoint(0, false)?;
    control.write_all(&functionfs::descriptors())?;
    control.write_all(&functionfs::strings("Made-up light meter"))?;
    let (out, into, other) = (endpoint(1, false)?, endpoint(2, true)?, endpoint(3, false)?);
    let shared = Shared::default();
    println!("ready");
    std::thread::scope(|scope| {
        scope.spawn(|| or_end(hear(&shared, &out)));
        scope.spawn(|| or_end(say(&shared, &into)));
        scope.spawn(|| or_end(occupy(&other)));
        scope.spawn(|| or_end(obey(&shared)));
        or_end(attend(&shared, &control));
    });
    Ok(())
}

/// There is no going on without one of the endpoints.
fn or_end(outcome: Result<(), Failure>) {
    if let Err(error) = outcome {
        println!("failed: {error}");
        std::process::exit(1);
    }
}

/// Does what it is told on standard input.
fn obey(shared: &Shared) -> Result<(), Failure> {
    for order in std::io::stdin().lock().lines() {
        match order?.as_str() {
            "hush" => {
                shared.device().hush();
                println!("hushed");
            }
            other => return Err(format!("unknown order {other:?}").into()),
        }
    }
    Ok(())
}

/// Makes the gadget, and the files of its endpoints.
fn make() -> Result<(), Failure> {
    let gadget = Path::new(GADGET);
    for folder in ["strings/0x409", "configs/meter.1", "functions/ffs.meter"] {
        std::fs::create_dir_all(gadget.join(folder))?;
    }
    for (file, value) in [
        ("idVendor", "0x1209"),
        ("idProduct", "0x0001"),
        ("bcdUSB", "0x0200"),
        ("strings/0x409/manufacturer", "Made Up Instruments"),
        ("strings/0x409/product", "LT-1"),
        ("strings/0x409/serialnumber", "0042"),
    ] {
        std::fs::write(gadget.join(file), value)?;
    }
    symlink(gadget.join("functions/ffs.meter"), gadget.join("configs/meter.1/ffs.meter"))?;
    std::fs::create_dir_all(ENDPOINTS)?;
    mount(Some("meter"), ENDPOINTS, Some("functionfs"), MsFlags::empty(), None::<&str>)?;
    Ok(())
}

/// For reading and writing: doing the wrong one of both is how an endpoint is halted. While the device is unplugged, a transfer
/// waits until it is back; on an endpoint that is `fleeting` it fails instead.
fn endpoint(number: u8, is_fleeting: bool) -> Result<File, Failure> {
    let flags = if is_fleeting { OFlag::O_NONBLOCK.bits() } else { 0 };
    let path = format!("{ENDPOINTS}/ep{number}");
    Ok(OpenOptions::new().read(true).write(true).custom_flags(flags).open(path)?)
}

/// Whether a transfer ended because the device was unplugged, or its configuration left.
fn is_unplugged(error: &std::io::Error) -> bool {
    let errors = [Errno::ESHUTDOWN, Errno::ECONNRESET, Errno::EINTR, Errno::EAGAIN];
    errors.iter().any(|known| error.raw_os_error() == Some(*known as i32))
}

/// Takes in what comes on the bulk-out endpoint, a packet at a time. What may not come halts it.
fn hear(shared: &Shared, mut out: &File) -> Result<(), Failure> {
    let mut packet = [0; PACKET];
    loop {
        let count = match out.read(&mut packet) {
            Ok(count) => count,
            Err(error) if is_unplugged(&error) => continue,
            Err(error) => return Err(error.into()),
        };
        let packet = packet.get(..count).unwrap_or_default();
        let heard = shared.device().hear(packet, count < PACKET, now_s()?);
        match heard {
            Ok(()) => shared.heard.notify_all(),
            Err(malformed) => {
                println!("malformed: {malformed}: {packet:?}");
                let _halted = out.write(&[0]).is_err();
            }
        }
    }
}

/// Gives out on the bulk-in endpoint what there is to fetch. What the host was unplugged from is nothing for the next to fetch.
fn say(shared: &Shared, mut into: &File) -> Result<(), Failure> {
    let mut device = shared.device();
    loop {
        let Some(transfer) = device.transfer(now_s()?) else {
            device = shared.heard.wait_timeout(device, LOOK).unwrap_or_else(PoisonError::into_inner).0;
            continue;
        };
        drop(device);
        let mut sent = into.write(&transfer);
        if sent.is_ok() && !transfer.is_empty() && transfer.len().is_multiple_of(PACKET) {
            sent = into.write(&[]);
        }
        device = shared.device();
        device.gone();
        shared.heard.notify_all();
        match sent {
            Err(error) if !is_unplugged(&error) => return Err(error.into()),
            _ => {}
        }
    }
}

/// Keeps the controller from saying of what it has been given, and the host hasn't fetched, that it is sent.
///
/// `dummy_hcd` has one FIFO, for one short transfer on one endpoint, and takes what is in there for sent. Nothing can flush it,
/// so what was left there would come after the host has cleared the device. What nobody ever fetches from the other interface
/// fills it: the first of these writes is over at once, the second when the device is unplugged.
fn occupy(mut other: &File) -> Result<(), Failure> {
    loop {
        match other.write(&[0]) {
            Err(error) if !is_unplugged(&error) => return Err(error.into()),
            _ => {}
        }
    }
}

/// Answers requests on the control endpoint, for good.
fn attend(shared: &Shared, mut control: &File) -> Result<(), Failure> {
    let mut bytes = [0; EVENT];
    loop {
        match control.read_exact(&mut bytes) {
            Ok(()) => {}
            Err(error) if error.kind() == ErrorKind::Interrupted => continue,
            Err(error) => return Err(error.into()),
        }
        match functionfs::event(&bytes) {
            Event::Enabled => println!("plugged"),
            Event::Disabled => {
                println!("unplugged");
                shared.device().clear();
            }
            Event::Setup(setup) => {
                println!("asked {}", setup.request);
                let device =
                    shared.heard.wait_timeout_while(shared.device(), MOMENT, |device| device.is_sending());
                let mut device = device.unwrap_or_else(PoisonError::into_inner).0;
                let answer = device.control(setup, now_s()?);
                drop(device);
                shared.heard.notify_all();
                reply(control, setup, answer);
            }
            Event::Other => {}
        }
    }
}

/// Answers a control request; refuses it, which is done by the wrong one of reading and writing, if there is no answer. Whether the
/// host still wants to know makes no difference: it may have given up, or be unplugged.
fn reply(mut control: &File, setup: Setup, answer: Option<Vec<u8>>) {
    let done = match answer {
        Some(answer) => control.write(&answer),
        None if setup.is_in() => control.read(&mut []),
        None => control.write(&[]),
    };
    // A refusal succeeds with an error of its own.
    if let Err(error) = done
        && error.raw_os_error() != Some(Errno::EL2HLT as i32)
    {
        println!("unanswered: {error}");
    }
}

//! A device of the USB library: found, opened, its interface claimed.

use std::sync::Arc;
use std::time::Duration;

use rusb::{ConfigDescriptor, Context, DeviceHandle, TransferType, UsbContext};

use super::choice::{self, Candidate, Serial};
use super::interface::{self, Carries, Chosen, Endpoint, Interface};
use super::pipes::{Broken, Pipes};
use super::settings::Settings;
use crate::fault::{Fault, FaultKind};
use crate::link::usbtmc::request::Request;

/// The longest that one transfer waits: whoever wants to end a longer wait is heard after that.
const SLICE: Duration = Duration::from_millis(100);

/// The longest that a request on the control pipe may take: devices answer within a few milliseconds.
const ASKING: Duration = Duration::from_millis(500);

/// Before something is asked again.
const PAUSE: Duration = Duration::from_millis(20);

/// How often, a pause apart, it is looked whether a device whose transfer broke off has been unplugged: a hub tells the system
/// of that within a quarter of a second.
const LOOKS: u32 = 25;

/// Where a device is on its bus for as long as it is plugged in: another that comes has another place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// The bus's number.
    pub bus: u8,
    /// The device's address on it.
    pub address: u8,
}

impl Place {
    /// Where `device` is.
    #[must_use]
    pub fn of(device: &rusb::Device<Context>) -> Self {
        Self { bus: device.bus_number(), address: device.address() }
    }
}

/// An open device with its interface claimed. Clones share it; with the last it is closed, and the kernel's own driver takes it
/// back.
#[derive(Clone, Debug)]
pub struct Device {
    handle: Arc<DeviceHandle<Context>>,
    chosen: Chosen,
}

impl Device {
    /// Finds the device that is meant among those attached now, and opens it.
    ///
    /// # Errors
    /// As [`Usb::open`](super::Usb::open).
    pub fn open(settings: &Settings) -> Result<Self, Fault> {
        let context = Context::new().map_err(|error| {
            Fault::new(FaultKind::Gone, format!("{settings} is not attached: there is no USB here"))
                .because(error)
        })?;
        let device = find(&context, settings)?;
        let opening = |error| not_opened(settings, error);
        let descriptor = device.active_config_descriptor().map_err(opening)?;
        let chosen = interface::choose(settings, &interfaces(&descriptor))?;
        let handle = device.open().map_err(opening)?;
        // Where the system knows no kernel drivers there is none to detach.
        let _detaches = handle.set_auto_detach_kernel_driver(true).is_ok();
        handle.claim_interface(chosen.ends.interface).map_err(opening)?;
        if chosen.setting != 0 {
            handle.set_alternate_setting(chosen.ends.interface, chosen.setting).map_err(opening)?;
        }
        Ok(Self { handle: Arc::new(handle), chosen })
    }

    /// The interface that is used.
    #[must_use]
    pub fn chosen(&self) -> Chosen {
        self.chosen
    }

    /// Where it is.
    #[must_use]
    pub fn place(&self) -> Place {
        Place::of(&self.handle.device())
    }

    /// Whether it is still plugged in. The system is asked, not the device.
    #[must_use]
    pub fn is_there(&self) -> bool {
        !matches!(self.handle.active_configuration(), Err(rusb::Error::NoDevice))
    }
}

fn find(context: &Context, settings: &Settings) -> Result<rusb::Device<Context>, Fault> {
    let listed = context.devices().map_err(|error| not_opened(settings, error))?;
    let has_numbers = |device: &rusb::Device<Context>| {
        device.device_descriptor().is_ok_and(|descriptor| {
            (descriptor.vendor_id(), descriptor.product_id()) == (settings.vendor, settings.product)
        })
    };
    let mut devices: Vec<rusb::Device<Context>> = listed.iter().filter(has_numbers).collect();
    devices.sort_by_cached_key(path);
    let asks = choice::needs_serials(settings, devices.len());
    let described = |device: &rusb::Device<Context>| Candidate {
        path: path(device),
        serial: if asks { serial(device) } else { Serial::Unasked },
    };
    let candidates: Vec<Candidate> = devices.iter().map(described).collect();
    let index = choice::choose(settings, &candidates)?;
    let gone = || Fault::new(FaultKind::Gone, format!("{settings} is not attached"));
    devices.into_iter().nth(index).ok_or_else(gone)
}

/// The bus and the ports on the way to a device, as the system names it: `1-2.3`.
fn path(device: &rusb::Device<Context>) -> String {
    let ports: Vec<String> =
        device.port_numbers().unwrap_or_default().iter().map(ToString::to_string).collect();
    format!("{}-{}", device.bus_number(), ports.join("."))
}

fn serial(device: &rusb::Device<Context>) -> Serial {
    let Ok(descriptor) = device.device_descriptor() else { return Serial::Unreadable };
    if descriptor.serial_number_string_index().is_none() {
        return Serial::None;
    }
    let read = device.open().and_then(|handle| {
        // In the device's first language, as nearly all have one alone.
        let language = handle.read_languages(ASKING)?.first().copied().ok_or(rusb::Error::NotFound)?;
        handle.read_serial_number_string(language, &descriptor, ASKING)
    });
    match read {
        Ok(serial) => Serial::Is(serial),
        Err(rusb::Error::Access) => Serial::Denied,
        Err(_) => Serial::Unreadable,
    }
}

fn interfaces(descriptor: &ConfigDescriptor) -> Vec<Interface> {
    let endpoint = |endpoint: rusb::EndpointDescriptor<'_>| Endpoint {
        address: endpoint.address(),
        carries: match endpoint.transfer_type() {
            TransferType::Bulk => Carries::Bulk,
            TransferType::Interrupt => Carries::Interrupt,
            TransferType::Control | TransferType::Isochronous => Carries::Other,
        },
        // The upper bits tell something else, for endpoints that carry much.
        packet: usize::from(endpoint.max_packet_size() & 0x07FF),
    };
    let settings = descriptor.interfaces().flat_map(|interface| interface.descriptors());
    let read = settings.map(|setting| Interface {
        number: setting.interface_number(),
        setting: setting.setting_number(),
        class: (setting.class_code(), setting.sub_class_code()),
        protocol: setting.protocol_code(),
        endpoints: setting.endpoint_descriptors().map(endpoint).collect(),
    });
    read.collect()
}

/// What a failure to open means.
fn not_opened(settings: &Settings, error: rusb::Error) -> Fault {
    match error {
        rusb::Error::Access => choice::denied(settings).because(error),
        rusb::Error::Busy => Fault::new(
            FaultKind::Busy,
            format!("another program holds {settings}: close it, or take the meter out of its settings"),
        )
        .because(error),
        rusb::Error::NoDevice => {
            Fault::new(FaultKind::Gone, format!("{settings} is not attached")).because(error)
        }
        error => Fault::new(FaultKind::Gone, format!("opening {settings}")).because(error),
    }
}

fn broken(error: rusb::Error) -> Broken {
    match error {
        rusb::Error::Timeout | rusb::Error::Interrupted => Broken::Late,
        rusb::Error::Pipe => Broken::Halted,
        rusb::Error::NoDevice => Broken::Gone,
        rusb::Error::Overflow => Broken::Overrun,
        rusb::Error::Access => Broken::Denied,
        rusb::Error::Busy => Broken::Busy,
        other => Broken::Failed(Box::new(other)),
    }
}

impl Device {
    /// What a failed transfer means: while a device is being unplugged its transfers fail in other ways first, some time before
    /// the system takes it for gone.
    fn failed(&self, error: rusb::Error) -> Broken {
        match broken(error) {
            Broken::Failed(_) if self.is_leaving(error) => Broken::Gone,
            other => other,
        }
    }

    /// Whether it is gone, or will be in a moment.
    fn is_leaving(&self, error: rusb::Error) -> bool {
        let looks = if error == rusb::Error::Io { LOOKS } else { 0 };
        (0..looks).any(|_| {
            let gone = !self.is_there();
            if !gone {
                std::thread::park_timeout(PAUSE);
            }
            gone
        }) || !self.is_there()
    }
}

impl Pipes for Device {
    fn ask(&mut self, request: Request, answer: &mut [u8]) -> Result<usize, Broken> {
        let Request { kind, code, value, index, .. } = request;
        let asked = self.handle.read_control(kind, code, value, index, answer, ASKING);
        asked.map_err(|error| self.failed(error))
    }

    fn write(&mut self, bytes: &[u8]) -> Result<usize, Broken> {
        let endpoint = self.chosen.ends.output;
        let written = if self.chosen.output_interrupts {
            self.handle.write_interrupt(endpoint, bytes, SLICE)
        } else {
            self.handle.write_bulk(endpoint, bytes, SLICE)
        };
        written.map_err(|error| self.failed(error))
    }

    fn read(&mut self, into: &mut [u8]) -> Result<usize, Broken> {
        let endpoint = self.chosen.ends.input;
        let read = if self.chosen.input_interrupts {
            self.handle.read_interrupt(endpoint, into, SLICE)
        } else {
            self.handle.read_bulk(endpoint, into, SLICE)
        };
        read.map_err(|error| self.failed(error))
    }

    fn notice(&mut self, into: &mut [u8]) -> Result<usize, Broken> {
        let Some(endpoint) = self.chosen.ends.notices else { return Err(Broken::Late) };
        self.handle.read_interrupt(endpoint, into, SLICE).map_err(|error| self.failed(error))
    }

    fn unhalt(&mut self, endpoint: u8) -> Result<(), Broken> {
        self.handle.clear_halt(endpoint).map_err(|error| self.failed(error))
    }

    fn pause(&mut self) {
        std::thread::park_timeout(PAUSE);
    }
}

//! The interface and its endpoints, from a device's descriptors.

use super::pipes::Ends;
use super::settings::{Settings, Way};
use crate::fault::{Fault, FaultKind};

/// Class, subclass and protocols of USBTMC: application-specific, test and measurement; 0 plain, 1 USB488.
const USBTMC: (u8, u8) = (0xFE, 0x03);
const USB488: u8 = 1;

/// One setting of an interface, as its descriptor says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Interface {
    /// Its number.
    pub number: u8,
    /// The number of the setting: 0 is in force when a device is plugged in.
    pub setting: u8,
    /// Class, subclass.
    pub class: (u8, u8),
    /// Protocol.
    pub protocol: u8,
    /// Its endpoints.
    pub endpoints: Vec<Endpoint>,
}

/// An endpoint, as its descriptor says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Endpoint {
    /// Its address: bit 7 set if it is read.
    pub address: u8,
    /// What it carries.
    pub carries: Carries,
    /// The size of its packets, in bytes.
    pub packet: usize,
}

/// What an endpoint carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Carries {
    /// Bulk transfers.
    Bulk,
    /// Interrupt transfers.
    Interrupt,
    /// Anything else.
    Other,
}

/// The interface that is used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Chosen {
    /// Its endpoints.
    pub ends: Ends,
    /// The number of its setting.
    pub setting: u8,
    /// Whether the input carries interrupt transfers, not bulk.
    pub input_interrupts: bool,
    /// The same of the output.
    pub output_interrupts: bool,
}

/// The interface that the settings mean.
///
/// # Errors
/// `Refused` if there is none, or several and none is named.
pub fn choose(settings: &Settings, interfaces: &[Interface]) -> Result<Chosen, Fault> {
    let refused = |detail: String| Err(Fault::new(FaultKind::Refused, detail));
    let wanted = |interface: &&Interface| settings.interface.is_none_or(|number| number == interface.number);
    let mut fitting: Vec<Chosen> = Vec::new();
    for chosen in interfaces.iter().filter(wanted).filter_map(|interface| fit(settings.way, interface)) {
        // Of an interface with several settings, the first that fits.
        if !fitting.iter().any(|other| other.ends.interface == chosen.ends.interface) {
            fitting.push(chosen);
        }
    }
    match (fitting.as_slice(), settings.way) {
        ([only], _) => Ok(*only),
        ([], Way::Usbtmc) => refused(format!(
            "{settings} has no such USBTMC interface; if it speaks another way, name its endpoints with \"in\" and \"out\""
        )),
        ([], Way::Endpoints { input, output }) => refused(format!(
            "{settings} has no such interface with the bulk or interrupt endpoints {input:#04x} and {output:#04x}"
        )),
        (several, _) => {
            let numbers: Vec<String> =
                several.iter().map(|chosen| chosen.ends.interface.to_string()).collect();
            let numbers = numbers.join(", ");
            refused(format!(
                "{settings} has several interfaces that would do, {numbers}: say which one with \"interface\""
            ))
        }
    }
}

fn fit(way: Way, interface: &Interface) -> Option<Chosen> {
    let usable = |endpoint: &&Endpoint| endpoint.packet > 0 && endpoint.carries != Carries::Other;
    let find = |test: &dyn Fn(&Endpoint) -> bool| {
        interface.endpoints.iter().filter(usable).find(|endpoint| test(endpoint)).copied()
    };
    let reads = |endpoint: &Endpoint| endpoint.address & 0x80 != 0;
    let (input, output, notices) = match way {
        Way::Usbtmc => {
            if interface.class != USBTMC || interface.protocol > USB488 {
                return None;
            }
            let bulk = |endpoint: &Endpoint| endpoint.carries == Carries::Bulk;
            (
                find(&|endpoint| bulk(endpoint) && reads(endpoint))?,
                find(&|endpoint| bulk(endpoint) && !reads(endpoint))?,
                find(&|endpoint| !bulk(endpoint) && reads(endpoint)),
            )
        }
        Way::Endpoints { input, output } => (
            find(&|endpoint| endpoint.address == input)?,
            find(&|endpoint| endpoint.address == output)?,
            None,
        ),
    };
    let ends = Ends {
        interface: interface.number,
        input: input.address,
        output: output.address,
        notices: notices.map(|endpoint| endpoint.address),
        packet: input.packet,
        is_488: way == Way::Usbtmc && interface.protocol == USB488,
    };
    let interrupts = |endpoint: Endpoint| endpoint.carries == Carries::Interrupt;
    Some(Chosen {
        ends,
        setting: interface.setting,
        input_interrupts: interrupts(input),
        output_interrupts: interrupts(output),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn interface(number: u8, class: (u8, u8), protocol: u8, endpoints: &[(u8, Carries)]) -> Interface {
        let endpoints = endpoints.iter().map(|(address, carries)| Endpoint {
            address: *address,
            carries: *carries,
            packet: 512,
        });
        Interface { number, setting: 0, class, protocol, endpoints: endpoints.collect() }
    }

    fn settings(interface: Option<u8>, way: Way) -> Settings {
        Settings { vendor: 1, product: 2, serial: None, path: None, interface, way }
    }

    const BOTH: &[(u8, Carries)] = &[(0x02, Carries::Bulk), (0x81, Carries::Bulk)];

    #[test]
    fn the_usbtmc_interface_is_found_among_others_with_its_interrupt_endpoint() {
        let keyboard = interface(0, (3, 1), 1, &[(0x83, Carries::Interrupt)]);
        let firmware = interface(1, (0xFE, 1), 1, BOTH);
        let meter = interface(
            2,
            USBTMC,
            1,
            &[(0x02, Carries::Bulk), (0x81, Carries::Bulk), (0x84, Carries::Interrupt)],
        );
        let chosen = choose(&settings(None, Way::Usbtmc), &[keyboard, firmware, meter]).unwrap();
        let ends =
            Ends { interface: 2, input: 0x81, output: 0x02, notices: Some(0x84), packet: 512, is_488: true };
        assert_eq!(chosen.ends, ends);
    }

    #[test]
    fn several_that_would_do_are_named_unless_one_is_meant() {
        let two = [interface(0, USBTMC, 0, BOTH), interface(3, USBTMC, 1, BOTH)];
        let fault = choose(&settings(None, Way::Usbtmc), &two).unwrap_err();
        assert!(
            fault.kind() == FaultKind::Refused && fault.to_string().contains("would do, 0, 3"),
            "{fault}"
        );
        assert_eq!(choose(&settings(Some(3), Way::Usbtmc), &two).unwrap().ends.interface, 3);
        assert!(choose(&settings(Some(1), Way::Usbtmc), &two).is_err());
    }

    #[test]
    fn named_endpoints_must_be_there_and_carry_bytes() {
        let way = Way::Endpoints { input: 0x81, output: 0x02 };
        let plain = interface(0, (0xFF, 0), 0, &[(0x02, Carries::Bulk), (0x81, Carries::Interrupt)]);
        let chosen = choose(&settings(None, way), std::slice::from_ref(&plain)).unwrap();
        assert!(chosen.input_interrupts && !chosen.output_interrupts);
        let sound = interface(0, (1, 2), 0, &[(0x02, Carries::Bulk), (0x81, Carries::Other)]);
        assert_eq!(choose(&settings(None, way), &[sound]).unwrap_err().kind(), FaultKind::Refused);
        let other = settings(Some(1), way);
        assert_eq!(choose(&other, &[plain]).unwrap_err().kind(), FaultKind::Refused);
    }
}

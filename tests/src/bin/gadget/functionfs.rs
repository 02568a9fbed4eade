//! What FunctionFS wants to be told on endpoint 0, and what it tells there (Linux, `include/uapi/linux/usb/functionfs.h`).

/// The largest packet of a bulk endpoint at high speed, and at full speed.
pub(crate) const PACKET: usize = 512;
const SLOW_PACKET: usize = 64;

/// The length of what is read from endpoint 0 for one event.
pub(crate) const EVENT: usize = 12;

const DESCRIPTORS_MAGIC: u32 = 3;
const STRINGS_MAGIC: u32 = 2;
const HAS_FULL_SPEED: u32 = 1;
const HAS_HIGH_SPEED: u32 = 2;
const US_ENGLISH: u16 = 0x0409;

const UNBIND: u8 = 1;
const ENABLE: u8 = 2;
const DISABLE: u8 = 3;
const SETUP: u8 = 4;

/// A control request.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Setup {
    pub(crate) kind: u8,
    pub(crate) request: u8,
    pub(crate) value: u16,
    pub(crate) length: u16,
}

impl Setup {
    /// Whether the host waits for data.
    pub(crate) fn is_in(self) -> bool {
        self.kind & 0x80 != 0
    }
}

/// What may happen at endpoint 0.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Event {
    /// The host has chosen the configuration: the bulk endpoints are open.
    Enabled,
    /// They no longer are.
    Disabled,
    /// A request, to be answered at once.
    Setup(Setup),
    /// Nothing that matters here.
    Other,
}

/// Reads an event.
pub(crate) fn event(bytes: &[u8; EVENT]) -> Event {
    let [kind, request, value_low, value_high, _, _, length_low, length_high, event, ..] = *bytes;
    match event {
        ENABLE => Event::Enabled,
        // Of two such that nobody has read yet, the kernel keeps the later.
        DISABLE | UNBIND => Event::Disabled,
        SETUP => Event::Setup(Setup {
            kind,
            request,
            value: u16::from_le_bytes([value_low, value_high]),
            length: u16::from_le_bytes([length_low, length_high]),
        }),
        _ => Event::Other,
    }
}

/// Two interfaces. The first is USBTMC (class 0xFE, subclass 3) with USB488 (protocol 1): bulk out, bulk in, and no interrupt
/// endpoint, which USB488 allows to what requests no service. The second is of no known class and nobody's business: a host has
/// to choose. See [`crate::occupy`] for what it is good for.
pub(crate) fn descriptors() -> Vec<u8> {
    let instrument = [9, 4, 0, 0, 2, 0xFE, 3, 1, 1];
    let bulk = |address: u8, packet: usize| {
        let [low, high] = u16::try_from(packet).unwrap_or(0).to_le_bytes();
        [7, 5, address, 2, low, high, 0]
    };
    let other = [9, 4, 1, 0, 1, 0xFF, 0, 0, 0];
    let interrupt = [7, 5, 0x83, 3, 8, 0, 4];
    let mut body = Vec::new();
    for number in [HAS_FULL_SPEED | HAS_HIGH_SPEED, 5, 5] {
        body.extend_from_slice(&u32::to_le_bytes(number));
    }
    for packet in [SLOW_PACKET, PACKET] {
        body.extend_from_slice(&instrument);
        body.extend_from_slice(&bulk(0x01, packet));
        body.extend_from_slice(&bulk(0x82, packet));
        body.extend_from_slice(&other);
        body.extend_from_slice(&interrupt);
    }
    framed(DESCRIPTORS_MAGIC, &body)
}

/// The first interface's name.
pub(crate) fn strings(name: &str) -> Vec<u8> {
    let mut body = Vec::new();
    for number in [1_u32, 1] {
        body.extend_from_slice(&number.to_le_bytes());
    }
    body.extend_from_slice(&US_ENGLISH.to_le_bytes());
    body.extend_from_slice(name.as_bytes());
    body.push(0);
    framed(STRINGS_MAGIC, &body)
}

/// A magic number and the whole length come first.
fn framed(magic: u32, body: &[u8]) -> Vec<u8> {
    let length = u32::try_from(8 + body.len()).unwrap_or(u32::MAX);
    [&magic.to_le_bytes(), &length.to_le_bytes(), body].concat()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_told_says_how_long_it_is() {
        for told in [descriptors(), strings("name")] {
            let length = u32::from_le_bytes(*told.get(4..).unwrap().first_chunk().unwrap());
            assert_eq!(length as usize, told.len());
        }
        assert_eq!(descriptors().len(), 8 + 12 + 2 * (9 + 7 + 7 + 9 + 7));
    }

    #[test]
    fn a_request_is_read_from_an_event() {
        let bytes = [0xA1, 7, 0x34, 0x12, 0, 0, 24, 0, SETUP, 0, 0, 0];
        let setup = Setup { kind: 0xA1, request: 7, value: 0x1234, length: 24 };
        assert_eq!(event(&bytes), Event::Setup(setup));
        assert!(setup.is_in());
    }
}

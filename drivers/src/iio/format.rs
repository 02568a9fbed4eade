//! How a channel's value lies in a frame of the buffer: `le:u12/16>>4` is little-endian, unsigned, 12 bits that count in
//! 16 bits of storage, shifted right by 4. (The notation of `scan_elements/*_type` and the alignment of frames are from memory.)

/// One channel's format.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Format {
    big_endian: bool,
    signed: bool,
    bits: u32,
    storage: u32,
    shift: u32,
}

impl Format {
    /// From the text of `*_type`; nothing if it makes no sense, or repeats (`X2`), as no channel of light does.
    pub(super) fn parse(text: &str) -> Option<Self> {
        let (endian, rest) = text.trim().split_once(':')?;
        let (value, shift) = rest.split_once(">>")?;
        let (bits, storage) = value.split_once('/')?;
        let digits =
            |text: &str| text.bytes().all(|byte| byte.is_ascii_digit()).then(|| text.parse().ok())?;
        let sign = bits.get(..1)?;
        let format = Self {
            big_endian: match endian {
                "be" => true,
                "le" => false,
                _ => return None,
            },
            signed: match sign {
                "s" => true,
                "u" => false,
                _ => return None,
            },
            bits: digits(bits.get(1..)?)?,
            storage: digits(storage)?,
            shift: digits(shift)?,
        };
        let Self { bits, storage, shift, .. } = format;
        let fits =
            [8, 16, 32, 64].contains(&storage) && bits >= 1 && shift < storage && bits <= storage - shift;
        fits.then_some(format)
    }

    /// Bytes that it takes, which it is also aligned to.
    pub(super) fn size(self) -> usize {
        (self.storage / 8) as usize
    }

    /// The value at the beginning of `bytes`; nothing if there are too few.
    #[expect(
        clippy::cast_precision_loss,
        clippy::cast_possible_wrap,
        reason = "counts of light have 24 bits or fewer"
    )]
    pub(super) fn value(self, bytes: &[u8]) -> Option<f64> {
        let bytes = bytes.get(..self.size())?;
        let join = |word: u64, byte: &u8| word << 8 | u64::from(*byte);
        let word =
            if self.big_endian { bytes.iter().fold(0, join) } else { bytes.iter().rev().fold(0, join) };
        // To the top and back: whatever stood above the bits that count is gone, and the sign is drawn out.
        let top = word << (64 - self.bits - self.shift);
        let unused = 64 - self.bits;
        Some(if self.signed { ((top as i64) >> unused) as f64 } else { (top >> unused) as f64 })
    }
}

/// Where channels lie in a frame, in the order of their index; and how long a frame is. Each is aligned to its own size, and the
/// frame to the largest.
pub(super) fn layout(formats: &[Format]) -> (Vec<usize>, usize) {
    let mut places = Vec::with_capacity(formats.len());
    let (mut end, mut largest) = (0_usize, 1);
    for format in formats {
        let place = end.next_multiple_of(format.size());
        places.push(place);
        end = place + format.size();
        largest = largest.max(format.size());
    }
    (places, end.next_multiple_of(largest))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn value(text: &str, bytes: &[u8]) -> Option<f64> {
        Format::parse(text).unwrap().value(bytes)
    }

    #[test]
    fn values_are_read_as_their_format_says() {
        assert_eq!(value("le:u16/32>>0", &[0x34, 0x12, 0xff, 0xff]), Some(4660.0));
        assert_eq!(value("be:u16/16>>0", &[0x12, 0x34]), Some(4660.0));
        assert_eq!(value("le:s12/16>>4", &[0xf0, 0xff]), Some(-1.0));
        assert_eq!(value("le:u12/16>>4", &[0xf0, 0xff]), Some(4095.0));
        assert_eq!(value("le:s64/64>>0", &[0xff; 8]), Some(-1.0));
        assert_eq!(value("be:u24/32>>8", &[1, 0, 0, 9]), Some(65536.0));
        assert_eq!(value("le:u16/16>>0", &[1]), None);
    }

    #[test]
    fn what_makes_no_sense_is_no_format() {
        for text in [
            "",
            "le",
            "le:u16/16",
            "me:u16/16>>0",
            "le:x16/16>>0",
            "le:u17/16>>0",
            "le:u16/16>>1",
            "le:u8/12>>0",
            "le:u0/8>>0",
            "le:u16/32X2>>0",
            "le:u+8/8>>0",
            "le:u16/16>>-1",
            "le:é/8>>0",
        ] {
            assert_eq!(Format::parse(text), None, "{text}");
        }
    }

    #[test]
    fn each_channel_is_aligned_to_its_size_and_the_frame_to_the_largest() {
        let formats =
            |texts: &[&str]| texts.iter().map(|text| Format::parse(text).unwrap()).collect::<Vec<_>>();
        let small = "le:u8/8>>0";
        let (word, long) = ("le:u16/16>>0", "le:s64/64>>0");
        assert_eq!(layout(&formats(&[word, word, word])), (vec![0, 2, 4], 6));
        assert_eq!(layout(&formats(&[small, word, small])), (vec![0, 2, 4], 6));
        assert_eq!(layout(&formats(&[word, long])), (vec![0, 8], 16));
        assert_eq!(layout(&[]), (vec![], 0));
    }

    proptest! {
        #[test]
        fn no_text_and_no_bytes_make_it_panic(text in ".{0,24}", bytes in proptest::collection::vec(any::<u8>(), 0..12)) {
            if let Some(format) = Format::parse(&text) {
                prop_assert_eq!(format.value(&bytes).is_some(), bytes.len() >= format.size());
            }
        }

        #[test]
        fn every_value_survives_its_own_format(
            (storage, bits, shift) in (0_u32..4).prop_flat_map(|power| {
                let storage = 8_u32 << power;
                (Just(storage), 1..=storage.min(52)).prop_flat_map(|(storage, bits)| (Just(storage), Just(bits), 0..=storage - bits))
            }),
            big in any::<bool>(), signed in any::<bool>(), seed in any::<u64>(), noise in any::<u64>(),
        ) {
            prop_assume!(shift < storage);
            let (endian, sign) = (if big { "be" } else { "le" }, if signed { "s" } else { "u" });
            let format = Format::parse(&format!("{endian}:{sign}{bits}/{storage}>>{shift}")).unwrap();
            let mask: u64 = u64::MAX >> (64 - bits);
            let counts = seed & mask;
            // Whatever stands in the bits that don't count.
            let word = (noise & !(mask << shift)) | (counts << shift);
            let size = format.size();
            let bytes = if big { word.to_be_bytes()[8 - size..].to_vec() } else { word.to_le_bytes()[..size].to_vec() };
            let negative = signed && counts >> (bits - 1) == 1;
            let expected = if negative { counts as i64 - (1_i64 << bits) } else { counts as i64 };
            prop_assert_eq!(format.value(&bytes), Some(expected as f64));
        }
    }
}

//! What is known of many readings together: what a bin is made of, whether it is told or kept. Pure.
//!
//! Means and squares are kept as Welford does, and put together as Chan, Golub and LeVeque do ("Updating formulae and a pairwise
//! algorithm for computing sample variances", 1979), so that nothing is lost where light hardly changes.

use settled_protocol::reading::Flag;

/// Flags, a bit for each of [`Flag::ALL`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Flags(u16);

impl Flags {
    /// Those that stand in a row, with blanks between them. One of a later version can't be here.
    pub(super) fn read(text: &str) -> Self {
        let bits = Flag::ALL.iter().enumerate();
        let has = |flag: &Flag| text.split_ascii_whitespace().any(|name| name == flag.name());
        Self(bits.filter(|(_, flag)| has(flag)).fold(0, |bits, (index, _)| bits | 1 << index))
    }

    pub(super) fn list(self) -> Vec<Flag> {
        Flag::ALL
            .into_iter()
            .enumerate()
            .filter(|(index, _)| self.0 & 1 << index != 0)
            .map(|(_, flag)| flag)
            .collect()
    }

    /// As a row has them.
    pub(super) fn write(self) -> String {
        self.list().into_iter().map(Flag::name).collect::<Vec<_>>().join(" ")
    }

    pub(super) fn has(self, flag: Flag) -> bool {
        self.list().contains(&flag)
    }

    fn and(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }
}

/// The same few flags stand in row after row: they are read once.
#[derive(Debug, Default)]
pub(super) struct FlagReader {
    text: String,
    flags: Flags,
    dark: bool,
}

impl FlagReader {
    /// The flags of a row; nothing if they say that it is a dark reading.
    pub(super) fn light(&mut self, text: &str) -> Option<Flags> {
        if self.text != text {
            text.clone_into(&mut self.text);
            self.flags = Flags::read(text);
            self.dark = self.flags.has(Flag::Dark);
        }
        (!self.dark).then_some(self.flags)
    }
}

/// One reading, as far as a bin is concerned.
#[derive(Clone, Copy, Debug)]
pub(super) struct One {
    pub(super) sequence: i64,
    pub(super) value: f64,
    /// X and Z, where a colour is told.
    pub(super) xz: Option<(f64, f64)>,
    pub(super) temperature_c: Option<f64>,
    pub(super) flags: Flags,
}

/// Some readings of one quantity, at least one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Sums {
    pub(super) count: i64,
    /// The lowest and the highest sequence.
    pub(super) first: i64,
    pub(super) last: i64,
    pub(super) mean: f64,
    pub(super) min: f64,
    pub(super) max: f64,
    /// The sum of the squares of the differences from the mean.
    pub(super) squares: f64,
    /// Those that tell a colour, and the means of their X, Y and Z.
    pub(super) coloured: i64,
    pub(super) xyz: [f64; 3],
    /// Those that tell the meter's temperature, and its mean.
    pub(super) temperatures: i64,
    pub(super) temperature_c: f64,
    pub(super) flags: Flags,
}

impl From<One> for Sums {
    fn from(one: One) -> Self {
        let One { sequence, value, xz, temperature_c, flags } = one;
        Self {
            count: 1,
            first: sequence,
            last: sequence,
            mean: value,
            min: value,
            max: value,
            squares: 0.0,
            coloured: i64::from(xz.is_some()),
            xyz: xz.map_or([0.0; 3], |(x, z)| [x, value, z]),
            temperatures: i64::from(temperature_c.is_some()),
            temperature_c: temperature_c.unwrap_or(0.0),
            flags,
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "counts stay far below 2⁵³")]
impl Sums {
    /// One more reading.
    pub(super) fn push(&mut self, one: &One) {
        self.count += 1;
        (self.first, self.last) = (self.first.min(one.sequence), self.last.max(one.sequence));
        (self.min, self.max) = (self.min.min(one.value), self.max.max(one.value));
        let away = one.value - self.mean;
        self.mean += away / self.count as f64;
        self.squares += away * (one.value - self.mean);
        if let Some((x, z)) = one.xz {
            self.coloured += 1;
            for (mean, value) in self.xyz.iter_mut().zip([x, one.value, z]) {
                *mean += (value - *mean) / self.coloured as f64;
            }
        }
        if let Some(temperature_c) = one.temperature_c {
            self.temperatures += 1;
            self.temperature_c += (temperature_c - self.temperature_c) / self.temperatures as f64;
        }
        self.flags = self.flags.and(one.flags);
    }

    /// Those of another, too.
    pub(super) fn add(&mut self, other: &Self) {
        let share =
            |added: i64, before: i64| if added == 0 { 0.0 } else { added as f64 / (added + before) as f64 };
        let of_count = share(other.count, self.count);
        let away = other.mean - self.mean;
        self.squares += other.squares + away * away * self.count as f64 * of_count;
        self.mean += away * of_count;
        let of_coloured = share(other.coloured, self.coloured);
        for (mean, other) in self.xyz.iter_mut().zip(other.xyz) {
            *mean += (other - *mean) * of_coloured;
        }
        self.temperature_c +=
            (other.temperature_c - self.temperature_c) * share(other.temperatures, self.temperatures);
        self.count += other.count;
        self.coloured += other.coloured;
        self.temperatures += other.temperatures;
        (self.first, self.last) = (self.first.min(other.first), self.last.max(other.last));
        (self.min, self.max) = (self.min.min(other.min), self.max.max(other.max));
        self.flags = self.flags.and(other.flags);
    }

    /// The standard deviation of a reading (n − 1); nothing of a single one.
    pub(super) fn sd(&self) -> Option<f64> {
        (self.count > 1).then(|| (self.squares / (self.count - 1) as f64).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn one(sequence: i64, value: f64) -> One {
        let coloured = sequence % 3 != 0;
        One {
            sequence,
            value,
            xz: coloured.then_some((value * 0.9, value * 1.1)),
            temperature_c: (sequence % 2 == 0).then_some(20.0 + value / 100.0),
            flags: Flags::read(if sequence % 5 == 0 { "shared" } else { "simulated" }),
        }
    }

    fn of(ones: &[One]) -> Sums {
        let mut sums = Sums::from(ones[0]);
        ones[1..].iter().for_each(|one| sums.push(one));
        sums
    }

    #[test]
    fn flags_are_what_stands_in_the_row() {
        let flags = Flags::read("simulated shared dark");
        assert_eq!(flags.list(), [Flag::Simulated, Flag::Shared, Flag::Dark]);
        assert_eq!((flags.write().as_str(), Flags::read("").list().len()), ("simulated shared dark", 0));
        let mut reader = FlagReader::default();
        assert_eq!(reader.light(""), Some(Flags::default()));
        assert_eq!(reader.light("simulated dark"), None);
        assert_eq!(reader.light("simulated"), Some(Flags::read("simulated")));
    }

    #[test]
    fn light_that_hardly_changes_keeps_its_deviation() {
        // Of ±d around a large mean, n of each: sd² = d²·2n/(2n − 1).
        let ones: Vec<One> =
            (0..1000).map(|index| one(index, if index % 2 == 0 { 4e5 + 1e-4 } else { 4e5 - 1e-4 })).collect();
        let sd = of(&ones).sd().unwrap();
        let expected = (1e-8_f64 * 1000.0 / 999.0).sqrt();
        assert!((sd / expected - 1.0).abs() < 1e-6, "{sd} {expected}");
    }

    proptest! {
        #[test]
        fn what_is_put_together_is_as_if_it_had_been_counted_at_once(
            values in proptest::collection::vec(-10.0..1e4_f64, 2..60), cut in 1_usize..59,
        ) {
            let ones: Vec<One> = (1..).zip(&values).map(|(sequence, value)| one(sequence, *value)).collect();
            let (head, tail) = ones.split_at(cut.min(ones.len() - 1));
            let (mut parts, whole) = (of(head), of(&ones));
            parts.add(&of(tail));
            let near = |a: f64, b: f64| (a - b).abs() <= 1e-9 * (1.0 + a.abs().max(b.abs()));
            prop_assert!(near(parts.mean, whole.mean) && near(parts.squares, whole.squares), "{parts:?} {whole:?}");
            prop_assert!(parts.xyz.iter().zip(whole.xyz).all(|(a, b)| near(*a, b)) && near(parts.temperature_c, whole.temperature_c));
            let exact = |sums: Sums| (sums.count, sums.first, sums.last, sums.min, sums.max, sums.coloured, sums.temperatures, sums.flags);
            prop_assert_eq!(exact(parts), exact(whole));
        }
    }
}

//! Which flags readings carry: of one reading, or of all that came.

use settled_protocol::reading::Flag;

/// A set of flags. Names that aren't known are none of ours.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Cautions(u16);

impl Cautions {
    /// Takes a flag by its name.
    pub(super) fn take(&mut self, name: &str) {
        if let Some(place) = Flag::ALL.iter().position(|flag| flag.name() == name) {
            self.0 |= 1 << place;
        }
    }

    /// Of names.
    pub(super) fn of<'a>(names: impl IntoIterator<Item = &'a str>) -> Self {
        let mut cautions = Self::default();
        names.into_iter().for_each(|name| cautions.take(name));
        cautions
    }

    /// Whether `flag` is among them.
    #[inline]
    pub(super) fn has(self, flag: Flag) -> bool {
        Flag::ALL.iter().position(|known| *known == flag).is_some_and(|place| self.0 & (1 << place) != 0)
    }

    /// These and those.
    #[inline]
    pub(super) fn with(self, others: Self) -> Self {
        Self(self.0 | others.0)
    }

    /// Of these no other than `flag`.
    pub(super) fn only(self, flag: Flag) -> Self {
        if self.has(flag) { Self::of([flag.name()]) } else { Self::default() }
    }

    /// Each of them.
    pub(super) fn flags(self) -> Vec<Flag> {
        Flag::ALL.into_iter().filter(|flag| self.has(*flag)).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_flag_is_known_by_its_name_and_others_are_none() {
        let cautions = Cautions::of(Flag::ALL.map(Flag::name)).with(Cautions::of(["of a later version"]));
        assert_eq!(cautions.flags(), Flag::ALL);
        assert_eq!(Cautions::of(["", "unknown"]).flags(), []);
        assert_eq!(cautions.only(Flag::Dark), Cautions::of(["dark"]));
        assert!(Cautions::of(["dark"]).has(Flag::Dark) && !Cautions::of(["dark"]).has(Flag::Simulated));
    }
}

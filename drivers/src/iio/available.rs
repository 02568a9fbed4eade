//! What an attribute can be set to, as the kernel lists it: `"0.1 0.2 0.4"`, or `"[least step most]"` (from memory).

use settled_protocol::meter::Span;

use super::attribute::number;

/// The values that there are.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Available {
    /// These, rising.
    Listed(Vec<f64>),
    /// From the least to the most, in steps.
    Stepped { least: f64, step: f64, most: f64 },
}

impl Available {
    /// From the text of `*_available`; nothing if it makes no sense, or lists what isn't positive.
    pub(super) fn parse(text: &str) -> Option<Self> {
        let text = text.trim();
        let (stepped, inner) = match text.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')) {
            Some(inner) => (true, inner),
            None => (false, text),
        };
        let numbers: Option<Vec<f64>> = inner.split_whitespace().map(number).collect();
        let mut numbers = numbers.filter(|numbers| numbers.iter().all(|number| *number > 0.0))?;
        match (stepped, numbers.as_slice()) {
            (true, &[least, step, most]) if least <= most => Some(Self::Stepped { least, step, most }),
            (true, _) | (false, []) => None,
            (false, _) => {
                numbers.sort_by(f64::total_cmp);
                Some(Self::Listed(numbers))
            }
        }
    }

    /// From the least to the most.
    pub(super) fn span(&self) -> Span {
        match self {
            Self::Listed(values) => Span {
                min: values.first().copied().unwrap_or_default(),
                max: values.last().copied().unwrap_or_default(),
            },
            Self::Stepped { least, most, .. } => Span { min: *least, max: *most },
        }
    }

    /// The value nearest to what is asked for, by ratio; nothing if that lies outside.
    pub(super) fn nearest(&self, asked: f64) -> Option<f64> {
        if !self.span().contains(asked) {
            return None;
        }
        match self {
            Self::Listed(values) => {
                let far = |value: &f64| (value / asked).ln().abs();
                values.iter().copied().min_by(|a, b| far(a).total_cmp(&far(b)))
            }
            Self::Stepped { least, step, most } => {
                Some((least + ((asked - least) / step).round() * step).min(*most))
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn lists_and_ranges_are_read_and_the_nearest_is_taken() {
        let listed = Available::parse("0.4 0.1 0.200000\n").unwrap();
        assert_eq!(listed.span(), Span { min: 0.1, max: 0.4 });
        let cases = [(0.1, Some(0.1)), (0.15, Some(0.2)), (0.29, Some(0.4)), (0.41, None), (0.09, None)];
        for (asked, nearest) in cases {
            assert_eq!(listed.nearest(asked), nearest, "{asked}");
        }
        let stepped = Available::parse("[0.01 0.01 0.5]").unwrap();
        assert!((stepped.nearest(0.123).unwrap() - 0.12).abs() < 1e-12);
        assert_eq!(stepped.nearest(0.5), Some(0.5));
        for text in ["", "[]", "[1 2]", "[3 1 2]", "a b", "0 1", "-1", "nan", "[1 0 2]"] {
            assert_eq!(Available::parse(text), None, "{text}");
        }
    }

    proptest! {
        #[test]
        fn whatever_is_listed_the_nearest_is_within_it(text in ".{0,40}", asked in 1e-3..1e3_f64) {
            if let Some(available) = Available::parse(&text) {
                let nearest = available.nearest(asked);
                prop_assert_eq!(nearest.is_some(), available.span().contains(asked));
                prop_assert!(nearest.is_none_or(|nearest| available.span().contains(nearest)));
            }
        }
    }
}

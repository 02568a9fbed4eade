//! Longer exposures when light is low: one long exposure is read out once, several short ones each time.

use settled_protocol::meter::Span;

/// Exposures are lengthened by this factor at a time.
const STEP: f64 = 2.0;
/// Exposures in a hold, at least: the shortest window, of half a hold, needs eight of them.
const IN_A_HOLD: f64 = 16.0;
/// Noise that keeps it from settling for more than this many holds is worth longer exposures.
const WORTH: f64 = 1.5;

/// The longest exposures that are of use where light is to hold still for `hold_s`, in s.
pub(super) fn longest_s(hold_s: f64) -> f64 {
    hold_s / IN_A_HOLD
}

/// The integration time to go on with, in s, after exposures of `used_s`, where noise alone asks for `noise_wait_s` of evidence;
/// nothing where longer exposures would not help, or the meter takes none.
pub(super) fn longer(
    noise_wait_s: Option<f64>,
    used_s: Option<f64>,
    span: Option<Span>,
    hold_s: f64,
) -> Option<f64> {
    let (wait_s, used_s, span) = (noise_wait_s?, used_s?, span?);
    let longest = span.max.min(longest_s(hold_s));
    let next = (used_s * STEP).min(longest);
    (wait_s > WORTH * hold_s && next > 1.1 * used_s).then_some(next)
}

#[cfg(test)]
mod tests {
    use super::*;

    const SPAN: Option<Span> = Some(Span { min: 0.1, max: 5.0 });

    #[test]
    fn exposures_double_while_noise_is_in_the_way_and_eight_of_them_fit_half_a_hold() {
        assert_eq!(longer(Some(200.0), Some(0.5), SPAN, 60.0), Some(1.0));
        assert_eq!(longer(Some(200.0), Some(2.0), SPAN, 60.0), Some(3.75));
        assert_eq!(longer(Some(200.0), Some(3.75), SPAN, 60.0), None);
        assert_eq!(longer(Some(2000.0), Some(4.0), SPAN, 600.0), Some(5.0));
    }

    #[test]
    fn nothing_is_lengthened_without_need_or_where_nobody_knows() {
        assert_eq!(longer(Some(80.0), Some(0.5), SPAN, 60.0), None);
        assert_eq!(longer(None, Some(0.5), SPAN, 60.0), None);
        assert_eq!(longer(Some(200.0), None, SPAN, 60.0), None);
        assert_eq!(longer(Some(200.0), Some(0.5), None, 60.0), None);
    }
}

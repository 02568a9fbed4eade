use super::*;
use crate::review::figures::played::{Noise, comes_back, course, scene, settled, words};

const WHITE: [f64; 2] = [0.1978, 0.4683];

/// A grey of 40 cd/m² whose readings are good to 0.2 %, before and after a hold of ten minutes.
fn ghost(seed: u64, contrast: impl Fn(f64) -> f64, colour: f64) -> Retention {
    let mut noise = Noise::new(seed);
    let before = settled(0, 40.0 * (1.0 + 0.0004 * noise.normal()), 40.0 * 0.0004, Some((WHITE, 0.00005)));
    let hold = course(1, 600, |_| (600.0, Some(WHITE)));
    let after = course(2, 900, |t| {
        let u = WHITE[0] + colour + 0.0002 * noise.normal();
        let light = 40.0 * (1.0 + contrast(t)) * (1.0 + 0.002 * noise.normal());
        (light, Some([u, WHITE[1] + 0.0002 * noise.normal()]))
    });
    Retention::evaluate(&scene(), &[&before], &[&hold, &after]).unwrap()
}

#[test]
fn no_ghost_is_seen_where_there_is_none() {
    let seen = (0..25).filter(|seed| ghost(*seed, |_| 0.0, 0.0).seen()).count();
    assert!(seen <= 1, "{seen} of 25");
    let figures = ghost(0, |_| 0.0, 0.0);
    assert!(words(&figures, "ghost").starts_with("no ghost is seen after a hold of 10 min"), "{figures:?}");
    assert!(words(&figures, "gone").starts_with("below 0.5 % from the first"), "{figures:?}");
    comes_back(&figures);
}

#[test]
fn a_ghost_is_found_within_the_intervals_that_are_stated() {
    // −3 %·e^(−t/180) is −0.5 % at 180·ln 6 = 322.5 s.
    let contrast = |t: f64| -0.03 * (-t / 180.0).exp();
    let truth = [contrast(0.5), contrast(60.0), 180.0 * 6.0_f64.ln(), 180.0];
    let mut within = [0; 4];
    for seed in 0..20 {
        let figures = ghost(seed, contrast, 0.0);
        assert!(figures.seen());
        let at_60 = figures.course.iter().find(|ghost| ghost.t_s == 60.0).unwrap();
        let constant = figures.constants.first().unwrap().constant_s;
        let found = [figures.first, at_60.contrast, figures.gone_s.unwrap(), constant];
        for ((count, figure), truth) in within.iter_mut().zip(found).zip(truth) {
            *count += u32::from(figure.holds(truth));
        }
    }
    assert!(within.iter().all(|count| *count >= 16), "{within:?} of 20 at 95 %");
}

#[test]
fn what_does_not_fade_is_said_to_stay() {
    let figures = ghost(1, |_| -0.02, 0.0);
    assert!(words(&figures, "ghost").contains("isn't seen to fade"), "{figures:?}");
    assert_eq!(figures.gone_s, None);
    assert!(words(&figures, "gone").contains("not gone"), "{figures:?}");
}

#[test]
fn a_coloured_ghost_is_told_by_its_distance() {
    let figures = ghost(2, |t| -0.02 * (-t / 100.0).exp(), 0.002);
    assert!(figures.colour.unwrap().holds(0.002), "{figures:?}");
    assert!(words(&figures, "ghost_colour").starts_with("the ghost is coloured"));
    assert!(words(&ghost(2, |_| 0.0, 0.0), "ghost_colour").starts_with("no colour"));
    comes_back(&figures);
}

#[test]
fn without_the_grey_before_there_is_no_contrast_and_without_the_hold_no_length() {
    let after = course(2, 60, |_| (40.0, None));
    assert_eq!(Retention::evaluate(&scene(), &[], &[&after]), None);
    let before = settled(0, 40.0, 0.02, None);
    let figures = Retention::evaluate(&scene(), &[&before], &[&after]).unwrap();
    assert_eq!((figures.held_s, figures.colour), (None, None));
}

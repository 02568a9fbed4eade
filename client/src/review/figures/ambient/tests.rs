use settled_protocol::reading::Flag;

use super::*;
use crate::review::figures::played::{Noise, beyond, comes_back, scene, settled, words};

/// A room that adds `reflected` to a display's own black, both seen with an uncertainty of 0.0005 cd/m².
fn room(seed: u64, own: f64, reflected: f64) -> Ambient {
    let mut noise = Noise::new(seed);
    let mut seen = |light: f64| settled(0, light + 0.0005 * noise.normal(), 0.0005, None);
    let (off, black) = (seen(reflected), seen(own + reflected));
    Ambient::evaluate(&scene(), &[&off], Some(&black)).unwrap()
}

#[test]
fn a_dark_room_is_dark_enough_and_a_bright_one_is_not() {
    let alarms: usize = (0..60).map(|seed| beyond(&room(seed, 0.08, 0.0))).sum();
    assert_eq!(alarms, 0);
    let found: usize = (0..60).map(|seed| beyond(&room(seed, 0.08, 0.02))).sum();
    assert_eq!(found, 60);
    let held = (0..100).filter(|seed| room(*seed, 0.08, 0.02).own_black.unwrap().holds(0.08)).count();
    assert!(held >= 89, "{held} of 100 at 95 %");
    assert!(words(&room(0, 0.08, 0.02), "reflected").starts_with("the room is too bright"));
    comes_back(&room(0, 0.08, 0.02));
}

#[test]
fn one_twentieth_of_the_displays_own_black_is_the_limit() {
    let exact = |own: f64, reflected: f64| {
        let (off, black) = (settled(0, reflected, 0.0, None), settled(0, own + reflected, 0.0, None));
        Ambient::evaluate(&scene(), &[&off], Some(&black)).unwrap().verdicts()[0].standing
    };
    assert_eq!(exact(0.1, 0.0049), Standing::Within);
    assert_eq!(exact(0.1, 0.0051), Standing::Beyond);
}

#[test]
fn below_the_meters_range_it_can_not_be_told() {
    let (off, mut black) = (settled(0, 0.0001, 0.0002, None), settled(0, 0.0004, 0.0002, None));
    black.flags.push(Flag::BelowRange);
    let figures = Ambient::evaluate(&scene(), &[&off], Some(&black)).unwrap();
    assert_eq!(
        (figures.share, figures.own_black, figures.verdicts()[0].standing),
        (None, None, Standing::Undecided)
    );
    assert!(words(&figures, "reflected").contains("black is below the meter's range"), "{figures:?}");
    comes_back(&figures);
    // A black that may be nothing, though nobody says that it is below the range.
    black.flags.clear();
    let figures = Ambient::evaluate(&scene(), &[&off], Some(&black)).unwrap();
    assert_eq!((figures.share, figures.verdicts()[0].standing), (None, Standing::Undecided));
    let figures = Ambient::evaluate(&scene(), &[&off], None).unwrap();
    assert!(words(&figures, "reflected").contains("black wasn't measured"));
}

#[test]
fn a_room_that_is_too_bright_with_95_percent_and_not_with_99_is_undecided() {
    let mut figures = room(0, 0.08, 0.02);
    let mut standing = |u95: f64| {
        figures.share = Some(Figure::around(0.06, u95));
        figures.verdicts()[0].standing
    };
    // 1/21 is 0.0476; 2.576/1.960 = 1.314.
    assert_eq!([standing(0.011), standing(0.009)], [Standing::Undecided, Standing::Beyond]);
}

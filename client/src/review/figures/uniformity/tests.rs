use super::*;
use crate::review::figures::played::{Noise, beyond, comes_back, scene, settled, words};

const WHITE: [f64; 2] = [0.1978, 0.4683];

/// Three by three positions known to 0.3 % and 0.0003 in u′ and v′, of a field that is `light` and `off` in u′ at a position.
fn field(seed: u64, light: impl Fn([f64; 2]) -> f64, off: impl Fn([f64; 2]) -> f64) -> Uniformity {
    let mut noise = Noise::new(seed);
    let positions = (0..9_u8).map(|index| {
        let at = [f64::from(index % 3), f64::from(index / 3)].map(|step| 0.1 + 0.4 * step);
        let uv = [WHITE[0] + off(at) + 0.0003 * noise.normal(), WHITE[1] + 0.0003 * noise.normal()];
        let luminance = light(at) * (1.0 + 0.003 * noise.normal());
        let mut position = settled(usize::from(index), luminance, 0.003 * light(at), Some((uv, 0.0003)));
        position.position = Some(at);
        position
    });
    let positions: Vec<Measurement> = positions.collect();
    Uniformity::evaluate(&scene(), &positions.iter().collect::<Vec<_>>()).unwrap()
}

#[test]
fn an_even_field_is_within_everything() {
    let (mut alarms, mut all, mut even) = (0, 0, 0);
    for seed in 0..40 {
        let figures = field(seed, |_| 120.0, |_| 0.0);
        alarms += beyond(&figures);
        all += usize::from(
            figures.spots.iter().all(|spot| spot.to_centre.holds(1.0) && spot.colour.unwrap().low == 0.0),
        );
        even += usize::from(figures.min_to_max.holds(1.0));
    }
    assert_eq!(alarms, 0);
    assert!(all >= 34 && even >= 38, "{all} and {even} of 40: all positions at once at 95 %");
}

#[test]
fn a_dim_corner_is_found_within_its_interval_and_beyond_what_the_standard_says() {
    // The top left corner has 80 % of the centre: 20 % off, Lmin/Lmax 0.8.
    let dim = |[x, y]: [f64; 2]| if x < 0.2 && y < 0.2 { 96.0 } else { 120.0 };
    let mut held = 0;
    for seed in 0..25 {
        let figures = field(seed, dim, |_| 0.0);
        held += usize::from(figures.worst.holds(0.2) && figures.min_to_max.holds(0.8));
        assert_eq!(beyond(&figures), 2, "{figures:?}");
        assert_eq!(figures.worst_at, [0.1, 0.1]);
    }
    assert!(held >= 23, "{held} of 25");
    let figures = field(0, dim, |_| 0.0);
    let words = words(&figures, "luminance");
    assert!(words.contains("(top left): beyond the 10 % that it shall be within"), "{words}");
    comes_back(&figures);
}

#[test]
fn what_should_be_and_what_shall_be_are_judged_apart() {
    let figures = field(1, |[x, _]: [f64; 2]| if x > 0.8 { 111.6 } else { 120.0 }, |_| 0.0);
    let verdicts = figures.verdicts();
    let standing =
        |subject: &str| verdicts.iter().find(|finding| finding.subject == subject).unwrap().standing;
    assert_eq!(
        (standing("luminance"), standing("luminance_recommended")),
        (Standing::Within, Standing::Beyond)
    );
}

#[test]
fn a_tinted_edge_is_found_and_judged_by_its_radius() {
    let tint = |[x, _]: [f64; 2]| if x > 0.8 { 0.014 } else { 0.0 };
    let held = (0..25).filter(|seed| {
        let figures = field(*seed, |_| 120.0, tint);
        assert_eq!(beyond(&figures), 1);
        figures.worst_colour.unwrap().holds(0.014)
    });
    let held = held.count();
    assert!(held >= 23, "{held} of 25");
}

#[test]
fn positions_around_the_middle_share_its_place_and_missing_ones_are_counted() {
    let at = [[0.25, 0.5], [0.75, 0.5], [0.05, 0.05]];
    let mut positions: Vec<Measurement> = [90.0, 110.0, 100.0]
        .iter()
        .enumerate()
        .map(|(step, light)| settled(step, *light, 0.0, None))
        .collect();
    for (position, at) in positions.iter_mut().zip(at) {
        position.position = Some(at);
    }
    let mut lost = settled(3, 50.0, 0.0, None);
    lost.verdict = settled_protocol::settling::Verdict::Lost;
    positions.push(lost);
    let figures = Uniformity::evaluate(&scene(), &positions.iter().collect::<Vec<_>>()).unwrap();
    assert!(
        (figures.spots[2].to_centre.value - 1.0).abs() < 1e-12,
        "the centre is the mean of both: {figures:?}"
    );
    assert_eq!((figures.missing, figures.worst_colour), (1, None));
    assert!(words(&figures, "min_to_max").ends_with("1 position is missing"));
    // Lmin/Lmax of 90 and 110 cd/m² (IDMS, definition from memory).
    assert!((figures.min_to_max.value - 90.0 / 110.0).abs() < 1e-12);
}

#[test]
fn no_grey_is_held_to_what_the_standard_asks_of_white() {
    let figures = |signal: f64| Uniformity { signal, ..field(0, |_| 120.0, |_| 0.0) };
    let source = |signal: f64| figures(signal).verdicts()[0].tolerance.as_ref().unwrap().source.clone();
    let most = |signal: f64| figures(signal).verdicts()[0].tolerance.as_ref().unwrap().most;
    // ISO 12646:2008 and Amd 1:2010, from excerpts: 10 % for white, 13 % for half the code values, 15 % for a quarter.
    assert_eq!([1.0, 0.5, 0.25].map(most), [Some(0.1), Some(0.13), Some(0.15)]);
    assert!(source(1.0).ends_with("for white") && source(0.5).ends_with("for half the code values"));
    // 191 of 255 and 767 of 1023 are 75 %.
    for signal in [0.75, 191.0 / 255.0, 767.0 / 1023.0] {
        assert_eq!(most(signal), Some(0.13), "{signal}");
        assert!(source(signal).ends_with("the nearest that it names"), "{}", source(signal));
    }
}

#[test]
fn places_without_a_colour_are_among_those_whose_colour_could_not_be_judged() {
    let positions = (0..9_u8).map(|index| {
        let at = [f64::from(index % 3), f64::from(index / 3)].map(|step| 0.1 + 0.4 * step);
        let colour = (index == 4 || index == 5).then_some((WHITE, 0.0003));
        let mut position = settled(usize::from(index), 120.0, 0.03, colour);
        position.position = Some(at);
        position
    });
    let positions: Vec<Measurement> = positions.collect();
    let figures = Uniformity::evaluate(&scene(), &positions.iter().collect::<Vec<_>>()).unwrap();
    let verdicts = figures.verdicts();
    let of = |subject: &str| verdicts.iter().find(|finding| finding.subject == subject).unwrap();
    assert_eq!(of("luminance").standing, Standing::Within);
    assert_eq!(of("colour").standing, Standing::Undecided, "{}", of("colour").words);
    assert!(of("colour").words.contains("that is of 2 of 9,"), "{}", of("colour").words);
}

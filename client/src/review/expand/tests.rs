use super::super::plan::tests::{sequence, set};
use super::*;

fn of(what: What) -> Vec<Step> {
    steps(&set(), &sequence(what))
}

fn names(steps: &[Step]) -> Vec<&str> {
    steps.iter().map(|step| step.patch.name.as_str()).collect()
}

#[test]
fn greys_go_from_black_to_white_at_even_signals() {
    let greys = of(What::Grey { steps: 5 });
    assert_eq!(names(&greys), ["black", "grey 25 %", "grey 50 %", "grey 75 %", "white"]);
    // A quarter of 1023 is 255.75.
    assert_eq!(greys.iter().map(|step| step.patch.codes[1]).collect::<Vec<_>>(), [0, 256, 512, 767, 1023]);
    assert_eq!(greys.iter().map(|step| step.step).collect::<Vec<_>>(), [0, 1, 2, 3, 4]);
}

#[test]
fn near_black_has_black_beside_its_steps() {
    let greys = of(What::NearBlack { up_to: 0.1, steps: 4 });
    assert_eq!(names(&greys), ["black", "grey 2.5 %", "grey 5 %", "grey 7.5 %", "grey 10 %"]);
}

#[test]
fn narrow_range_begins_at_its_black() {
    let mut set = set();
    set.coding.range = settled_protocol::stage::Range::Narrow;
    let both = steps(&set, &sequence(What::WhiteBlack));
    // ITU-R BT.2100-2, table 9, 10 bits.
    assert_eq!([both[0].patch.codes, both[1].patch.codes], [[940; 3], [64; 3]]);
    assert_eq!(both[0].patch.background, [64; 3]);
}

#[test]
fn each_colour_has_all_its_steps_of_saturation_and_ends_at_the_colour() {
    let sweep = of(What::Saturation { steps: 4 });
    assert_eq!(sweep.len(), 24);
    assert_eq!(names(&sweep)[..4], ["red 25 %", "red 50 %", "red 75 %", "red 100 %"]);
    assert_eq!(sweep[3].patch.codes, [1023, 0, 0]);
    assert_eq!(sweep[23].patch.codes, [1023, 1023, 0]);
}

#[test]
fn retention_is_the_grey_then_the_window_then_the_grey_again() {
    let steps = of(What::Retention { hold_s: 300.0, watch_s: 120.0, signal: 0.5 });
    assert_eq!(steps.iter().map(|step| step.watch_s).collect::<Vec<_>>(), [None, Some(300.0), Some(120.0)]);
    assert_eq!(steps[0].patch, steps[2].patch);
    assert_eq!((steps[0].patch.window_percent, steps[1].patch.window_percent), (100.0, 10.0));
    assert_eq!(steps[1].patch.codes, [1023; 3]);
}

#[test]
fn uniformity_looks_at_the_middle_of_each_part_of_the_screen() {
    let steps = of(What::Uniformity { columns: 3, rows: 2, signal: 0.5 });
    assert_eq!(steps.len(), 6);
    assert_eq!(steps[5].position, Some([5.0 / 6.0, 0.75]));
    assert_eq!(steps[5].patch.name, "row 2, column 3");
    assert!(steps.iter().all(|step| step.patch.window_percent == 100.0));
}

#[test]
fn the_rooms_light_is_looked_at_with_the_display_off() {
    let steps = of(What::Ambient);
    assert!(steps.len() == 1 && steps[0].off);
}

#[test]
fn a_chart_of_the_plans_own_is_shown_as_it_is_listed() {
    let colours = vec![chart::Colour { name: "bark".to_owned(), signal: [0.5, 0.25, 0.0] }];
    let steps = of(What::Chart { file: Some("own.csv".to_owned()), colours });
    assert_eq!((names(&steps), steps[0].patch.codes), (vec!["bark"], [512, 256, 0]));
}

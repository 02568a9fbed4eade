use super::*;

fn read(text: &str) -> Result<Plan, Problems> {
    Plan::read(Path::new("p.toml"), text)
}

fn mistakes(text: &str) -> Vec<String> {
    read(text).expect_err("it has mistakes").0.iter().map(ToString::to_string).collect()
}

const HEAD: &str = "title = \"T\"\n[[set]]\nname = \"SDR\"\ntransfer = \"power\"\nprimaries = \"bt709\"\n";

#[test]
fn what_is_left_out_has_defaults_and_white_and_black_come_first() {
    let plan = read(&format!("{HEAD}[[set.sequence]]\nkind = \"grey\"\n")).unwrap();
    let [set] = plan.sets.as_slice() else { panic!("{plan:?}") };
    assert_eq!(set.coding, Coding { bits: 10, range: Range::Full });
    assert_eq!(set.aim.transfer, Transfer::Power { gamma: 2.2 });
    let names: Vec<&str> = set.sequences.iter().map(|sequence| sequence.name.as_str()).collect();
    assert_eq!(names, ["white_black", "grey"]);
    assert_eq!(set.sequences[1].what, What::Grey { steps: 21 });
    assert_eq!(set.sequences[1].window_percent, 10.0);
}

#[test]
fn white_and_black_that_the_plan_has_are_moved_to_the_front_as_they_are() {
    let text = "[[set.sequence]]\nkind = \"primaries\"\n[[set.sequence]]\nkind = \"white_black\"\nname = \"ends\"\nwindow_percent = 4\n";
    let plan = read(&format!("{HEAD}{text}")).unwrap();
    let sequences = &plan.sets[0].sequences;
    assert_eq!((sequences[0].name.as_str(), sequences[0].window_percent, sequences.len()), ("ends", 4.0, 2));
}

#[test]
fn a_cold_start_comes_before_white_and_black() {
    let text = "[[set.sequence]]\nkind = \"grey\"\n[[set.sequence]]\nkind = \"cold_start\"\n";
    let plan = read(&format!("{HEAD}{text}")).unwrap();
    let names: Vec<&str> = plan.sets[0].sequences.iter().map(|sequence| sequence.name.as_str()).collect();
    assert_eq!(names, ["cold_start", "white_black", "grey"]);
}

#[test]
fn what_the_display_is_switched_off_for_comes_last() {
    let text = "[[set.sequence]]\nkind = \"ambient\"\n[[set.sequence]]\nkind = \"near_black\"\n";
    let plan = read(&format!("{HEAD}{text}")).unwrap();
    let names: Vec<&str> = plan.sets[0].sequences.iter().map(|sequence| sequence.name.as_str()).collect();
    assert_eq!(names, ["white_black", "near_black", "ambient"]);
}

#[test]
fn the_display_rests_before_white_is_held_for_as_long_as_the_plan_says_and_before_nothing_else() {
    let text = "[[set.sequence]]\nkind = \"peak_hold\"\n[[set.sequence]]\nkind = \"retention\"\nrest_before = \"20min\"\n\
        [[set.sequence]]\nkind = \"grey\"\n[[set.sequence]]\nkind = \"peak_hold\"\nname = \"at once\"\nrest_before = 0\n";
    let plan = read(&format!("{HEAD}{text}")).unwrap();
    let rests: Vec<f64> = plan.sets[0].sequences.iter().map(Sequence::rests_before_s).collect();
    assert_eq!(rests, [0.0, 300.0, 1200.0, 0.0, 0.0]);
    let found = mistakes(&format!("{HEAD}[[set.sequence]]\nkind = \"grey\"\nrest_before = \"1min\"\n"));
    assert!(found.len() == 1 && found[0].contains("rest_before: unknown key"), "{found:?}");
    // A record from before this was told is gone on with: what a plan doesn't say isn't written either.
    let plain = read(&format!("{HEAD}[[set.sequence]]\nkind = \"peak_hold\"\n")).unwrap();
    assert!(!serde_json::to_string(&plain).unwrap().contains("rest_before"));
}

#[test]
fn in_the_plans_that_come_along_white_is_held_before_it_is_shown_in_windows_up_to_all_of_the_screen() {
    for ready in crate::review::ready::READY {
        for set in ready.plan().unwrap().sets {
            let at = |is: fn(&What) -> bool| set.sequences.iter().position(|sequence| is(&sequence.what));
            let held = at(|what| matches!(what, What::PeakHold { .. }));
            let windows = at(|what| matches!(what, What::Window { .. }));
            assert!(held.zip(windows).is_none_or(|(held, windows)| held < windows), "{}", ready.name);
        }
    }
}

#[test]
fn what_a_set_says_holds_for_its_sequences_unless_they_say_otherwise() {
    let text =
        "window_percent = 18\nrest = \"2s\"\n[[set.sequence]]\nkind = \"grey\"\nwindow_percent = 100\n";
    let plan = read(&format!("{HEAD}{text}")).unwrap();
    let [ends, greys] = plan.sets[0].sequences.as_slice() else { panic!("{plan:?}") };
    assert_eq!((ends.window_percent, greys.window_percent, greys.rest_s), (18.0, 100.0, 2.0));
}

#[test]
fn every_mistake_is_named_at_once_with_its_place_and_what_is_near() {
    let text = "titel = \"T\"\n[[set]]\nname = \"SDR\"\nbits = 9\ntransfer = \"gamma\"\nprimaries = \"bt709\"\n\
        [[set.sequence]]\nkind = \"gray\"\n[[set.sequence]]\nkind = \"grey\"\nstep = 21\nsteps = 1\n[[set.sequence]]\n\
        kind = \"peak_hold\"\nhold = \"3h\"\n[[set.sequence]]\nkind = \"window\"\nareas_percent = []\n";
    let found = mistakes(text);
    let begins = [
        "p.toml:1:1: titel: unknown key; did you mean \"title\"?",
        "p.toml:1:1: title: is missing",
        "p.toml:4:8: set[0].bits: expected 8, 10 or 12",
        "p.toml:5:12: set[0].transfer: expected one of \"power\"",
        "p.toml:8:8: set[0].sequence[0].kind: expected one of \"white_black\"",
        "p.toml:11:1: set[0].sequence[1].step: unknown key; did you mean \"steps\"?",
        "p.toml:12:9: set[0].sequence[1].steps: expected a whole number from 2 to 1025, found the number 1",
        "p.toml:15:8: set[0].sequence[2].hold: expected a time from 1 to 1800 s",
        "p.toml:18:17: set[0].sequence[3].areas_percent: expected 1 to 100 numbers",
    ];
    for begin in begins {
        assert!(found.iter().any(|line| line.starts_with(begin)), "{begin} is not among {found:#?}");
    }
    assert_eq!(found.len(), begins.len(), "{found:#?}");
}

#[test]
fn a_gamma_belongs_to_a_power_law_alone() {
    let found = mistakes(
        "title = \"T\"\n[[set]]\nname = \"S\"\ntransfer = \"pq\"\ngamma = 2.2\nprimaries = \"bt2020\"\n",
    );
    assert!(found.len() == 1 && found[0].contains("gamma: unknown key"), "{found:?}");
}

#[test]
fn two_of_a_name_are_a_mistake() {
    let text = "[[set.sequence]]\nkind = \"grey\"\n[[set.sequence]]\nkind = \"grey\"\n";
    let found = mistakes(&format!("{HEAD}{text}"));
    assert!(
        found.len() == 1 && found[0].contains("another sequence of this set is called \"grey\""),
        "{found:?}"
    );
}

#[test]
fn a_chart_beside_the_plan_is_read_once_and_its_mistakes_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let plan = folder.path().join("p.toml");
    let text = format!("{HEAD}[[set.sequence]]\nkind = \"chart\"\nfile = \"c.csv\"\n");
    let missing = Plan::read(&plan, &text).unwrap_err().to_string();
    assert!(missing.contains("c.csv") && missing.contains("sequence[0].file"), "{missing}");
    std::fs::write(folder.path().join("c.csv"), "name,r,g,b\nbark,0.5,0.25,0\n").unwrap();
    let read = Plan::read(&plan, &text).unwrap();
    let What::Chart { colours, .. } = &read.sets[0].sequences[1].what else { panic!("{read:?}") };
    assert_eq!((colours[0].name.as_str(), colours[0].signal), ("bark", [0.5, 0.25, 0.0]));
    std::fs::write(folder.path().join("c.csv"), "name,r,g,b\nbark,0.5,0.25,2\n").unwrap();
    let bad = Plan::read(&plan, &text).unwrap_err().to_string();
    assert!(bad.contains("c.csv, line 2, column 4"), "{bad}");
}

#[test]
fn a_plan_that_is_written_into_a_record_comes_back_the_same() {
    let text = "[[set.sequence]]\nkind = \"window\"\n[[set.sequence]]\nkind = \"ambient\"\n[[set.sequence]]\nkind = \"retention\"\n";
    let plan = read(&format!("{HEAD}{text}")).unwrap();
    let back: Plan = serde_json::from_str(&serde_json::to_string(&plan).unwrap()).unwrap();
    assert_eq!(back, plan);
}

#[test]
fn the_guides_example_is_right_and_names_every_kind() {
    let guide = include_str!("../../../../PLANS.md");
    let example = guide.split("```toml\n").nth(1).unwrap().split("```").next().unwrap();
    assert_eq!(read(example).unwrap().sets.len(), 2);
    for kind in KINDS {
        assert!(guide.contains(&format!("| `{kind}` |")), "{kind}");
    }
}

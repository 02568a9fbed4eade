use clap::Parser;
use jiff::tz::TimeZone;

use super::*;

#[derive(Debug, Parser)]
struct Line {
    #[command(subcommand)]
    options: Options,
}

/// Six in the evening of a Friday, in Central European time by its rule.
fn almanac() -> Almanac {
    Almanac {
        now: "2026-11-27T17:00:00Z".parse().unwrap(),
        zone: TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap(),
        rehearses: false,
    }
}

/// The plan that is typed, or what is said of it.
fn plan_at(line: &str, almanac: &Almanac) -> Result<RunPlan, String> {
    let line = Line::try_parse_from(["run"].into_iter().chain(line.split_whitespace()));
    let (common, mut plan) = line
        .map_err(|error| error.to_string())
        .and_then(|line| split(line.options).map_err(|failure| failure.to_string()))?;
    common.write(&mut plan, almanac).map_err(|failure| failure.to_string())?;
    Ok(plan)
}

fn plan(line: &str) -> Result<RunPlan, String> {
    plan_at(line, &almanac())
}

fn refusal(line: &str) -> String {
    plan(line).unwrap_err()
}

fn at(text: &str) -> Option<Timestamp> {
    Some(text.parse().unwrap())
}

#[test]
fn a_whole_night_is_one_line() {
    let night = plan(
        "drift bench --label monitor-4 --at 18:30 --until 08:00 --interval 2min --burst 5 --luminance 1% --alert-luminance 2% \
         --alert-chromaticity 0.002 --alert-lost 5min --integration 200ms --colour 512 --window 25%",
    )
    .unwrap();
    assert_eq!((night.kind, night.interval_s, night.burst), (RunKind::Drift, Some(120.0), Some(5)));
    assert_eq!((night.start, night.until), (at("2026-11-27T17:30:00Z"), at("2026-11-28T07:00:00Z")));
    assert_eq!((night.duration_s, night.nightly.clone(), night.integration_s), (None, None, Some(0.2)));
    assert_eq!(night.criteria, Criteria { luminance: 0.01, ..Criteria::default() });
    let rules = AlertRules { luminance: Some(0.02), chromaticity: Some(0.002), lost_s: Some(300.0) };
    assert_eq!(night.alert, rules);
    let shown = night.stimulus.unwrap();
    assert_eq!((shown.colour, shown.window_percent, shown.bits), ([512; 3], 25.0, 10));
    assert_eq!(night.label.unwrap().as_str(), "monitor-4");
}

#[test]
fn what_is_left_out_is_left_to_the_daemon() {
    let drift = plan("drift").unwrap();
    let told = serde_json::to_value(&drift).unwrap();
    let members: Vec<&String> = told.as_object().unwrap().keys().collect();
    assert_eq!(members, ["alert", "criteria", "kind", "meter"]);
}

#[test]
fn a_warm_up_waits_as_long_as_it_lasts() {
    assert_eq!(plan("warm-up").unwrap().criteria.max_wait_s, 7200.0);
    assert_eq!(plan("warm-up --for 3h --hold 2h").unwrap().criteria.max_wait_s, 10_800.0);
    assert_eq!(plan("warm-up --until 08:00 --hold 2h").unwrap().criteria.max_wait_s, 604_800.0);
    assert_eq!(
        refusal("warm-up --for 10min --hold 30min"),
        "--for (10 min) must not be shorter than --hold (30 min)"
    );
    assert_eq!(
        refusal("warm-up --hold 3h"),
        "--for (2.0 h by default) must not be shorter than --hold (3.0 h)"
    );
    assert!(refusal("warm-up --burst 3").contains("unexpected argument '--burst'"));
}

#[test]
fn a_night_that_repeats_lasts_as_long_each_time_however_that_is_typed() {
    for line in
        ["drift --nightly 18:00 --nights 5 --for 14h", "drift --nightly 18:00 --nights 5 --until 08:00"]
    {
        let night = plan(line).unwrap();
        let nightly = night.nightly.unwrap();
        assert_eq!(
            (nightly.at.as_str(), nightly.nights, night.duration_s),
            ("18:00", Some(5), Some(50_400.0))
        );
        assert_eq!((night.start, night.until), (None, None));
    }
    assert_eq!(plan("stability --nightly 18:00 --until 18:00").unwrap().duration_s, Some(86_400.0));
    assert!(refusal("drift --nightly 18:00").contains("--for 12h"));
    assert!(refusal("drift --nightly 18:00 --for 25h").contains("--for 24h"));
    assert!(refusal("drift --nightly 18:00 --until 2026-11-28T08:00:00Z").contains("takes a time of day"));
    assert!(refusal("drift --nightly 18:00 --at 19:00 --for 1h").contains("cannot be used with"));
    assert!(refusal("drift --nights 3").contains("--nightly"));
    assert!(refusal("drift --nightly six --for 1h").contains("18:00"));
}

#[test]
fn what_can_not_be_meant_is_refused_with_what_to_type() {
    assert!(refusal("stability").contains("--for 2h"));
    assert!(refusal("drift --at 2026-11-27T16:00:00Z").contains("--at must not be in the past"));
    assert!(refusal("drift --until 2026-11-27T16:00:00Z").contains("--until must be after"));
    assert!(
        refusal("drift --at 2026-11-28T18:00:00Z --until 2026-11-28T08:00:00Z")
            .contains("--until must be after")
    );
    assert!(refusal("drift --for 12h --until 08:00").contains("cannot be used with"));
    assert!(refusal("drift --window 25%").contains("--colour"));
    assert!(refusal("drift --colour 1024").contains("from 0 to 1023"));
    assert!(refusal("drift --on-alert true").contains("--wait"));
    assert!(refusal("drift --alert-luminance 2").contains("2%"));
    assert!(refusal("drift --burst 0").contains("1..=1000"));
}

#[test]
fn where_time_is_rehearsed_no_clock_on_the_wall_counts() {
    let rehearsal = Almanac { rehearses: true, ..almanac() };
    let refused = plan_at("drift --until 08:00", &rehearsal).unwrap_err();
    assert!(refused.contains("--until: the daemon's clock is simulated"), "{refused}");
    let early = plan_at("drift --at 2026-11-27T16:00:00Z", &rehearsal).unwrap();
    assert_eq!(early.start, at("2026-11-27T16:00:00Z"));
    assert!(plan_at("drift --nightly 18:00 --until 08:00", &rehearsal).is_ok());
}

#[test]
fn a_patch_that_is_held_for_an_hour_or_without_an_end_is_a_long_one() {
    let run = |ends: Option<&str>| -> Run {
        let mut members = json!({
            "run": 1, "plan": {"meter": "bench", "kind": "drift"}, "state": "running", "created": "2026-11-27T17:00:00Z",
            "begins": "2026-11-27T17:00:00Z", "elapsed_s": 0.0, "points": 0, "readings": 0, "missed": 0, "gaps": 0, "gap_s": 0.0,
            "alerts": 0, "flags": [], "message": "m",
        });
        if let Some(ends) = ends {
            members["ends"] = ends.into();
        }
        serde_json::from_value(members).unwrap()
    };
    assert!(is_long(&run(None)) && is_long(&run(Some("2026-11-27T18:00:00Z"))));
    assert!(!is_long(&run(Some("2026-11-27T17:59:00Z"))));
    assert!(
        CAUTION_WORDS.contains("self-emitting")
            && CAUTION_WORDS.contains("mains")
            && !CAUTION_WORDS.contains('\n')
    );
}

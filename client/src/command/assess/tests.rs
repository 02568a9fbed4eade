use std::borrow::Cow;

use serde_json::{Value, json};
use settled_protocol::quantity::Photometric;
use settled_protocol::settling::Verdict;

use super::input::Input;
use super::*;

/// What each line of `text` comes to: a record, or what is wrong with it.
pub(super) fn records(text: &str) -> Result<Vec<Result<Record<'static>, String>>, String> {
    let mut input = Input::new(Box::new(text.as_bytes()), "t");
    let mut found = Vec::new();
    while let Some((line, record)) = input.next().map_err(|failure| failure.to_string())? {
        found.push(record.map(Record::into_owned).map_err(|mistake| format!("{line}: {mistake}")));
    }
    Ok(found)
}

/// The series of `text` when it is over, and the mistakes that only they show.
fn follow(text: &str) -> (Vec<Series>, Vec<String>) {
    let mut roster = Roster::new();
    let mut mistakes = Vec::new();
    for record in records(text).unwrap() {
        let record = record.unwrap();
        let series = roster.get(&record.id, || Series::new(&record.id, Criteria::default())).unwrap();
        mistakes.extend(series.take(&record).map_err(|mistake| mistake.to_string()).err());
    }
    (roster.close_all().collect(), mistakes)
}

fn decision(series: &Series) -> Value {
    serde_json::to_value(Decision::of(series)).unwrap()
}

fn only_mistake(text: &str) -> String {
    records(text).and_then(|records| records.into_iter().collect::<Result<Vec<_>, _>>()).unwrap_err()
}

/// Light that stands still for a while and then changes.
fn still_and_then_bright(seconds: u32, bright_after: u32) -> String {
    let line = |t: u32| {
        let y = if t < bright_after { 100.0 } else { 140.0 } + 0.01 * f64::from(t % 7);
        format!("{{\"id\":\"a\",\"t_s\":{t},\"Y\":{y}}}\n")
    };
    (0..seconds).map(line).collect()
}

#[test]
fn interleaved_series_are_told_apart() {
    let mut text = r#"{"id":"quick","criteria":{"hold_s":20}}"#.to_owned();
    for t in 0..300 {
        text += &format!("\n{{\"id\":\"quick\",\"t_s\":{t},\"Y\":{}}}", 100.0 + 0.01 * f64::from(t % 7));
        text += &format!(
            "\n{{\"meter\":\"ramp\",\"t_s\":{t},\"luminance_cd_m2\":{}}}",
            100.0 + 0.1 * f64::from(t)
        );
    }
    let (series, mistakes) = follow(&text);
    assert!(mistakes.is_empty() && series.len() == 2, "{mistakes:?}");
    let [quick, ramp] = [0, 1].map(|index| decision(&series[index]));
    assert_eq!((&quick["id"], &quick["verdict"]), (&json!("quick"), &json!("settled")));
    assert!(quick["t_settled_s"].as_f64().unwrap() < 25.0);
    assert_ne!(ramp["verdict"], "settled");
    assert!(ramp["t_settled_s"].is_null() && ramp["evidence"]["failing"].is_array());
}

#[test]
fn a_decision_is_that_of_the_first_time_it_settled_and_tells_that_it_was_lost_in_the_end() {
    let [early, lost, again] =
        [200, 215, 300].map(|end| follow(&still_and_then_bright(end, 200)).0.remove(0));
    let decisions = [&early, &lost, &again].map(decision);
    assert_eq!(decisions[0], decisions[2]);
    assert_eq!((early.stands(), lost.stands(), again.stands()), (true, false, true));
    assert!((200.0..215.0).contains(&decisions[1]["lost_s"].as_f64().unwrap()), "{}", decisions[1]);
    assert_eq!(decisions[1]["t_settled_s"], decisions[0]["t_settled_s"]);
    let members: Vec<&str> = decisions[0].as_object().unwrap().keys().map(String::as_str).collect();
    assert_eq!(members, ["evidence", "id", "n", "t_settled_s", "u95", "value", "verdict", "window_s"]);
}

#[test]
fn every_change_of_verdict_is_told_and_of_very_many_the_first_and_the_last() {
    let light = |t: u32| {
        let y = 100.0 + 40.0 * f64::from((t / 100) % 2) + 0.01 * f64::from(t % 7);
        format!("{{\"id\":\"a\",\"t_s\":{t},\"Y\":{y}}}\n")
    };
    let explained = |seconds: u32| {
        let series = follow(&(0..seconds).map(light).collect::<String>()).0.remove(0);
        let words = explained::lines(&series, None, false).concat().replace("  ", " ");
        (words.matches('▲').count(), words.matches('▽').count(), words)
    };
    let (settled, lost, words) = explained(300);
    assert_eq!((settled, lost), (3, 2), "{words}");
    let (settled, lost, words) = explained(2000);
    assert_eq!((settled, lost), (5, 4), "{words}");
    assert!(words.contains("; 30 more changes; ▲ settled after"), "{words}");
    let (_, _, words) = explained(1910);
    assert!(words.contains("cd/m²  LOST") && words.contains("Lost after 31.8 min, and not"), "{words}");
}

#[test]
fn other_criteria_begin_anew_and_the_same_again_change_nothing() {
    let reading = |t: u32| format!("{{\"id\":\"a\",\"t_s\":{t},\"Y\":100}}\n");
    let criteria = |hold_s: u32| format!("{{\"id\":\"a\",\"criteria\":{{\"hold_s\":{hold_s}}}}}\n");
    let twice: String = (0..200).map(|t| criteria(20) + &reading(t)).collect();
    assert!(follow(&twice).0[0].ending().t_settled_s.unwrap() < 25.0);
    let other: String = (0..200).map(reading).chain([criteria(20)]).chain((200..300).map(reading)).collect();
    let t_settled_s = follow(&other).0[0].ending().t_settled_s.unwrap();
    assert!((200.0..225.0).contains(&t_settled_s), "{t_settled_s}");
}

#[test]
fn a_settled_series_is_explained_as_it_was_when_it_settled() {
    let series = follow(&still_and_then_bright(300, 200)).0.remove(0);
    let early = follow(&still_and_then_bright(200, 200)).0.remove(0);
    let sentence = |series: &Series| explained::in_a_sentence(series, &series.ending());
    assert_eq!(sentence(&series), sentence(&early));
    assert_eq!(sentence(&series).to_lowercase().matches("settled").count(), 1, "{}", sentence(&series));
}

/// Still light from a meter that warms up until `warm_s`.
fn warming_until(seconds: u32, warm_s: u32, bright_after: u32) -> String {
    let text = still_and_then_bright(seconds, bright_after);
    let flagged = |(t, line): (usize, &str)| {
        let flags = if t < warm_s as usize { ",\"flags\":[\"meter_warming\"]}\n" } else { "}\n" };
        line.trim_end_matches('}').to_owned() + flags
    };
    text.lines().enumerate().map(flagged).collect()
}

#[test]
fn a_verdict_waits_for_the_meters_warm_up_and_is_given_at_the_first_warm_reading_if_it_still_stands() {
    let settled_s = |text: &str| follow(text).0.remove(0).ending().t_settled_s;
    let at_once = settled_s(&warming_until(300, 0, u32::MAX)).unwrap();
    assert!(at_once < 60.0, "{at_once}");
    assert_eq!(settled_s(&warming_until(300, 200, u32::MAX)), Some(200.0));
    // What it was at 195 s is no longer so at 200 s.
    let late = settled_s(&warming_until(300, 200, 195)).unwrap();
    assert!(late > 210.0, "{late}");
}

#[test]
fn a_series_that_ends_within_the_meters_warm_up_has_not_settled_and_says_why() {
    let series = follow(&warming_until(300, 300, u32::MAX)).0.remove(0);
    let decision = decision(&series);
    assert_eq!(
        (&decision["verdict"], &decision["evidence"]["failing"]),
        (&json!("timed_out"), &json!(["meter_warm_up"]))
    );
    assert!(series.settled.is_none() && series.lost_s.is_none());
    assert_eq!(
        explained::in_a_sentence(&series, &series.ending()),
        "The recording ends after 299 s: the meter was still in its own warm-up."
    );
}

#[test]
fn dark_readings_are_no_light_and_a_recording_of_nothing_else_says_so() {
    let dark = |t: u32| format!("{{\"id\":\"a\",\"t_s\":{t},\"Y\":0.001,\"flags\":[\"dark\"]}}\n");
    let light = |t: u32| format!("{{\"id\":\"a\",\"t_s\":{t},\"Y\":{}}}\n", 100.0 + 0.01 * f64::from(t % 7));
    let text: String = (0..100).map(dark).chain((100..200).map(light)).collect();
    let series = follow(&text).0.remove(0);
    assert_eq!((series.readings, series.darkened, series.started_s), (100, 100, 100.0));
    let words = |series: &Series| explained::lines(series, None, true).concat().replace("  ", " ");
    assert!(words(&series).contains("of 100 in all; 100 dark readings"), "{}", words(&series));
    let series = follow(&(0..100).map(dark).collect::<String>()).0.remove(0);
    let words = words(&series);
    assert!(words.contains("There were only dark readings.") && !words.contains("inf"), "{words}");
}

#[test]
fn a_recording_that_ends_too_soon_says_so_and_not_that_a_wait_is_over() {
    let series = follow("{\"t_s\":1,\"integration_s\":1,\"Y\":2}\n{\"t_s\":3,\"Y\":2}\n").0.remove(0);
    let ending = series.ending();
    assert_eq!(ending.verdict, Verdict::TimedOut);
    assert_eq!(
        explained::in_a_sentence(&series, &ending),
        "The recording ends after 3 s: too few readings to judge."
    );
    let long: String = (0..5).map(|t| format!("{{\"t_s\":{},\"Y\":{}}}\n", t * 1000, 100 + t)).collect();
    let series = follow(&long).0.remove(0);
    let words = explained::in_a_sentence(&series, &series.ending());
    assert!(words.starts_with("Timed out after 60 min"), "{words}");
}

#[test]
fn times_that_do_not_rise_are_left_out_and_the_series_goes_on() {
    let (series, mistakes) = follow(
        "{\"id\":\"x\",\"t_s\":2,\"Y\":2}\n{\"id\":\"x\",\"t_s\":1,\"Y\":2}\n{\"id\":\"x\",\"t_s\":3,\"Y\":2}\n",
    );
    assert_eq!(mistakes, ["series \"x\": times must rise, but 1 s follows 2 s"]);
    assert_eq!((series[0].readings, series[0].last_t_s), (2, 3.0));
}

#[test]
fn tables_are_read_whatever_stands_between_the_fields() {
    let expected = Record {
        id: Cow::Borrowed("a b"),
        t_s: Some(1.5),
        y: Some(100.25),
        uv: Some([0.1978, 0.4683]),
        ..Record::default()
    };
    for text in [
        "id,t_s,Y,u_prime,v_prime\na b,1.5,100.25,0.1978,0.4683\n",
        "id;t_s;Y;u_prime;v_prime\r\na b;1.5;100.25;0.1978;0.4683\r\n",
        "\u{feff}id\tt_s\tnote, if any\tY\tu_prime\tv_prime\na b\t1.5\tx;y,z\t100.25\t0.1978\t0.4683",
        "\n id , t_s , Y , u_prime , v_prime\n\n a b , 1.5 , 100.25 , 0.1978 , +.4683 \n\n",
        "\"id\",\"t_s\",\"Y\",u_prime,v_prime,\"a \"\"note\"\", or two\"\n\"a b\",\"1.5\",100.25,0.1978,0.4683,\"x, y\"\n",
    ] {
        assert_eq!(records(text).unwrap(), [Ok(expected.clone())], "{text}");
    }
    let lux = records("t_s,illuminance_lx,end\n1,20,\n2,,true\n").unwrap();
    assert_eq!(lux[0].as_ref().unwrap().photometric, Some(Photometric::Illuminance));
    assert!(lux[1].as_ref().unwrap().end);
    let lux = records("t_s,Y,unit,meter\n1,20,lx,m\n").unwrap().remove(0).unwrap();
    assert_eq!((lux.photometric, lux.id.as_ref()), (Some(Photometric::Illuminance), "m"));
}

#[test]
fn a_mistake_names_its_line_and_what_is_wrong() {
    let good = "{\"t_s\":1,\"Y\":2}\n";
    for (line, expected) in [
        ("{\"t_s\":\"100\",\"Y\":2}", "2: a number is expected for t_s, not the text \"100\""),
        ("{\"t_s\":2,\"Y\":true}", "2: a number is expected for Y, not true"),
        ("{\"t_s\":2,\"luminance_cd_m2\":[2]}", "2: a number is expected for luminance_cd_m2, not a list"),
        ("{\"t_s\":2,\"Y\":1e999}", "2: a number is expected for Y, not the number 1e999"),
        ("{\"t_s\":2,\"Y\":2,\"id\":5}", "2: a text is expected for id, not the number 5"),
        ("{\"id\":\"a\",\"end\":\"yes\"}", "2: true or false is expected for end, not the text \"yes\""),
        (
            "{\"id\":\"a\",\"t_s\":2,\"lum\":3}",
            "2: a reading needs Y or luminance_cd_m2 or illuminance_lx; here there is id, lum, t_s",
        ),
        (
            "{\"time\":2}",
            "2: a reading needs t_s, and Y or luminance_cd_m2 or illuminance_lx; here there is time",
        ),
        ("{\"t_s\":2,\"Y\":2,\"Y\":3}", "2: no object to read: `Y` is there twice, at column 18"),
        ("{\"t_s\":2,\"Y\":2", "2: no object to read: EOF while parsing an object, at column 14"),
        ("17", "2: the line must be a JSON object, such as {\"t_s\": 1.5, …}"),
        ("{\"criteria\":{\"hold_s\":\"1\"}}", "2: a number is expected for hold_s, not the text \"1\""),
        ("{\"criteria\":{\"hold_s\":-1}}", "2: criteria: hold_s must be from 0.5 to 86400, not -1"),
    ] {
        assert_eq!(only_mistake(&format!("{good}{line}")), expected);
    }
    for (row, expected) in [
        ("1,bright", "2: a number is expected for Y, not the text \"bright\""),
        ("1,nan", "2: a number is expected for Y, not the text \"nan\""),
        (",5", "2: a reading needs t_s; here there is an empty field"),
        ("1,2,3", "2: the header has 2 fields, this row 3"),
        ("1", "2: the header has 2 fields, this row 1"),
        ("1,\"2", "2: a quote is opened but not closed on the line"),
    ] {
        assert_eq!(only_mistake(&format!("t_s,Y\n{row}\n")), expected);
    }
    assert_eq!(
        only_mistake("t_s;Y\n1;2,5\n"),
        "2: a number is expected for Y, not the text \"2,5\"; write a decimal point"
    );
}

#[test]
fn a_header_that_will_not_do_is_answered_with_one_that_would() {
    for (text, expected) in [
        ("id,time,Y\n1,2,3\n", "t:1: the header lacks t_s; its columns are \"id\", \"time\", \"Y\""),
        (
            "\nt_s;lum\n",
            "t:2: the header lacks Y or luminance_cd_m2 or illuminance_lx; its columns are \"t_s\", \"lum\"",
        ),
        ("\"time\";lum\n", "its columns are \"time\", \"lum\" ("),
        ("1,2\n3,4\n", "the first line must name the columns"),
        ("t_s,Y,Y\n", "t:1: there are two columns called Y"),
        ("[\n{\"t_s\":1}]", "one object a line is expected"),
        ("\u{0}t\n", "t:1: this is not text in UTF-8"),
    ] {
        let words = records(text).unwrap_err();
        assert!(words.contains(expected), "{words}");
    }
}

#[test]
fn a_line_without_end_is_no_reason_to_keep_it_in_memory() {
    let long =
        format!("{{\"t_s\":1,\"Y\":2}}\n{{\"note\":\"{}\"}}\n{{\"t_s\":2,\"Y\":2}}\n", "x".repeat(3 << 20));
    let found = records(&long).unwrap();
    assert!(found.len() == 3 && found[0].is_ok() && found[2].is_ok());
    assert_eq!(found[1], Err("2: the line is longer than 1048576 bytes".to_owned()));
}

#[test]
fn words_are_written_wherever_they_go_unless_json_is_asked_for() {
    use clap::Parser;
    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        options: Options,
    }
    let form = |words: &[&str], json: bool| {
        let words = ["settle", "-"].iter().chain(words).copied();
        Form::of(&Line::try_parse_from(words).unwrap().options, json)
    };
    assert_eq!(form(&["--ascii"], false), Form::Explained { ascii: true });
    assert!(matches!(form(&[], false), Form::Explained { .. }));
    assert_eq!(form(&[], true), Form::Decisions);
    for json in [false, true] {
        assert_eq!(form(&["--events"], json), Form::Events { forecasts: false });
    }
}

#[test]
fn light_by_another_observer_says_so_and_is_a_series_of_its_own() {
    let mut text = String::new();
    for t in 0..200 {
        let (y, observer) = if t < 100 { (100.0, "1931-2") } else { (101.0, "1964-10") };
        text += &format!("{{\"id\":\"a\",\"t_s\":{t},\"Y\":{y},\"observer\":\"{observer}\"}}\n");
    }
    let csv: String = std::iter::once("id,t_s,Y,observer\n".to_owned())
        .chain(records(&text).unwrap().into_iter().map(|record| {
            let Record { t_s, y, observer, .. } = record.unwrap();
            format!("a,{},{},{}\n", t_s.unwrap(), y.unwrap(), observer.unwrap())
        }))
        .collect();
    for text in [&text, &csv] {
        let records: Vec<_> = records(text).unwrap().into_iter().map(Result::unwrap).collect();
        let mut series = Series::new("a", Criteria::default());
        for record in &records[..100] {
            assert!(!series.is_another(record));
            series.take(record).unwrap();
        }
        assert!(series.is_another(&records[100]));
        assert_eq!(decision(&series)["observer"], Value::Null);
        let mut series = Series::new("a", Criteria::default());
        for record in &records[100..] {
            series.take(record).unwrap();
        }
        assert!(!series.is_another(&records[199]) && series.is_another(&records[0]));
        assert_eq!(decision(&series)["observer"], "1964-10");
        let words = explained::lines(&series, None, false).join("\n");
        assert!(words.contains("By the observer 1964-10"), "{words}");
        series.part(&records[0]);
        let words = explained::lines(&series, None, false).join("\n");
        assert!(words.contains("a, observer 1964-10: "), "{words}");
    }
}

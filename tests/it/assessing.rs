//! `settle assess` over recorded readings: what it reads, what it writes, and what it says of mistakes.

use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Write};
use std::process::{Command, Output, Stdio};

use serde_json::{Value, json};

use crate::support::daemon::{Daemon, program, wait_until};

/// What came of `settle assess ARGUMENTS -` over `input`.
pub(crate) struct Assessed {
    pub(crate) status: i32,
    pub(crate) words: String,
    pub(crate) mistakes: String,
}

impl Assessed {
    pub(crate) fn of(arguments: &[&str], input: &str) -> Self {
        let mut child = command(arguments).spawn().unwrap();
        let mut stdin = child.stdin.take().unwrap();
        let input = input.to_owned();
        let writer = std::thread::spawn(move || stdin.write_all(input.as_bytes()).is_ok());
        let output = child.wait_with_output().unwrap();
        let _all_was_read = writer.join().unwrap();
        Self::from(output)
    }

    fn from(output: Output) -> Self {
        Self {
            status: output.status.code().unwrap(),
            words: String::from_utf8(output.stdout).unwrap(),
            mistakes: String::from_utf8(output.stderr).unwrap(),
        }
    }

    pub(crate) fn objects(&self) -> Vec<Value> {
        self.words.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }
}

fn command(arguments: &[&str]) -> Command {
    let mut command = Command::new(program("settle"));
    command.arg("assess").args(arguments).arg("-");
    command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    command.env("LC_ALL", "C.UTF-8");
    command
}

/// Light that comes up, stands still, and is much brighter from `bright_s` on.
pub(crate) fn luminance(t_s: u32, bright_s: u32) -> f64 {
    let t = f64::from(t_s);
    let base = if t_s < bright_s { 100.0 } else { 140.0 };
    base - 5.0 * (-t / 20.0).exp() + 0.02 * (f64::from(t_s * 7 % 11) - 5.0)
}

fn json_line(id: &str, t_s: u32, bright_s: u32) -> String {
    let y = luminance(t_s, bright_s);
    format!("{{\"id\":\"{id}\",\"t_s\":{t_s},\"Y\":{y},\"u_prime\":0.1978,\"v_prime\":0.4683}}\n")
}

fn series(id: &str, seconds: u32, bright_s: u32) -> String {
    (1..=seconds).map(|t_s| json_line(id, t_s, bright_s)).collect()
}

#[test]
fn as_json_there_is_one_decision_a_series_with_its_evidence() {
    let mut input = String::new();
    for t_s in 1..=300 {
        input += &json_line("still", t_s, u32::MAX);
        if t_s <= 5 {
            input += &json_line("short", t_s, u32::MAX);
        }
        if t_s == 200 {
            input += "{\"id\":\"still\",\"end\":true}\n{\"id\":\"never begun\",\"end\":true}\n";
        }
    }
    let assessed = Assessed::of(&["--json"], &input);
    assert_eq!((assessed.status, assessed.mistakes.as_str()), (3, ""), "{}", assessed.words);
    let decisions = assessed.objects();
    let ids: Vec<&str> = decisions.iter().map(|decision| decision["id"].as_str().unwrap()).collect();
    // The first ended with a word of its own; the third is another series of the same name.
    assert_eq!(ids, ["still", "short", "still"]);
    let mut members: Vec<&str> = decisions[0].as_object().unwrap().keys().map(String::as_str).collect();
    members.sort_unstable();
    assert_eq!(
        members,
        [
            "evidence",
            "id",
            "n",
            "t_settled_s",
            "u95",
            "u95_uv",
            "u_prime",
            "v_prime",
            "value",
            "verdict",
            "window_s"
        ]
    );
    let evidence: settled_protocol::settling::Evidence =
        serde_json::from_value(decisions[0]["evidence"].clone()).unwrap();
    assert_eq!(json!(evidence.n), decisions[0]["n"]);
    assert_eq!(
        (&decisions[0]["verdict"], &decisions[1]["verdict"]),
        (&json!("settled"), &json!("timed_out"))
    );
    assert!((decisions[0]["value"].as_f64().unwrap() - 100.0).abs() < 0.2);
    assert!(decisions[1].get("t_settled_s").is_none(), "{}", decisions[1]);
    // Without it there are words, into a pipe too.
    let words = Assessed::of(&[], &input).words;
    assert!(words.contains("Settled after") && !words.contains('{'), "{words}");
}

#[test]
fn events_come_while_readings_still_come() {
    let mut child = command(&["--events"]).spawn().unwrap();
    let mut input = child.stdin.take().unwrap();
    let mut events = BufReader::new(child.stdout.take().unwrap()).lines();
    input.write_all(series("a", 200, u32::MAX).as_bytes()).unwrap();
    input.flush().unwrap();
    // The pipe is still open: this would wait for ever if events were kept back.
    let settled: Value = serde_json::from_str(&events.next().unwrap().unwrap()).unwrap();
    let members = [
        "id",
        "t_s",
        "verdict",
        "t_settled_s",
        "Y",
        "u95_Y",
        "u_prime",
        "v_prime",
        "u95_uv",
        "window_s",
        "n",
    ];
    let object = settled.as_object().unwrap();
    assert!(members.iter().all(|member| object.contains_key(*member)), "{settled}");
    assert_eq!((object.len(), &settled["verdict"]), (members.len(), &json!("settled")));
    for t_s in 201..400 {
        input.write_all(json_line("a", t_s, 201).as_bytes()).unwrap();
    }
    let lost: Value = serde_json::from_str(&events.next().unwrap().unwrap()).unwrap();
    assert_eq!(lost["verdict"], "lost");
    drop(input);
    assert_eq!(child.wait().unwrap().code(), Some(0));
}

#[test]
fn forecasts_come_with_events_alone() {
    let ramp: String = (0..600)
        .map(|t_s| {
            let y = 200.0 - 60.0 * (-f64::from(t_s) / 300.0).exp();
            format!("{{\"id\":\"r\",\"t_s\":{t_s},\"Y\":{y}}}\n")
        })
        .collect();
    let forecasts = |arguments: &[&str]| -> Vec<Value> {
        let all = Assessed::of(arguments, &ramp).objects();
        all.into_iter().filter(|event| event["verdict"] == "forecast").collect()
    };
    let with = forecasts(&["--events", "--forecasts"]);
    assert!(!with.is_empty() && with.iter().all(|forecast| forecast["low_s"].is_f64()), "{with:?}");
    assert!(forecasts(&["--events"]).is_empty());
    assert_eq!(Assessed::of(&["--forecasts"], &ramp).status, 2);
    let first: String = ramp.lines().take(140).fold(String::new(), |text, line| text + line + "\n");
    let explained = Assessed::of(&[], &first).words;
    assert!(explained.contains("forecast: settles "), "{explained}");
}

#[test]
fn a_table_gives_what_json_lines_give_whatever_splits_it() {
    let lines = series("a", 200, u32::MAX);
    let expected = Assessed::of(&["--json"], &lines).words;
    for delimiter in [",", ";", "\t"] {
        let mut table = ["id", "t_s", "note", "Y", "u_prime", "v_prime"].join(delimiter) + "\r\n";
        for t_s in 1..=200 {
            let y = luminance(t_s, u32::MAX);
            let row = ["a", &t_s.to_string(), "\"as \"\"it\"\" is\"", &y.to_string(), "0.1978", "0.4683"];
            table += &(row.join(delimiter) + "\r\n");
        }
        assert_eq!(Assessed::of(&["--json"], &table).words, expected);
    }
}

#[test]
fn a_log_is_read_as_it_was_written() {
    let daemon = Daemon::start(
        "[log]\npath = \"log.sqlite\"\n[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\ninstant = true\n",
    );
    let mut client = daemon.client();
    wait_until("there are readings", || {
        client.call("meter.read", &json!({"meter": "m"}))["sequence"].as_u64().is_some_and(|n| n >= 20)
    });
    let assessed: Vec<Assessed> = ["--json", "--csv"]
        .iter()
        .map(|form| {
            let file = daemon.path("readings");
            std::fs::write(&file, daemon.run_settle(&["log", "readings", form]).stdout).unwrap();
            Assessed::from(daemon.run_settle(&["--json", "assess", file.to_str().unwrap()]))
        })
        .collect();
    for Assessed { status, words, mistakes } in &assessed {
        assert_eq!((*status, mistakes.as_str()), (3, ""), "{words}");
        assert_eq!(serde_json::from_str::<Value>(words).unwrap()["id"], "m");
    }
    assert_eq!(assessed[0].words, assessed[1].words);
}

#[test]
fn a_clock_that_began_anew_begins_another_series() {
    let reading = |boot: &str, t_s: u32| {
        let y = luminance(t_s, u32::MAX);
        format!("{{\"meter\":\"m\",\"t_s\":{t_s},\"boot\":\"{boot}\",\"luminance_cd_m2\":{y}}}\n")
    };
    let input: String = (1..=200)
        .map(|t_s| reading("first", t_s))
        .chain((1..=200).map(|t_s| reading("second", t_s)))
        .collect();
    let assessed = Assessed::of(&["--json"], &input);
    assert_eq!((assessed.status, assessed.mistakes.as_str()), (0, ""));
    let [one, two]: [Value; 2] = assessed.objects().try_into().unwrap();
    assert_eq!(one, two);
}

#[test]
fn light_through_another_correction_begins_another_series_and_dark_readings_do_not() {
    // The light is steady; the correction of 0.7 % comes after 100 s. A dark reading goes through none.
    let json = |t_s: u32| {
        let y = luminance(1, u32::MAX) + 0.01 * f64::from(t_s % 3);
        match t_s {
            150 => {
                format!("{{\"meter\":\"m\",\"t_s\":{t_s},\"luminance_cd_m2\":0.001,\"flags\":[\"dark\"]}}\n")
            }
            0..=100 => format!("{{\"meter\":\"m\",\"t_s\":{t_s},\"luminance_cd_m2\":{y}}}\n"),
            _ => format!(
                "{{\"meter\":\"m\",\"t_s\":{t_s},\"luminance_cd_m2\":{},\"correction\":\"c1\"}}\n",
                1.007 * y
            ),
        }
    };
    let assessed = Assessed::of(&["--json"], &(1..=300).map(json).collect::<String>());
    assert_eq!((assessed.status, assessed.mistakes.as_str()), (0, ""));
    let [before, after]: [Value; 2] = assessed.objects().try_into().unwrap();
    assert_eq!([&before["verdict"], &after["verdict"]], ["settled"; 2]);
    let settled_s = |series: &Value| series["t_settled_s"].as_f64().unwrap();
    assert!(settled_s(&before) < 100.0 && settled_s(&after) > 100.0);
    assert_eq!([&after["evidence"]["steps"], &after["evidence"]["outliers"]], [0; 2]);
    assert!(after.get("lost_s").is_none() && before.get("lost_s").is_none());
    assert_eq!((before.get("correction"), &after["correction"]), (None, &json!("c1")));
    let explained = Assessed::of(&[], &(1..=300).map(json).collect::<String>()).words;
    assert!(
        explained.contains("m, no correction: ") && explained.contains("m, correction c1: "),
        "{explained}"
    );
    let csv = |t_s: u32| {
        let y = luminance(1, u32::MAX) + 0.01 * f64::from(t_s % 3);
        if t_s <= 100 { format!("{t_s},{y},\n") } else { format!("{t_s},{},c1\n", 1.007 * y) }
    };
    let table: String = (1..=300).map(csv).collect();
    let assessed = Assessed::of(&["--json"], &format!("t_s,Y,correction\n{table}"));
    assert_eq!((assessed.status, assessed.objects().len()), (0, 2));
}

#[test]
fn one_series_mistakes_do_not_cost_another_its_decision() {
    let mut input = String::new();
    for t_s in 1..=200 {
        input += &json_line("good", t_s, u32::MAX);
        match t_s {
            50 => input += "{\"id\":\"bad\",\"t_s\":1,\"Y\":\"100\"}\n",
            60 => input += "{\"id\":\"bad\",\"t_s\":1,\n",
            70 => input += "{\"id\":\"bad\",\"t_s\":7,\"Y\":100}\n{\"id\":\"bad\",\"t_s\":6,\"Y\":100}\n",
            _ => {}
        }
    }
    let assessed = Assessed::of(&["--json"], &input);
    assert_eq!(assessed.status, 1);
    let verdicts: Vec<(Value, Value)> =
        assessed.objects().into_iter().map(|it| (it["id"].clone(), it["verdict"].clone())).collect();
    assert_eq!(verdicts, [(json!("good"), json!("settled")), (json!("bad"), json!("timed_out"))]);
    let in_words = Assessed::of(&[], &input).mistakes;
    let lines: Vec<&str> = in_words.lines().collect();
    assert_eq!((lines.len(), assessed.mistakes.lines().count()), (3, 3), "{lines:?}");
    assert!(
        lines[0].contains("standard input:51: a number is expected for Y, not the text \"100\""),
        "{lines:?}"
    );
    assert!(lines[1].contains("standard input:62: "), "{lines:?}");
    assert!(
        lines[2].contains("standard input:74: series \"bad\": times must rise, but 6 s follows 7 s"),
        "{lines:?}"
    );
}

#[test]
fn a_mistake_made_a_thousand_times_is_told_a_few_times_and_counted() {
    let mut input = String::from("t_s,Y\n");
    for _ in 0..1000 {
        writeln!(input, "1,100").unwrap();
    }
    let assessed = Assessed::of(&["--json"], &input);
    let lines: Vec<&str> = assessed.mistakes.lines().collect();
    assert_eq!((assessed.status, lines.len(), assessed.objects().len()), (1, 4, 1), "{lines:?}");
    assert!(lines[3].contains("996 more lines"), "{lines:?}");
}

#[test]
fn what_holds_no_readings_at_all_ends_with_2_and_a_file_of_another_kind_with_1() {
    for input in ["", "\n\n", "t_s,Y\n", "{\"id\":\"a\",\"end\":true}\n"] {
        let assessed = Assessed::of(&["--json"], input);
        assert_eq!(assessed.status, 2, "{input:?}: {}", assessed.mistakes);
        assert!(assessed.mistakes.contains("no readings"), "{}", assessed.mistakes);
    }
    for (input, expected) in [
        ("id;time;Y\n1;2;3\n", ["standard input:1", "lacks t_s", "\"id\", \"time\", \"Y\""]),
        (
            "id,t_s,lum\n1,2,3\n",
            ["standard input:1", "lacks Y or luminance_cd_m2 or illuminance_lx", "\"lum\""],
        ),
        ("[{\"t_s\":1,\"Y\":2}]\n", ["standard input:1", "JSON list", "one object a line"]),
    ] {
        let assessed = Assessed::of(&[], input);
        assert_eq!(assessed.status, 1, "{}", assessed.mistakes);
        assert!(expected.iter().all(|words| assessed.mistakes.contains(words)), "{}", assessed.mistakes);
    }
    let as_json = Assessed::of(&["--json"], "");
    let error: Value = serde_json::from_str(&as_json.mistakes).unwrap();
    assert!(error["error"]["message"].as_str().unwrap().contains("no readings"), "{error}");
}

#[test]
fn people_get_a_plot_a_sentence_and_the_evidence() {
    let assessed = Assessed::of(&[], &series("panel", 300, 220));
    assert_eq!((assessed.status, assessed.mistakes.as_str()), (0, ""));
    let words = &assessed.words;
    assert!(words.lines().all(|line| line.chars().count() <= 80), "{words}");
    assert!(words.matches("▲ settled after").count() == 2 && words.contains("▽ lost after"), "{words}");
    assert!(words.chars().any(|sign| ('\u{2801}'..='\u{28ff}').contains(&sign)), "{words}");
    for expected in ["panel: ", "cd/m²", "0 s", "299 s", "the band", "noise", "readings", "(allowed: 0.50 %)"]
    {
        assert!(words.contains(expected), "{expected}: {words}");
    }
    assert_eq!(words.matches("Settled").count(), 1, "{words}");
    // The sentence is that of the moment it settled, whatever came after.
    let sentence =
        |words: &str| words[words.find("Settled").unwrap()..words.find("noise").unwrap()].to_owned();
    assert_eq!(sentence(words), sentence(&Assessed::of(&[], &series("panel", 200, 220)).words));
    let ascii = Assessed::of(&["--ascii"], &series("panel", 300, 220)).words;
    assert!(ascii.is_ascii() && ascii.contains('*') && ascii.contains("^ settled after"), "{ascii}");
}

#[test]
fn a_recording_that_is_too_short_says_that_and_not_that_an_hour_has_passed() {
    let words = Assessed::of(&[], &series("a", 3, u32::MAX)).words;
    assert!(words.contains("The recording ends after 2 s: too few readings to judge"), "{words}");
    assert!(!words.contains("60 min"), "{words}");
}

#[test]
fn what_was_lost_in_the_end_does_not_look_settled() {
    let input = series("a", 240, 220);
    let assessed = Assessed::of(&["--json"], &input);
    let decision = assessed.objects().remove(0);
    assert_eq!((assessed.status, &decision["verdict"]), (3, &json!("settled")));
    assert!(decision["lost_s"].as_f64().unwrap() >= 220.0, "{decision}");
    assert_eq!(Assessed::of(&["--events"], &input).status, 3);
    let explained = Assessed::of(&[], &input);
    assert_eq!(explained.status, 3);
    assert!(explained.words.lines().next().unwrap().ends_with("LOST"), "{}", explained.words);
    assert!(explained.words.contains("and not settled again."), "{}", explained.words);
    // Where it settles again at its new level, it is settled at the end.
    let again = Assessed::of(&["--json"], &series("a", 300, 220));
    assert!(again.status == 0 && again.objects()[0].get("lost_s").is_none(), "{}", again.words);
}

#[test]
fn decimal_commas_are_told_of_once_for_the_whole_file() {
    let rows: String = (0..100).map(|t_s| format!("{t_s},5;100,25\n")).collect();
    let assessed = Assessed::of(&["--json"], &format!("t_s;Y\n{rows}"));
    assert_eq!((assessed.status, assessed.words.as_str()), (1, ""));
    let expected = "standard input:2: 100 lines have numbers with a decimal comma and are left out; write decimal points";
    assert!(assessed.mistakes.contains(expected), "{}", assessed.mistakes);
    assert_eq!(assessed.mistakes.lines().count(), 1, "{}", assessed.mistakes);
    let both = Assessed::of(&["--json"], "t_s;Y\n1;100,5\n2;bright\n3;100\n");
    let lines: Vec<&str> = both.mistakes.lines().collect();
    assert!(
        lines.len() == 2 && lines[0].contains(":3: ") && lines[1].contains(":2: 1 line has a number with"),
        "{lines:?}"
    );
}

use super::*;
use crate::review::record::Measurement;

const HEADER: &str = r#"{"review":1,"display":"field monitor 3","meter":"bench","began":"2026-11-27T18:00:00Z","plan":{"title":"white","sets":[]}}"#;
const PATCH: &str = r#"{"entry":"patch","set":"SDR","sequence":"white_black","step":1,"patch":{"name":"white","codes":[1023,1023,1023],"window_percent":10.0},"at":"2026-11-27T18:01:00Z","waited_s":12.0,"verdict":"settled","value":{"y":203.5,"y_u95":0.2,"y_standard":0.1,"coverage_factor":2.0,"degrees_of_freedom":30.0,"n_effective":32.0},"flags":["simulated"]}"#;

fn text(lines: &[&str]) -> String {
    lines.iter().map(|line| format!("{line}\n")).collect()
}

fn mistake(lines: &[&str]) -> Mistake {
    Loaded::of(text(lines).as_bytes()).unwrap_err()
}

fn patch(record: &Record) -> &Measurement {
    match &record.entries[0] {
        Entry::Patch(patch) => patch,
        entry => panic!("{entry:?}"),
    }
}

#[test]
fn a_record_comes_back_as_it_was_written() {
    let loaded = Loaded::of(text(&[HEADER, PATCH]).as_bytes()).unwrap();
    assert_eq!(loaded.torn, None);
    assert_eq!(loaded.record.header.display, "field monitor 3");
    assert_eq!(patch(&loaded.record).light().unwrap().luminance, 203.5);
    let header = serde_json::to_string(&loaded.record.header).unwrap();
    let entry = serde_json::to_string(&loaded.record.entries[0]).unwrap();
    assert_eq!(Loaded::of(text(&[&header, &entry]).as_bytes()).unwrap().record, loaded.record);
}

#[test]
fn wherever_the_last_line_is_cut_off_the_others_are_read_and_it_is_said() {
    let whole = text(&[HEADER, PATCH]);
    let kept = whole.len();
    for cut in 1..PATCH.len() {
        let bytes = format!("{whole}{}", &PATCH[..cut]).into_bytes();
        let loaded = Loaded::of(&bytes).unwrap();
        assert_eq!((loaded.record.entries.len(), loaded.whole, loaded.torn), (1, kept, Some(3)));
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("torn.jsonl");
    std::fs::write(&path, format!("{whole}{{\"entry\":")).unwrap();
    let record = Record::read(&path).unwrap();
    assert!(
        matches!(&record.entries[1], Entry::Note { at, words } if *at == patch(&record).at && words.contains("line 3"))
    );
}

#[test]
fn zeros_that_a_power_cut_leaves_at_the_end_are_a_line_that_was_cut_off() {
    let mut bytes = text(&[HEADER, PATCH]).into_bytes();
    bytes.extend([0; 4096]);
    assert_eq!(Loaded::of(&bytes).unwrap().torn, Some(3));
}

#[test]
fn a_mistake_is_told_with_its_line_and_member() {
    let wrong = PATCH.replace(r#""y_u95":0.2"#, r#""y_u95":"much""#);
    let found = mistake(&[HEADER, PATCH, &wrong]);
    assert_eq!((found.line, found.member.as_str()), (3, "value.y_u95"));
    assert!(found.why.starts_with("expected a number, found string \"much\" (column "), "{found}");
    let wrong = PATCH.replace("[1023,1023,1023]", "5");
    assert!(mistake(&[HEADER, &wrong]).why.starts_with("expected a list, found integer `5`"));
    for line in ["title = \"T\"", "[[set]]", "{\"entry\"", ""] {
        let found = mistake(&["", line, "x"]);
        assert!(found.why.starts_with("this isn't written as lines of a record are"), "{line}: {found}");
    }
    let wrong = PATCH.replace(r#""step":1,"#, "");
    let found = mistake(&[HEADER, &wrong]);
    assert!(found.line == 2 && found.why.starts_with("step is missing"), "{found}");
    let found = mistake(&[HEADER, r#"{"entry":"poem"}"#]);
    assert!(found.line == 2 && found.why.contains("poem"), "{found}");
    let found = mistake(&[HEADER, &format!("{PATCH}{PATCH}")]);
    assert_eq!(found.line, 2);
}

#[test]
fn what_is_no_record_or_of_another_form_is_refused() {
    assert!(Loaded::of(b"").unwrap_err().why.contains("header"));
    assert!(Loaded::of(HEADER.as_bytes()).unwrap_err().why.contains("header"), "it was cut off itself");
    assert!(mistake(&[r#"{"t_s":1,"Y":100}"#]).why.contains("review"));
    let later = HEADER.replace(r#""review":1"#, r#""review":2"#);
    assert!(mistake(&[&later]).why.contains("form 2"));
    let missing = Record::read(Path::new("nowhere.jsonl")).unwrap_err();
    assert!(matches!(missing, ReadError::File { .. }) && missing.to_string().contains("nowhere.jsonl"));
}

#[test]
fn what_would_control_a_terminal_is_replaced_and_all_else_is_as_it_was() {
    let hostile = PATCH.replace("\"name\":\"white\"", r#""name":"white \u001b[2J\u0000 \\n \u009b31m é""#);
    assert_ne!(hostile, PATCH);
    let loaded =
        Loaded::of(text(&[&HEADER.replace("monitor 3", r"monitor\n3"), &hostile]).as_bytes()).unwrap();
    let name = &patch(&loaded.record).patch.name;
    assert_eq!(name, "white \u{fffd}[2J\u{fffd} \\n \u{fffd}31m é");
    assert_eq!(loaded.record.header.display, "field monitor\u{fffd}3");
    let plain = Loaded::of(text(&[HEADER, PATCH]).as_bytes()).unwrap();
    let renamed = patch(&loaded.record).clone();
    let renamed = Measurement { patch: patch(&plain.record).patch.clone(), ..renamed };
    assert_eq!(&renamed, patch(&plain.record));
}

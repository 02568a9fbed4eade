//! `settle review stimuli`: files that programs of others read as what was planned.

use std::io::Read;
use std::path::Path;
use std::process::{Command, Output};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};

use crate::outside::python;
use crate::support::daemon::{program, wait_until};

const PLAN: &str = r#"
title = "Returned batch, media files"
[[set]]
name = "HDR PQ"
transfer = "pq"
primaries = "bt2020"
range = "narrow"
[[set.sequence]]
kind = "primaries"
background = 0.1
[[set.sequence]]
kind = "uniformity"
[[set.sequence]]
kind = "ambient"
[[set]]
name = "SDR"
transfer = "bt1886"
primaries = "bt709"
[[set.sequence]]
kind = "grey"
steps = 5
"#;

/// The daemon isn't needed.
fn settle(arguments: &[&str]) -> Output {
    Command::new(program("settle")).args(["--socket", "/nowhere/socket"]).args(arguments).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

/// Writes the plan's files, and has them read by others.
fn written(folder: &Path, options: &[&str]) -> (Value, Vec<Value>) {
    let (plan, into) = (folder.join("plan.toml"), folder.join("made"));
    std::fs::write(&plan, PLAN).unwrap();
    let mut arguments =
        vec!["--json", "review", "stimuli", plan.to_str().unwrap(), "--into", into.to_str().unwrap()];
    arguments.extend(options);
    let output = settle(&arguments);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("stimuli/read.py");
    let read = Command::new(python()).arg("-B").arg(script).arg(into.join("index.csv")).output().unwrap();
    assert!(read.status.success(), "{}", text(&read.stderr));
    let lines = text(&read.stdout).lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    (serde_json::from_slice(&output.stdout).unwrap(), lines)
}

fn number(index: &Value, column: &str) -> u64 {
    index[column].as_str().unwrap().parse().unwrap()
}

fn numbers(index: &Value, columns: [&str; 3]) -> Vec<u64> {
    columns.map(|column| number(index, column)).to_vec()
}

fn stored(index: &Value) -> [Vec<u64>; 2] {
    [
        numbers(index, ["stored_1", "stored_2", "stored_3"]),
        numbers(index, ["stored_background_1", "stored_background_2", "stored_background_3"]),
    ]
}

/// The window, its edges and what is beside it are where and what the index says.
fn assert_pixels(line: &Value) {
    let [window, beside] = stored(&line["index"]);
    assert_eq!(line["window"], json!([window, window]), "{line}");
    for pixel in line["beside"].as_array().unwrap() {
        assert_eq!(*pixel, json!(beside), "{line}");
    }
}

#[test]
fn pictures_have_the_values_and_say_the_meaning_that_was_planned_and_two_libraries_agree() {
    let folder = tempfile::tempdir().unwrap();
    let (told, lines) = written(folder.path(), &["--size", "640x360"]);
    // White and black of both sets, 7 colours, one field for 15 places, 5 greys; the dark room has none.
    let (stimuli, files) = (2 + 7 + 15 + 1 + 2 + 5, 2 + 7 + 1 + 2 + 5);
    assert_eq!((&told["stimuli"]["stimuli"], &told["stimuli"]["files"]), (&json!(stimuli), &json!(files)));
    assert_eq!(told["stimuli"]["inexact"], json!(0));
    assert_eq!(lines.len(), stimuli - 1);
    for line in &lines {
        let index = &line["index"];
        let is_hdr = index["set"] == "HDR PQ";
        // ITU-T H.273: BT.2020, ST 2084, R′G′B′; BT.709, its transfer.
        let points = if is_hdr { [9, 16, 0] } else { [1, 1, 0] };
        assert_eq!(line["cicp"], json!([[points[0], points[1], points[2], 1]]), "{line}");
        // What FFmpeg makes of it; 2 is its number of full range.
        assert_eq!(line["meaning"], json!([points[0], points[1], points[2], 2]), "{line}");
        let chunks: Vec<&str> = line["chunks"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
        assert_eq!((chunks[0], chunks[1], chunks.last()), ("IHDR", "cICP", Some(&"IEND")));
        assert_eq!((&line["bits"], &line["size"]), (&json!(16), &json!([640, 360])));
        assert_eq!(line["by_another"], line["window"][0], "{line}");
        assert_pixels(line);
        // ITU-R BT.2100-2, table 9: from 64 to 940 narrow, to 1023 full.
        for (code, stored) in numbers(index, ["r", "g", "b"]).iter().zip(&stored(index)[0]) {
            let signal = if is_hdr { (*code as f64 - 64.0) / 876.0 } else { *code as f64 / 1023.0 };
            assert!((*stored as f64 - 65_535.0 * signal).abs() <= 0.5, "{line}");
        }
    }
    let small = lines.iter().find(|line| line["index"]["name"] == "red").unwrap();
    // 10 % of the area.
    let share = (number(&small["index"], "window_width") * number(&small["index"], "window_height")) as f64
        / (640.0 * 360.0);
    assert!((share - 0.1).abs() < 0.001 && !small["beside"].as_array().unwrap().is_empty(), "{share}");
}

#[test]
fn videos_have_the_format_frames_and_values_that_were_planned() {
    let folder = tempfile::tempdir().unwrap();
    let options = ["--y4m", "--size", "320x180", "--length", "0.1s", "--rate", "30000/1001"];
    let (told, lines) = written(folder.path(), &options);
    assert!(told["stimuli"]["inexact"].as_u64().unwrap() <= 6, "{told}");
    for line in &lines {
        let index = &line["index"];
        let is_hdr = index["set"] == "HDR PQ";
        assert_eq!((&line["format"], &line["size"]), (&json!("yuv444p10le"), &json!([320, 180])));
        assert_eq!((&line["frames"], &line["rate"]), (&json!(3), &json!("30000/1001")));
        // FFmpeg's numbers: 1 is narrow, 2 full. Nothing else is in such a file.
        assert_eq!(line["meaning"][3], json!(if is_hdr { 1 } else { 2 }), "{line}");
        assert_pixels(line);
    }
    let value = |name: &str| {
        let line =
            lines.iter().find(|line| line["index"]["name"] == name && line["index"]["set"] == "HDR PQ");
        line.unwrap()["window"][0].clone()
    };
    assert_eq!([value("white"), value("black")], [json!([940, 512, 512]), json!([64, 512, 512])]);
    // ITU-R BT.2020-2, tables 4 and 5, by hand: Y′ 0.2627, Cr 0.5, Cb −0.2627/1.8814.
    assert_eq!(value("red"), json!([294, 387, 960]));
}

#[test]
fn what_is_there_is_not_overwritten_and_what_goes_wrong_leaves_nothing_behind() {
    let folder = tempfile::tempdir().unwrap();
    let into = folder.path().join("made");
    let arguments = ["review", "stimuli", "sdr-quick", "--into", into.to_str().unwrap()];
    let refused = |more: &[&str], words: &str, code: i32| {
        let output = settle(&[&arguments[..], more].concat());
        let said = text(&output.stderr);
        assert_eq!(output.status.code(), Some(code), "{said}");
        assert!(said.contains(words), "{said}");
    };
    refused(&["--set", "HDR"], "no \"HDR\"", 2);
    refused(&["--frames", "2"], "--y4m", 2);
    refused(&["--y4m", "--frames", "1000000", "--size", "8192x8192"], "are left there", 1);
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    assert_eq!(settle(&[&arguments[..], &["--size", "64x36"]].concat()).status.code(), Some(0));
    let made = std::fs::read(into.join("index.csv")).unwrap();
    refused(&[], "is there already", 2);
    assert_eq!(std::fs::read(into.join("index.csv")).unwrap(), made);
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
}

#[test]
fn ctrl_c_ends_a_long_video_and_leaves_nothing_behind() {
    let folder = tempfile::tempdir().unwrap();
    let into = folder.path().join("made");
    let mut child = Command::new(program("settle"))
        .args(["review", "stimuli", "sdr-quick", "--y4m", "--size", "64x36", "--frames", "5000"])
        .arg("--into")
        .arg(&into)
        .spawn()
        .unwrap();
    let has_begun = || std::fs::read_dir(folder.path()).unwrap().count() == 1;
    wait_until("it has begun", has_begun);
    assert!(!into.exists());
    kill(Pid::from_raw(child.id().try_into().unwrap()), Signal::SIGINT).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(130));
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn on_a_terminal_it_tells_how_far_it_is_and_how_long_it_still_takes() {
    let folder = tempfile::tempdir().unwrap();
    let terminal = nix::pty::openpty(None, None).unwrap();
    let mut child = Command::new(program("settle"))
        .args(["review", "stimuli", "sdr-full", "--into"])
        .arg(folder.path().join("made"))
        .stderr(terminal.slave)
        .spawn()
        .unwrap();
    let mut screen = std::fs::File::from(terminal.master);
    let (mut said, mut bytes) = (String::new(), [0; 4096]);
    while !(said.contains(" of 398 frames, ") && said.contains(" left")) {
        let count = screen.read(&mut bytes).expect("more of it");
        said += &text(&bytes[..count]);
    }
    kill(Pid::from_raw(child.id().try_into().unwrap()), Signal::SIGINT).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(130));
}

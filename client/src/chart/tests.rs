use crate::course::tests::{course as bins, event};
use crate::zone::Zone;

use super::scene::{Form, Scene, Shape};
use super::*;

const SIZE: (f64, f64) = (960.0, 600.0);

/// A night of eight hours with two hours without readings, and what happened.
fn night() -> crate::course::Course {
    let minutes: Vec<u64> = (0..200).chain(320..500).collect();
    let mut night = bins(&minutes);
    night.events = vec![
        event("run_started", 0),
        event("meter_gone", 200),
        event("meter_ready", 319),
        event("clock_step", 400),
        event("run_ended", 499),
    ];
    night
}

fn of<'a>(scene: &'a Scene, role: &'a str) -> impl Iterator<Item = &'a Shape> {
    scene.shapes.iter().filter(move |shape| shape.role == role)
}

fn points(shape: &Shape) -> &[(f64, f64)] {
    match &shape.form {
        Form::Line { points, .. } | Form::Area { points, .. } => points,
        Form::Dot { .. } | Form::Words { .. } => &[],
    }
}

#[test]
fn a_course_has_a_point_for_each_bin_and_none_in_its_gaps() {
    let scene = course(&night(), &Zone::utc(), SIZE).unwrap();
    for role in ["value", "u", "v"] {
        let lengths: Vec<usize> = of(&scene, role).map(|shape| points(shape).len()).collect();
        assert_eq!(lengths, [200, 180], "{role}");
    }
    assert_eq!(of(&scene, "range").map(|shape| points(shape).len()).collect::<Vec<_>>(), [400, 360]);
    // One gap, in both panels: neither line nor range reaches into it.
    let gaps: Vec<(f64, f64)> = of(&scene, "gap").map(|gap| (points(gap)[0].0, points(gap)[1].0)).collect();
    assert!(gaps.len() == 2 && gaps[0] == gaps[1] && gaps[0].1 - gaps[0].0 > 100.0, "{gaps:?}");
    let drawn = ["value", "range", "u", "v"].into_iter().flat_map(|role| of(&scene, role).flat_map(points));
    assert!(drawn.into_iter().all(|(x, _)| *x <= gaps[0].0 || *x >= gaps[0].1));
    // All of it is within the picture.
    for shape in &scene.shapes {
        for (x, y) in points(shape) {
            assert!((0.0..=SIZE.0).contains(x) && (0.0..=SIZE.1).contains(y), "{shape:?}");
        }
    }
}

#[test]
fn what_happened_is_marked_and_named_and_what_is_simulated_says_so() {
    let scene = course(&night(), &Zone::utc(), SIZE).unwrap();
    assert_eq!(of(&scene, "event").count(), 5);
    let words: Vec<&str> = scene
        .shapes
        .iter()
        .filter_map(|shape| match &shape.form {
            Form::Words { text, .. } => Some(text.as_str()),
            _ => None,
        })
        .collect();
    let all = words.join("\n");
    for expected in [
        "SIMULATED",
        "b  meter gone",
        "grey  no readings (2.0 h in all)",
        "luminance, cd/m²",
        "UTC, 2026-11-26 to 2026-11-27",
        "20:00",
        "27 Nov",
    ] {
        assert!(all.contains(expected), "{expected}\n{all}");
    }
    assert!(
        scene.description.contains("SIMULATED")
            && scene.description.contains("no readings from 2026-11-26T21:20"),
        "{}",
        scene.description
    );
}

#[test]
fn a_course_of_one_point_or_without_colour_is_drawn_too() {
    let mut one = bins(&[5]);
    one.bins[0].chromaticity = None;
    let scene = course(&one, &Zone::utc(), (320.0, 320.0)).unwrap();
    assert_eq!((of(&scene, "value").count(), of(&scene, "u").count()), (1, 0));
    assert!(!svg(&scene).contains("NaN") && png(&scene).is_ok());
}

/// Colours are told apart by their lightness too, where a picture is printed in grey (luma of ITU-R BT.601), or lines by their dashes.
#[test]
fn lines_of_one_panel_are_told_apart_without_colour() {
    let scene = course(&night(), &Zone::utc(), SIZE).unwrap();
    let dash = |role: &str| match &of(&scene, role).next().unwrap().form {
        Form::Line { dash, .. } => *dash,
        _ => panic!("no line"),
    };
    assert!(dash("u").is_none() && dash("v").is_some());
}

#[test]
fn a_png_holds_what_the_picture_does_at_two_pixels_a_unit() {
    let scene = course(&night(), &Zone::utc(), SIZE).unwrap();
    let file = png(&scene).unwrap();
    let mut reader = ::png::Decoder::new(std::io::Cursor::new(&file)).read_info().unwrap();
    let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
    let frame = reader.next_frame(&mut pixels).unwrap();
    assert_eq!((frame.width, frame.height), (1920, 1200));
    let title = reader.info().utf8_text.iter().find(|text| text.keyword == "Title").unwrap();
    assert_eq!(title.get_text().unwrap(), "bench");
    let at = |x: f64, y: f64| {
        let index = ((2.0 * y) as usize * 1920 + (2.0 * x) as usize) * 3;
        (pixels[index], pixels[index + 1], pixels[index + 2])
    };
    let line = of(&scene, "value").next().unwrap();
    let (x, y) = points(line)[100];
    let (red, _, blue) = at(x, y);
    assert!(blue > red + 60, "the line is blue at {x}, {y}");
    let gap = points(of(&scene, "gap").next().unwrap());
    let x = gap[0].0 + 0.37 * (gap[1].0 - gap[0].0);
    let (top, bottom) = (gap[0].1 as usize, gap[2].1 as usize);
    let grey = (top..bottom).filter(|y| at(x, *y as f64) == (238, 238, 238)).count();
    assert!(2 * grey > bottom - top, "the gap is grey but for the grid: {grey}");
    assert_eq!(at(1.0, 1.0), (255, 255, 255));
    // Words are drawn although nobody has installed a font.
    let title = |x: usize, y: usize| pixels[(y * 1920 + x) * 3] < 128;
    assert!((168..300).any(|x| (20..54).any(|y| title(x, y))));
}

#[test]
fn where_a_warm_up_settled_is_marked_with_its_interval_and_told() {
    let level = crate::course::Level { at: event("run_ended", 500).at, value: 243.0, u95: 0.25 };
    let warm = crate::course::Course { settled: Some(level), ..night() };
    let scene = course(&warm, &Zone::utc(), SIZE).unwrap();
    let lines: Vec<&[(f64, f64)]> =
        of(&scene, "settled").map(points).filter(|points| !points.is_empty()).collect();
    assert_eq!((lines.len(), of(&scene, "settled").count()), (3, 4));
    // At the right edge, within the panel though no reading is so high.
    assert!(lines[0].iter().all(|(x, y)| (*x - 936.0).abs() < 1.0 && *y > 72.0), "{lines:?}");
    let told = "settled at 243.00 ± 0.25 cd/m²";
    assert!(scene.shapes.iter().any(
        |shape| matches!(&shape.form, Form::Words { text, .. } if text.contains(&format!("green  {told}")))
    ));
    assert!(scene.description.contains(&format!("it {told}, with 95 %")), "{}", scene.description);
    assert_eq!(of(&course(&night(), &Zone::utc(), SIZE).unwrap(), "settled").count(), 0);
}

#[test]
fn an_allan_deviation_has_its_intervals_and_noises() {
    let statistics = serde_json::json!({
        "meter": "bench", "quantity": "luminance", "count": 720, "thinned": 0, "first": 1, "last": 720,
        "since": "2026-11-26T18:00:00Z", "until": "2026-11-27T06:00:00Z", "span_s": 43_200, "gaps": 0, "gap_s": 0, "bin_s": 60,
        "value": {"count": 720, "mean": 200, "min": 199, "max": 201, "allan": [
            {"tau_s": 60, "deviation": 0.1, "low": 0.09, "high": 0.11, "count": 700, "noise": "white"},
            {"tau_s": 120, "deviation": 0.07, "low": 0.06, "high": 0.08, "count": 700, "noise": "white"},
            {"tau_s": 3600, "deviation": 0.05, "low": 0.03, "high": 0.11, "count": 100, "noise": "random_walk"},
        ]},
        "flags": ["simulated"], "corrections": [], "message": "m",
    });
    let mut statistics = serde_json::from_value(statistics).unwrap();
    let scene = allan("run 7", &statistics, SIZE).unwrap().unwrap();
    assert_eq!((of(&scene, "point").count(), of(&scene, "interval").count()), (3, 9));
    let text = svg(&scene);
    for words in
        ["run 7: Allan deviation", "white", "random walk", "SIMULATED", "averaging time", "deviation, cd/m²"]
    {
        assert!(text.contains(words), "{words}\n{text}");
    }
    assert!(png(&scene).is_ok());
    statistics.value.allan.clear();
    assert!(allan("run 7", &statistics, SIZE).unwrap().is_none());
}

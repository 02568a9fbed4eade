use settled_protocol::quantity::Chromaticity;

use super::*;
use crate::chart::scene::Form;
use crate::evaluate::figure::Figure;
use crate::report::html::html;
use crate::review::evaluation::tests::{patch, record};

/// A white that was tinted, and one that is right, of a display that is called that.
fn two(display: &str) -> [Record; 2] {
    let (mut a, mut b) = (record(), record());
    let tinted = patch(&mut a, "white_black", "white").value.as_mut().unwrap();
    let colour = tinted.chromaticity.unwrap();
    tinted.chromaticity = Some(Chromaticity::from_uv(colour.u_prime() + 0.02, colour.v_prime()).unwrap());
    for record in [&mut a, &mut b] {
        record.header.display = display.to_owned();
    }
    [a, b]
}

fn made([a, b]: &[Record; 2]) -> (Comparison, Document) {
    let (comparison, evaluations) = Comparison::with_evaluations(a, b);
    let document = document([a, b], &comparison, &evaluations).unwrap();
    (comparison, document)
}

#[test]
fn what_changed_comes_first_with_its_counts_and_cautions_and_both_curves_are_in_each_picture() {
    let (comparison, document) = made(&two("field monitor 4"));
    assert_eq!(
        (document.title.as_str(), document.marks.as_slice()),
        ("field monitor 4, measured twice", &["SIMULATED".to_owned()][..])
    );
    assert!(document.lead.starts_with(&words::counts(&comparison.rows)), "{}", document.lead);
    assert!(document.first.iter().any(|words| words.contains("put down")), "{:?}", document.first);
    let white =
        document.summary.iter().find(|statement| statement.words.starts_with("white, Δu′v′")).unwrap();
    assert_eq!((white.tone, white.verdict.as_str()), (Tone::Good, "better"));
    let overview = &document.sections[0].plots[0];
    assert!(overview.scene.description.contains("better: "), "{}", overview.scene.description);
    let drawn = |role: &str| overview.scene.shapes.iter().filter(|shape| shape.role == role).count();
    assert!(drawn("difference") > 3);
    // Whatever reaches into the axis has a line, though what it is of lies beyond it; what lies beyond as a whole has none.
    let reaches = |row: &&crate::review::compare::Row| {
        let Figure { value, low, high, .. } = row.difference;
        let one = comparison.factor * if value > 0.0 { value - low } else { high - value };
        low / one < 4.0 && high / one > -4.0
    };
    let reach = comparison.rows.iter().filter(reaches).count();
    assert!(reach < comparison.rows.len() && drawn("interval") == reach, "{reach}");
    let names: Vec<&str> = document.plots().map(|plot| plot.name.as_str()).collect();
    assert!(names.len() > 1, "{names:?}");
    for plot in document.plots() {
        assert!(
            plot.scene.description.starts_with("SIMULATED data. ") && !plot.caption.is_empty(),
            "{plot:?}"
        );
    }
    let mut once = names.clone();
    once.sort_unstable();
    once.dedup();
    assert_eq!(once.len(), names.len(), "each has a file of its own: {names:?}");
}

#[test]
fn what_is_beyond_the_axis_of_all_differences_has_no_dot_there_but_an_arrowhead_and_is_counted() {
    let (comparison, document) = made(&two("field monitor 4"));
    let overview = &document.sections[0].plots[0];
    let of = |role: &'static str| overview.scene.shapes.iter().filter(move |shape| shape.role == role);
    let beyond = of("beyond").count();
    assert!(beyond > 0 && of("difference").count() + beyond == comparison.rows.len());
    // Its tip is at an edge and points outwards; no dot is there.
    let edges = [24.0 + 330.0, 720.0 - 24.0];
    for shape in of("beyond") {
        let Form::Area { points, .. } = &shape.form else { panic!("{shape:?}") };
        let edge = edges.iter().find(|edge| (points[0].0 - **edge).abs() < 0.01).unwrap();
        let inwards = |x: f64| (x - edge).abs() > 5.0 && (edges[0]..edges[1]).contains(&x);
        assert!(inwards(points[1].0) && inwards(points[2].0), "{points:?}");
    }
    for shape in of("difference") {
        let Form::Dot { at, .. } = &shape.form else { panic!("{shape:?}") };
        assert!(at.0 >= edges[0] && at.0 <= edges[1], "{at:?}");
    }
    let keys =
        of("label").filter(|shape| matches!(&shape.form, Form::Words { text, .. } if text == "beyond 4"));
    assert_eq!(keys.count(), 1);
    let told = super::overview::farther(beyond);
    assert!(told.contains(&beyond.to_string()) && overview.scene.description.ends_with(&told), "{told}");
    assert!(overview.caption.contains(told.trim()), "{}", overview.caption);
}

#[test]
fn the_law_that_greys_are_held_against_is_drawn_between_their_steps_too() {
    let (_, document) = made(&two("field monitor 4"));
    let [a, _] = two("field monitor 4");
    let single = crate::report::review::document(&a, &Evaluation::of(&a)).unwrap();
    for document in [&document, &single] {
        let plot = document.plots().find(|plot| plot.name.ends_with("grey-light")).unwrap();
        let aims: Vec<usize> = plot
            .scene
            .shapes
            .iter()
            .filter(|shape| shape.role == "aim")
            .filter_map(|shape| match &shape.form {
                Form::Line { points, .. } => Some(points.len()),
                _ => None,
            })
            .collect();
        assert!(aims[0] > 90, "{aims:?}");
        // Straight lines from one measured grey to the next would run beside it: only the errors of two reviews are joined.
        let joined = plot.scene.shapes.iter().filter(|shape| shape.role == "course");
        let joined =
            joined.filter(|shape| matches!(&shape.form, Form::Line { points, .. } if points.len() > 2));
        assert_eq!(joined.count(), if document.title.contains("twice") { 2 } else { 0 });
    }
}

#[test]
fn the_axis_of_local_gamma_holds_every_interval_to_both_of_its_ends() {
    let [mut a, _] = two("field monitor 4");
    patch(&mut a, "grey", "grey 90 %").value.as_mut().unwrap().y_u95 = 1.9;
    let document = crate::report::review::document(&a, &Evaluation::of(&a)).unwrap();
    let plot = document.plots().find(|plot| plot.name.ends_with("grey-light")).unwrap();
    let lines = |role: &'static str| {
        plot.scene.shapes.iter().filter(move |shape| shape.role == role).filter_map(|shape| {
            match &shape.form {
                Form::Line { points, .. } => Some(points.clone()),
                _ => None,
            }
        })
    };
    let frame = lines("frame").next_back().unwrap();
    let (top, bottom) = (frame[0].1, frame[2].1);
    // Bars of the lowest panel: each is closed at both ends, within the frame.
    let low = lines("interval").filter(|points| points.iter().all(|(_, y)| (top..bottom).contains(y)));
    let (bars, caps): (Vec<_>, Vec<_>) = low.partition(|points| (points[0].0 - points[1].0).abs() < 0.01);
    let tall = bars.iter().filter(|points| (points[0].1 - points[1].1).abs() > 2.0).count();
    assert!(tall > 0 && caps.len() == 2 * tall, "{tall} bars, {} ends", caps.len());
}

#[test]
fn what_one_review_rests_on_that_had_not_settled_is_said_first() {
    let mut both = two("field monitor 4");
    let dim = patch(&mut both[1], "grey", "grey 10 %");
    dim.verdict = settled_protocol::settling::Verdict::TimedOut;
    let (comparison, document) = made(&both);
    let told: Vec<&String> = document.first.iter().filter(|words| words.contains("not settled")).collect();
    let [told] = told.as_slice() else { panic!("{:?}", document.first) };
    assert!(told.starts_with("in B ") && told.ends_with("SDR, grey: grey 10 % (timed out)"), "{told}");
    assert_eq!(document.first, comparison.cautions);
    // In a report of that one alone it comes first too.
    let single = crate::report::review::document(&both[1], &Evaluation::of(&both[1])).unwrap();
    let [first] = single.first.as_slice() else { panic!("{:?}", single.first) };
    assert!(
        first.starts_with("figures rest on light that had not settled") && told.ends_with(first.as_str()),
        "{first}"
    );
    let settled = crate::report::review::document(&both[0], &Evaluation::of(&both[0])).unwrap();
    assert_eq!(settled.first, [""; 0]);
    assert!(made(&two("field monitor 4")).0.cautions.iter().all(|words| !words.contains("not settled")));
}

#[test]
fn why_nothing_is_better_or_worse_is_said_once_for_all_of_it() {
    let mut both = two("field monitor 4");
    for (name, record) in ["field monitor 4", "field monitor 5"].into_iter().zip(&mut both) {
        record.header.display = name.to_owned();
        (record.header.luminance_u, record.header.chromaticity_u) = (None, None);
    }
    for name in ["red", "green", "blue"] {
        let moved = patch(&mut both[0], "primaries", name).value.as_mut().unwrap();
        let colour = moved.chromaticity.unwrap();
        moved.chromaticity = Chromaticity::from_uv(colour.u_prime(), colour.v_prime() - 0.02).ok();
    }
    let (comparison, document) = made(&both);
    let open = comparison.rows.iter().filter(|row| row.why == Some(crate::review::compare::Why::Calibration));
    assert!(open.count() > 2);
    let page = html(&document);
    assert_eq!(page.matches("its calibration was not stated").count(), 1, "{}", document.lead);
}

#[test]
fn figures_are_the_same_in_the_document_in_json_and_in_csv() {
    let (comparison, document) = made(&two("field monitor 4"));
    let rows = rows(&comparison);
    assert_eq!(rows.len(), 3 * comparison.rows.len());
    let json = serde_json::to_value(&comparison).unwrap();
    for (row, three) in json["rows"].as_array().unwrap().iter().zip(rows.chunks(3)) {
        for (member, told) in ["a", "b", "difference"].into_iter().zip(three) {
            assert_eq!((row[member]["value"].as_f64(), row[member]["low"].as_f64()), (told.value, told.low));
        }
        assert_eq!(row["change"], three[2].verdict.as_str());
    }
    let tables = document.sections.iter().flat_map(|section| &section.tables);
    assert_eq!(tables.map(|table| table.rows.len()).sum::<usize>(), comparison.rows.len());
}

#[test]
fn whatever_a_display_is_called_is_text() {
    let (_, document) = made(&two("</title><script>alert(1)</script>"));
    let page = html(&document);
    assert!(page.contains("&lt;script&gt;") && !page.contains("<script"));
}

use settled_protocol::quantity::Chromaticity;

use super::*;
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
    assert!(drawn("difference") > 3 && drawn("difference") == drawn("interval"));
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

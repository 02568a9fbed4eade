use super::*;
use crate::chart::scene::Form;
use crate::chart::{BLUE, GREEN};
use crate::evaluate::figure::Figure;

fn picture(plane: Plane) -> Scene {
    let picture = Picture {
        title: "a title".to_owned(),
        caution: "SIMULATED".to_owned(),
        planes: vec![plane],
        ..Picture::default()
    };
    picture.scene().unwrap()
}

fn plane() -> Plane {
    Plane::new(Axis::even("signal, %", (0.0, 100.0)), Axis::decades("cd/m²", [0.1, 100.0]), 200.0)
}

fn of<'a>(scene: &'a Scene, role: &'a str) -> Vec<&'a Form> {
    scene.shapes.iter().filter(|shape| shape.role == role).map(|shape| &shape.form).collect()
}

fn points(form: &Form) -> Vec<(f64, f64)> {
    match form {
        Form::Line { points, .. } | Form::Area { points, .. } => points.clone(),
        Form::Dot { at, .. } | Form::Words { at, .. } => vec![*at],
    }
}

#[test]
fn what_is_beyond_an_axis_is_not_drawn_elsewhere_and_its_interval_is_not_closed_there() {
    let figure = Figure::between;
    let figures =
        [(20.0, figure(1.0, 0.5, 2.0)), (50.0, figure(10.0, 0.0, 20.0)), (80.0, figure(1e6, 1e5, 1e7))];
    let scene = picture(plane().figures("value", "", BLUE, figures));
    // Two values are on the axis. An interval is a line and two ends; that which goes down to no light has one end, that beyond the axis none.
    assert_eq!(of(&scene, "value").len(), 2);
    assert_eq!(of(&scene, "interval").len(), 3 + 2 + 1);
    for shape in &scene.shapes {
        for (x, y) in points(&shape.form) {
            assert!((0.0..=scene.size.0).contains(&x) && (0.0..=scene.size.1).contains(&y), "{shape:?}");
        }
    }
}

#[test]
fn many_figures_have_a_band_for_their_intervals_and_few_have_bars() {
    let many = |count: u32| (0..count).map(|at| (f64::from(at), Figure::around(10.0, 1.0)));
    let areas =
        |scene: &Scene| of(scene, "interval").iter().filter(|form| matches!(form, Form::Area { .. })).count();
    assert_eq!(areas(&picture(plane().figures("value", "", BLUE, many(20)))), 0);
    let scene = picture(plane().figures("value", "", BLUE, many(90)));
    assert_eq!((areas(&scene), of(&scene, "value").len()), (1, 90));
}

#[test]
fn what_has_the_same_key_shares_a_line_of_the_legend_and_what_has_none_is_not_in_it() {
    let scene = picture(
        plane()
            .line("aim", "the aim", GREEN, [(0.0, 1.0), (100.0, 10.0)], None)
            .figures("value", "measured", BLUE, [(50.0, Figure::around(10.0, 1.0))])
            .level("limit", "", GREEN, 5.0),
    );
    let words = of(&scene, "label").into_iter().filter_map(|form| match form {
        Form::Words { text, .. } => Some(text.as_str()),
        _ => None,
    });
    let words: Vec<&str> = words.collect();
    assert_eq!(words.iter().filter(|word| ["the aim", "measured"].contains(word)).count(), 2);
    assert!(words.contains(&"signal, %") && words.contains(&"cd/m²") && words.contains(&"100"), "{words:?}");
    // A line for the aim, a bar and a disc for what was measured.
    assert_eq!(of(&scene, "key").len(), 3);
    assert_eq!(of(&scene, "caution").len(), 1);
}

#[test]
fn a_diagram_of_colours_has_steps_as_long_along_both_axes() {
    let mut plane = Plane::new(Axis::even("u′", (0.0, 0.6)), Axis::even("v′", (0.0, 0.5)), 300.0);
    plane.square = true;
    let scene = picture(plane.line("diagonal", "", BLUE, [(0.1, 0.1), (0.4, 0.4)], None));
    let ends = points(of(&scene, "diagonal")[0]);
    let (across, down) = (ends[1].0 - ends[0].0, ends[0].1 - ends[1].1);
    assert!((across - down).abs() < 1e-9 && across > 100.0, "{ends:?}");
}

#[test]
fn names_of_corners_lie_on_none_of_the_lines_between_them() {
    let corners = [(0.45, 0.52), (0.12, 0.56), (0.18, 0.16), (0.14, 0.40), (0.30, 0.31), (0.25, 0.545)];
    let middle = (0.24, 0.42);
    let mut plane = Plane::new(Axis::even("u′", (0.0, 0.63)), Axis::even("v′", (0.0, 0.62)), 400.0);
    plane.square = true;
    let around = [0, 5, 1, 3, 2, 4, 0].map(|index: usize| corners[index]);
    plane = plane.line("gamut", "", BLUE, around, None);
    for (at, name) in corners.into_iter().zip(["red", "green", "blue", "cyan", "magenta", "yellow"]) {
        plane = plane.with("name", "", BLUE, Mark::Words { at, text: name.to_owned(), from: Some(middle) });
    }
    let scene = picture(plane);
    let face = Face::new().unwrap();
    let line = points(of(&scene, "gamut")[0]);
    let along = line.windows(2).flat_map(|ends| {
        let [one, other] = [ends[0], ends[1]];
        (0..=200).map(move |step| {
            let share = f64::from(step) / 200.0;
            (one.0 + share * (other.0 - one.0), one.1 + share * (other.1 - one.1))
        })
    });
    let along: Vec<(f64, f64)> = along.collect();
    assert_eq!(of(&scene, "name").len(), 6);
    for form in of(&scene, "name") {
        let Form::Words { at: (x, y), text, size, anchor, .. } = form else { panic!("{form:?}") };
        let wide = face.width(text, *size);
        let left = match anchor {
            Anchor::Start => *x,
            Anchor::Middle => x - wide / 2.0,
            Anchor::End => x - wide,
        };
        let is_on =
            |at: &&(f64, f64)| (left..left + wide).contains(&at.0) && (y - 8.0..y + 2.0).contains(&at.1);
        assert_eq!(along.iter().find(is_on), None, "{text}");
    }
    // Lines of the diagram behind them, the spectral locus say, are kept from their letters.
    let text = crate::chart::svg(&scene);
    let name = text.lines().find(|line| line.contains(">cyan<")).unwrap();
    assert!(name.contains("paint-order=\"stroke\"") && !text.contains("class=\"label\" stroke"), "{name}");
}

#[test]
fn names_at_the_ends_of_an_axis_are_written_within_it() {
    let mut plane = plane();
    for y in [0.1, 100.0] {
        let from = Some((50.0, 3.0));
        plane = plane.with("name", "", BLUE, Mark::Words { at: (50.0, y), text: "blue".to_owned(), from });
    }
    let scene = picture(plane);
    let frame = points(of(&scene, "frame")[0]);
    for form in of(&scene, "name") {
        let base = points(form)[0].1;
        assert!(base - 11.0 >= frame[0].1 - 0.01 && base + 3.0 <= frame[2].1, "{base} in {frame:?}");
    }
}

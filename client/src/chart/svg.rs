//! A picture as SVG 1.1: text that any browser and drawing program opens, with a title and a description for readers of screens.

use std::fmt::Write;

use super::scene::{Anchor, Colour, Form, Scene, Shape, has_halo};
use super::xml::escaped;

/// Typefaces that are tried one after the other; widths are measured with the first.
const FACES: &str = "DejaVu Sans, Verdana, Helvetica, Arial, sans-serif";

/// What parts words from the lines behind them: the ground's colour about each letter. On a page its style says which colour that is.
const HALO_AS_ATTRIBUTES: &str = " stroke=\"#ffffff\" stroke-width=\"4\" paint-order=\"stroke\"";

/// The picture as the text of an SVG file.
#[must_use]
pub fn svg(scene: &Scene) -> String {
    let (width, height) = (number(scene.size.0), number(scene.size.1));
    let text = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}\" height=\"{height}\" \
         viewBox=\"0 0 {width} {height}\" role=\"img\" aria-labelledby=\"title description\" font-family=\"{FACES}\" stroke-linejoin=\"round\" stroke-linecap=\"round\">\n\
         <title id=\"title\">{}</title>\n<desc id=\"description\">{}</desc>\n\
         <rect width=\"{width}\" height=\"{height}\" fill=\"#ffffff\"/>\n",
        escaped(&scene.title),
        escaped(&scene.description)
    );
    with_shapes(text, scene)
}

/// The picture as an element within HTML, without a ground of its own. `id` begins the ids of its title and description, which no two pictures of a page may share.
#[must_use]
pub fn inline(scene: &Scene, id: &str) -> String {
    let (width, height) = (number(scene.size.0), number(scene.size.1));
    let text = format!(
        "<svg width=\"{width}\" height=\"{height}\" viewBox=\"0 0 {width} {height}\" role=\"img\" \
         aria-labelledby=\"{id}-title {id}-description\" font-family=\"{FACES}\" stroke-linejoin=\"round\" stroke-linecap=\"round\">\n\
         <title id=\"{id}-title\">{}</title>\n<desc id=\"{id}-description\">{}</desc>\n",
        escaped(&scene.title),
        escaped(&scene.description)
    );
    with_shapes(text, scene)
}

/// The beginning of a picture, its shapes, and its end.
fn with_shapes(mut text: String, scene: &Scene) -> String {
    for shape in &scene.shapes {
        text.push_str(&element(shape));
        text.push('\n');
    }
    text.push_str("</svg>\n");
    text
}

fn element(Shape { role, colour, form }: &Shape) -> String {
    let colour = hex(*colour);
    match form {
        Form::Line { points, width, dash } => {
            let dash = dash.map_or_else(String::new, |(on, off)| {
                format!(" stroke-dasharray=\"{} {}\"", number(on), number(off))
            });
            format!(
                "<polyline class=\"{role}\" points=\"{}\" fill=\"none\" stroke=\"{colour}\" stroke-width=\"{}\"{dash}/>",
                list(points),
                number(*width)
            )
        }
        Form::Area { points, opacity } => format!(
            "<polygon class=\"{role}\" points=\"{}\" fill=\"{colour}\" fill-opacity=\"{}\"/>",
            list(points),
            number(*opacity)
        ),
        Form::Dot { at, radius } => format!(
            "<circle class=\"{role}\" cx=\"{}\" cy=\"{}\" r=\"{}\" fill=\"{colour}\"/>",
            number(at.0),
            number(at.1),
            number(*radius)
        ),
        Form::Words { at, text, size, anchor, turned } => {
            let (x, y) = (number(at.0), number(at.1));
            let anchor = match anchor {
                Anchor::Start => "start",
                Anchor::Middle => "middle",
                Anchor::End => "end",
            };
            let halo = if has_halo(role) { HALO_AS_ATTRIBUTES } else { "" };
            let turn = if *turned { format!(" transform=\"rotate(-90 {x} {y})\"") } else { String::new() };
            format!(
                "<text class=\"{role}\" x=\"{x}\" y=\"{y}\" font-size=\"{}\" fill=\"{colour}\" text-anchor=\"{anchor}\"{halo}{turn}>{}</text>",
                number(*size),
                // Blanks that follow one another stay apart.
                escaped(text).replace("  ", "\u{a0}\u{a0}")
            )
        }
    }
}

fn hex(Colour(red, green, blue): Colour) -> String {
    format!("#{red:02x}{green:02x}{blue:02x}")
}

fn list(points: &[(f64, f64)]) -> String {
    let mut text = String::new();
    for (index, (x, y)) in points.iter().enumerate() {
        let gap = if index == 0 { "" } else { " " };
        let _written = write!(text, "{gap}{},{}", number(*x), number(*y)).is_ok();
    }
    text
}

/// To a hundredth of a pixel.
fn number(value: f64) -> String {
    let text = format!("{value:.2}");
    let short = text.trim_end_matches('0').trim_end_matches('.');
    if short == "-0" { "0".to_owned() } else { short.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_short() {
        assert_eq!([number(-0.001), number(12.5), number(100.0)], ["0", "12.5", "100"]);
    }
}

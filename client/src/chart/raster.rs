//! A picture as PNG, at two pixels a unit so that it is sharp on paper and on dense screens.

use png::{BitDepth, ColorType, Encoder, PixelDimensions, Unit};
use tiny_skia::{
    Color, FillRule, LineCap, LineJoin, Paint, Path, PathBuilder, Pixmap, Stroke, StrokeDash, Transform,
};

use super::Error;
use super::face::Face;
use super::scene::{Anchor, Colour, Form, Scene, Shape, has_halo};

/// Pixels a unit of the picture.
pub(super) const SCALE: u32 = 2;

/// Pixels a metre: a unit is a 96th of an inch.
const PIXELS_A_METRE: u32 = 3780 * SCALE;

/// The picture as the bytes of a PNG file, without transparency, its title and description in it.
///
/// # Errors
/// [`Error`] if there is no room for its pixels, or they can't be written.
pub fn png(scene: &Scene) -> Result<Vec<u8>, Error> {
    let pixels = paint(scene)?;
    let opaque: Vec<u8> =
        pixels.pixels().iter().flat_map(|pixel| [pixel.red(), pixel.green(), pixel.blue()]).collect();
    let mut file = Vec::new();
    let mut encoder = Encoder::new(&mut file, pixels.width(), pixels.height());
    encoder.set_color(ColorType::Rgb);
    encoder.set_depth(BitDepth::Eight);
    encoder.set_pixel_dims(Some(PixelDimensions {
        xppu: PIXELS_A_METRE,
        yppu: PIXELS_A_METRE,
        unit: Unit::Meter,
    }));
    encoder.add_itxt_chunk("Title".to_owned(), scene.title.clone())?;
    encoder.add_itxt_chunk("Description".to_owned(), scene.description.clone())?;
    encoder
        .add_itxt_chunk("Software".to_owned(), concat!("settle ", env!("CARGO_PKG_VERSION")).to_owned())?;
    let mut writer = encoder.write_header()?;
    writer.write_image_data(&opaque)?;
    writer.finish()?;
    Ok(file)
}

#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "the size of a picture is small and positive"
)]
fn paint(scene: &Scene) -> Result<Pixmap, Error> {
    let side = |length: f64| length.round() as u32 * SCALE;
    let mut pixels = Pixmap::new(side(scene.size.0), side(scene.size.1)).ok_or(Error::Size)?;
    pixels.fill(Color::WHITE);
    let face = Face::new()?;
    for shape in &scene.shapes {
        shape_on(&mut pixels, &face, shape);
    }
    Ok(pixels)
}

#[expect(clippy::cast_possible_truncation, reason = "painting is in single precision")]
fn shape_on(pixels: &mut Pixmap, face: &Face, Shape { role, colour, form }: &Shape) {
    let whole = Transform::from_scale(SCALE as f32, SCALE as f32);
    match form {
        Form::Line { points, width, dash } => {
            let Some(path) = path(points, false) else { return };
            let stroke = Stroke {
                width: *width as f32,
                line_cap: LineCap::Round,
                line_join: LineJoin::Round,
                dash: dash.and_then(|(on, off)| StrokeDash::new(vec![on as f32, off as f32], 0.0)),
                ..Stroke::default()
            };
            pixels.stroke_path(&path, &ink(*colour, 1.0), &stroke, whole, None);
        }
        Form::Area { points, opacity } => {
            let Some(path) = path(points, true) else { return };
            pixels.fill_path(&path, &ink(*colour, *opacity), FillRule::Winding, whole, None);
        }
        Form::Dot { at, radius } => {
            let Some(path) = PathBuilder::from_circle(at.0 as f32, at.1 as f32, *radius as f32) else {
                return;
            };
            pixels.fill_path(&path, &ink(*colour, 1.0), FillRule::Winding, whole, None);
        }
        Form::Words { at, text, size, anchor, turned } => {
            let Some(path) = face.outline(text, *size) else { return };
            let back = match anchor {
                Anchor::Start => 0.0,
                Anchor::Middle => 0.5,
                Anchor::End => 1.0,
            } * face.width(text, *size);
            let turn = if *turned { -90.0 } else { 0.0 };
            let place = whole
                .pre_translate(at.0 as f32, at.1 as f32)
                .pre_rotate(turn)
                .pre_translate(-back as f32, 0.0);
            if has_halo(role) {
                let stroke = Stroke { width: 4.0, line_join: LineJoin::Round, ..Stroke::default() };
                pixels.stroke_path(&path, &ink(Colour(255, 255, 255), 1.0), &stroke, place, None);
            }
            pixels.fill_path(&path, &ink(*colour, 1.0), FillRule::Winding, place, None);
        }
    }
}

#[expect(clippy::cast_possible_truncation, reason = "painting is in single precision")]
fn path(points: &[(f64, f64)], closed: bool) -> Option<Path> {
    let mut path = PathBuilder::new();
    for (index, (x, y)) in points.iter().enumerate() {
        let (x, y) = (*x as f32, *y as f32);
        if index == 0 {
            path.move_to(x, y);
        } else {
            path.line_to(x, y);
        }
    }
    if closed {
        path.close();
    }
    path.finish()
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a share of 255")]
fn ink(Colour(red, green, blue): Colour, opacity: f64) -> Paint<'static> {
    let mut paint = Paint { anti_alias: true, ..Paint::default() };
    paint.set_color_rgba8(red, green, blue, (opacity.clamp(0.0, 1.0) * 255.0).round() as u8);
    paint
}

//! Which file is what, as CSV: a line for each stimulus, in the order that a review shows them.

use std::io::Write;

use super::Form;
use super::layout::{Layout, Size};
use super::listing::Item;
use crate::evaluate::aim::{Aim, Transfer};
use settled_protocol::stage::Range;

/// What the columns are called.
pub const COLUMNS: [&str; 28] = [
    "file",
    "set",
    "sequence",
    "step",
    "name",
    "r",
    "g",
    "b",
    "background_r",
    "background_g",
    "background_b",
    "bits",
    "range",
    "window_percent",
    "window_left",
    "window_top",
    "window_width",
    "window_height",
    "primaries",
    "transfer",
    "matrix",
    "full_range",
    "stored_1",
    "stored_2",
    "stored_3",
    "stored_background_1",
    "stored_background_2",
    "stored_background_3",
];

/// Writes it.
///
/// # Errors
/// Whatever keeps it from being written.
pub fn write(target: impl Write, items: &[Item<'_>], form: Form, screen: Size) -> csv::Result<()> {
    let mut table = csv::Writer::from_writer(target);
    table.write_record(COLUMNS)?;
    for item in items {
        table.write_record(line(item, form, screen))?;
    }
    Ok(table.flush()?)
}

fn line(item: &Item<'_>, form: Form, screen: Size) -> Vec<String> {
    let (set, step) = (item.stop.set, &item.stop.step);
    let patch = &step.patch;
    let layout = Layout::of(screen, patch.window_percent);
    let window = layout.window();
    let meaning = form.code_points(set);
    let range = if set.coding.range == Range::Narrow { "narrow" } else { "full" };
    let mut line = vec![
        item.file.clone().unwrap_or_default(),
        set.name.clone(),
        item.stop.sequence.name.clone(),
        step.step.to_string(),
        patch.name.clone(),
    ];
    let codes = patch.codes.iter().chain(&patch.background);
    line.extend(codes.map(u16::to_string));
    line.extend([set.coding.bits.to_string(), range.to_owned(), patch.window_percent.to_string()]);
    line.extend([layout.left, layout.top, window.width, window.height].map(|pixels| pixels.to_string()));
    line.extend([meaning.primaries, meaning.transfer, meaning.matrix].map(|point| point.to_string()));
    line.push(u8::from(meaning.full_range).to_string());
    for codes in [patch.codes, patch.background] {
        line.extend(form.stored(set, codes).map(|value| value.to_string()));
    }
    line
}

/// What files of this aim can't say, as sentences.
#[must_use]
pub fn unsaid(aim: &Aim) -> Vec<String> {
    let mut unsaid = Vec::new();
    if let Transfer::Power { gamma } = aim.transfer
        && super::h273::CodePoints::rgb(aim).transfer == super::h273::UNSPECIFIED
    {
        unsaid.push(format!(
            "no code point means a power law of {gamma}: files say that theirs is unspecified"
        ));
    }
    if aim.white.is_some_and(|white| white != crate::evaluate::aim::D65_XY) {
        unsaid.push(format!(
            "{} is said to have a white of D65: a player that manages colours must not, as the display is meant to have another",
            aim.primaries.name()
        ));
    }
    unsaid
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::super::listing::items;
    use super::*;
    use crate::review::plan::Plan;

    #[test]
    fn a_line_says_what_was_planned_where_it_is_and_what_the_file_has() {
        let text = "title = \"T\"\n[[set]]\nname = \"HDR\"\nrange = \"narrow\"\ntransfer = \"pq\"\nprimaries = \"bt2020\"\n\
            [[set.sequence]]\nkind = \"window\"\nareas_percent = [25]\n";
        let plan = Plan::read(Path::new("p"), text).unwrap();
        let mut file = Vec::new();
        let screen = Size { width: 3840, height: 2160 };
        let items = items(&plan, None, Form::Y4m);
        write(&mut file, &items, Form::Y4m, screen).unwrap();
        let text = String::from_utf8(file).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines.len(), 1 + items.len());
        // ITU-T H.273: 9 BT.2020, 16 ST 2084, 9 its matrix; ITU-R BT.2100-2, table 9: 64 and 940.
        let expected = "1-hdr/02-window/000-white-on-25.y4m,HDR,window,0,white on 25 %,940,940,940,64,64,64,10,narrow,25,960,540,1920,1080,9,16,9,0,\
            940,512,512,64,512,512";
        assert_eq!(lines.last(), Some(&expected));
    }

    #[test]
    fn what_a_file_can_not_say_is_told() {
        let plan = |more: &str| {
            Plan::read(
                Path::new("p"),
                &format!("title = \"T\"\n[[set]]\nname = \"S\"\nprimaries = \"bt709\"\n{more}"),
            )
            .unwrap()
        };
        assert!(unsaid(&plan("transfer = \"pq\"").sets[0].aim).is_empty());
        let odd = plan("transfer = \"power\"\ngamma = 2.4\nwhite = [0.28, 0.29]");
        assert_eq!(unsaid(&odd.sets[0].aim).len(), 2);
    }
}

//! A document as one file of HTML: readable without a network, without scripts, on a screen and on paper.
//!
//! Whatever a document holds is text: every word is escaped, and the page's own policy forbids scripts and requests, whatever should be in it. Pictures are within
//! it as SVG, each with a title and a description that readers of screens find.

use std::fmt::Write;

use super::{Document, Fact, Plot, Section, Statement, Tone};
use crate::chart;
use crate::chart::xml;
use crate::review::figures::Table;

/// What the page may do: nothing but be styled by its own sheet.
const POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'";
const STYLE: &str = include_str!("style.css");

/// The document as the text of an HTML file.
#[must_use]
pub fn html(document: &Document) -> String {
    let mut page = String::with_capacity(1 << 16);
    head(&mut page, document);
    page.push_str("<body>\n");
    banner(&mut page, document);
    page.push_str("<main>\n<header>\n");
    element(&mut page, "h1", "", &document.title);
    if !document.subtitle.is_empty() {
        element(&mut page, "p", "subtitle", &document.subtitle);
    }
    page.push_str("</header>\n");
    list(&mut page, "first", "To mind first", &document.first);
    summary(&mut page, &document.lead, &document.summary);
    contents(&mut page, &document.sections);
    for (index, section) in document.sections.iter().enumerate() {
        write_section(&mut page, index, section);
    }
    facts(&mut page, "conditions", "Conditions", &document.conditions);
    list(&mut page, "cautions", "Cautions", &document.cautions);
    facts(&mut page, "provenance", "Provenance", &document.provenance);
    page.push_str("</main>\n</body>\n</html>\n");
    page
}

fn head(page: &mut String, document: &Document) {
    let marks = document.marks.join(", ");
    let title =
        if marks.is_empty() { document.title.clone() } else { format!("{marks}: {}", document.title) };
    put(
        page,
        format_args!(
            "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
             <meta http-equiv=\"Content-Security-Policy\" content=\"{POLICY}\">\n\
             <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
             <meta name=\"color-scheme\" content=\"light dark\">\n\
             <meta name=\"referrer\" content=\"no-referrer\">\n\
             <meta name=\"generator\" content=\"settle {}\">\n<title>{}</title>\n<style>\n{STYLE}{}</style>\n</head>\n",
            env!("CARGO_PKG_VERSION"),
            escaped(&title),
            running(&title)
        ),
    );
}

/// What stands in the margin of each printed page.
fn running(title: &str) -> String {
    format!("@page {{\n  @top-left {{ content: {} }}\n}}\n", quoted(title))
}

/// A text within a style sheet: whatever might end the text or the sheet is written by its number.
fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for character in text.chars() {
        if character.is_alphanumeric() || matches!(character, ' ' | ',' | '.' | ':' | '-') {
            quoted.push(character);
        } else if !character.is_control() {
            put(&mut quoted, format_args!("\\{:x} ", u32::from(character)));
        }
    }
    quoted.push('"');
    quoted
}

/// What must not be overlooked, at the top of the window and of each page.
fn banner(page: &mut String, document: &Document) {
    if !document.marks.is_empty() {
        element(page, "p", "mark", &document.marks.join(", "));
    }
}

fn summary(page: &mut String, lead: &str, statements: &[Statement]) {
    if statements.is_empty() && lead.is_empty() {
        return;
    }
    page.push_str("<section id=\"summary\" aria-labelledby=\"summary-heading\">\n<h2 id=\"summary-heading\">Summary</h2>\n");
    if !lead.is_empty() {
        element(page, "p", "lead", lead);
    }
    for together in statements.chunk_by(|one, other| one.verdict == other.verdict) {
        page.push_str("<div class=\"together\">\n");
        if let Some(first) = together.first().filter(|first| !first.place.is_empty()) {
            element(page, "h3", "", &capital(&first.verdict));
        }
        page.push_str("<ul class=\"statements\">\n");
        for statement in together {
            write_statement(page, statement);
        }
        page.push_str("</ul>\n</div>\n");
    }
    page.push_str("</section>\n");
}

/// With a capital.
fn capital(words: &str) -> String {
    let mut characters = words.chars();
    characters.next().map_or_else(String::new, |first| first.to_uppercase().chain(characters).collect())
}

fn write_statement(page: &mut String, statement: &Statement) {
    let (class, sign) = match statement.tone {
        Tone::Good => ("good", "✓"),
        Tone::Bad => ("bad", "✗"),
        Tone::Open => ("open", "?"),
        Tone::Other => ("other", "≠"),
        Tone::Plain => ("plain", "·"),
    };
    put(
        page,
        format_args!(
            "<li class=\"{class}\"><span class=\"stands\"><span class=\"verdict\"><span aria-hidden=\"true\">{sign}</span> {}</span> <span class=\"where\">{}</span></span> <span class=\"words\">{}",
            escaped(&statement.verdict),
            escaped(&statement.place),
            escaped(&statement.words)
        ),
    );
    let held = [&statement.tolerance, &statement.source];
    let held: Vec<&str> = held.into_iter().map(String::as_str).filter(|text| !text.is_empty()).collect();
    if !held.is_empty() {
        put(page, format_args!(" <span class=\"tolerance\">[{}]</span>", escaped(&held.join("; "))));
    }
    page.push_str("</span></li>\n");
}

fn contents(page: &mut String, sections: &[Section]) {
    if sections.len() < 2 {
        return;
    }
    page.push_str("<nav aria-label=\"Contents\">\n<ol>\n");
    for (index, section) in sections.iter().enumerate() {
        put(page, format_args!("<li><a href=\"#section-{index}\">{}</a></li>\n", escaped(&section.heading)));
    }
    page.push_str("</ol>\n</nav>\n");
}

fn write_section(page: &mut String, index: usize, section: &Section) {
    put(
        page,
        format_args!(
            "<section id=\"section-{index}\" aria-labelledby=\"section-{index}-heading\">\n<div class=\"opening\">\n<h2 id=\"section-{index}-heading\">{}</h2>\n",
            escaped(&section.heading)
        ),
    );
    for words in &section.words {
        element(page, "p", "", words);
    }
    // The first plot stands on one page with what heads it.
    if section.plots.is_empty() {
        page.push_str("</div>\n");
    }
    for (number, plot) in section.plots.iter().enumerate() {
        write_plot(page, &format!("plot-{index}-{number}"), plot);
        if number == 0 {
            page.push_str("</div>\n");
        }
    }
    for (number, table) in section.tables.iter().enumerate() {
        write_table(page, &format!("table-{index}-{number}"), table);
    }
    page.push_str("</section>\n");
}

/// A plot higher than this share of its width stays as large on paper as it is.
const TALL: f64 = 0.75;

fn write_plot(page: &mut String, id: &str, plot: &Plot) {
    let (width, height) = plot.scene.size;
    let tall = if height > TALL * width { " tall" } else { "" };
    put(
        page,
        format_args!(
            "<figure class=\"plot{tall}\">\n<div class=\"picture\" role=\"region\" aria-labelledby=\"{id}-caption\" tabindex=\"0\">\n{}</div>\n<figcaption id=\"{id}-caption\">{}</figcaption>\n</figure>\n",
            chart::inline(&plot.scene, id),
            escaped(&plot.caption)
        ),
    );
}

/// A table with more columns than this is set in smaller letters.
const WIDE: usize = 6;

/// Whether a column has words alone, which begin at one edge; numbers end at one, bounds of them too.
fn has_words(table: &Table, column: usize) -> bool {
    let is_words = |cell: &String| {
        cell.starts_with(|first: char| first.is_alphabetic() || "\"{".contains(first))
            && !cell.starts_with("at most ")
    };
    table.known(column).next().is_some() && table.known(column).all(is_words)
}

/// How much room a column of words needs at least, so that its rows don't become towers where a screen is narrow: by its longest cell, in letters.
fn room(longest: usize) -> Option<&'static str> {
    match longest {
        0..=12 => None,
        13..=30 => Some("phrase"),
        31..=90 => Some("sentence"),
        _ => Some("sentences"),
    }
}

/// The class of a column's cells, as an attribute: what they hold, and how much room they need.
fn class(table: &Table, column: usize) -> String {
    let words = column > 0 && has_words(table, column);
    let longest = table.known(column).map(|cell| cell.chars().count()).max().unwrap_or(0);
    // Numbers with their intervals hold together by themselves.
    let room = room(longest).filter(|_| words || column == 0 || longest > 30);
    let classes: Vec<&str> = words.then_some("words").into_iter().chain(room).collect();
    if classes.is_empty() { String::new() } else { format!(" class=\"{}\"", classes.join(" ")) }
}

fn write_table(page: &mut String, id: &str, table: &Table) {
    let known = table.columns_known();
    let columns: Vec<(usize, String)> =
        known.into_iter().map(|column| (column, class(table, column))).collect();
    let wide = if columns.len() > WIDE { " wide" } else { "" };
    put(
        page,
        format_args!(
            "<div class=\"table{wide}\" role=\"region\" aria-labelledby=\"{id}\" tabindex=\"0\">\n<table>\n<caption id=\"{id}\">{}</caption>\n",
            escaped(&table.title)
        ),
    );
    page.push_str("<thead>\n<tr>");
    for (column, class) in &columns {
        let name = escaped(table.columns.get(*column).map_or("", String::as_str));
        put(page, format_args!("<th scope=\"col\"{class}>{name}</th>"));
    }
    page.push_str("</tr>\n</thead>\n<tbody>\n");
    for row in &table.rows {
        page.push_str("<tr>");
        for (column, class) in &columns {
            let cell = escaped(row.get(*column).map_or("", String::as_str));
            if *column == 0 {
                put(page, format_args!("<th scope=\"row\"{class}>{cell}</th>"));
            } else {
                put(page, format_args!("<td{class}>{cell}</td>"));
            }
        }
        page.push_str("</tr>\n");
    }
    page.push_str("</tbody>\n</table>\n</div>\n");
}

fn facts(page: &mut String, id: &str, heading: &str, facts: &[Fact]) {
    if facts.is_empty() {
        return;
    }
    put(
        page,
        format_args!(
            "<section id=\"{id}\" aria-labelledby=\"{id}-heading\">\n<h2 id=\"{id}-heading\">{heading}</h2>\n<dl>\n"
        ),
    );
    for Fact { name, value } in facts {
        put(page, format_args!("<div><dt>{}</dt><dd>{}</dd></div>\n", escaped(name), escaped(value)));
    }
    page.push_str("</dl>\n</section>\n");
}

/// Sentences under a heading; nothing where there are none.
fn list(page: &mut String, id: &str, heading: &str, sentences: &[String]) {
    if sentences.is_empty() {
        return;
    }
    put(
        page,
        format_args!(
            "<section id=\"{id}\" aria-labelledby=\"{id}-heading\">\n<h2 id=\"{id}-heading\">{heading}</h2>\n<ul>\n"
        ),
    );
    for sentence in sentences {
        element(page, "li", "", sentence);
    }
    page.push_str("</ul>\n</section>\n");
}

/// Text as HTML has it, in which a number stays with its unit and its interval, and has a minus that is one.
fn escaped(text: &str) -> String {
    let pairs = [(" %", "\u{a0}%"), (" ± ", "\u{a0}±\u{a0}"), ("± ", "±\u{a0}"), (" cd/m²", "\u{a0}cd/m²")];
    xml::escaped(&pairs.iter().fold(with_minus(text), |text, (from, to)| text.replace(from, to)))
}

/// A hyphen before a number, where it begins a word, is a minus: not that of a date or a range.
fn with_minus(text: &str) -> String {
    let mut told = String::with_capacity(text.len());
    let mut before = ' ';
    let mut characters = text.chars().peekable();
    while let Some(character) = characters.next() {
        let is_minus = character == '-'
            && matches!(before, ' ' | '\u{a0}' | '(' | '[')
            && characters.peek().is_some_and(char::is_ascii_digit);
        told.push(if is_minus { '\u{2212}' } else { character });
        before = character;
    }
    told
}

fn element(page: &mut String, name: &str, class: &str, text: &str) {
    let class = if class.is_empty() { String::new() } else { format!(" class=\"{class}\"") };
    put(page, format_args!("<{name}{class}>{}</{name}>\n", escaped(text)));
}

/// Writing to a text can't fail.
fn put(page: &mut String, text: std::fmt::Arguments<'_>) {
    let _written = page.write_fmt(text).is_ok();
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_within_the_style_sheet_ends_neither_itself_nor_the_sheet() {
        assert_eq!(quoted("field monitor 4"), "\"field monitor 4\"");
        assert_eq!(quoted("a\"}</style>\\\n"), "\"a\\22 \\7d \\3c \\2f style\\3e \\5c \"");
    }

    #[test]
    fn a_number_has_a_minus_and_a_date_its_hyphens() {
        assert_eq!(
            with_minus("-1.0 at 2026-11-28 (-3), a -b"),
            "\u{2212}1.0 at 2026-11-28 (\u{2212}3), a -b"
        );
    }

    #[test]
    fn a_column_of_which_nothing_is_known_is_left_out_and_bounds_stand_with_numbers() {
        let rows = [["0", "", "at most 2", "a"], ["1", "", "at most 3", ""]];
        let table = Table {
            title: "t".to_owned(),
            columns: ["signal", "gamma", "off", "why"].map(str::to_owned).to_vec(),
            rows: rows.map(|row| row.map(str::to_owned).to_vec()).to_vec(),
        };
        let mut page = String::new();
        write_table(&mut page, "t", &table);
        assert!(
            !page.contains("gamma") && page.contains("<td>at most 2</td><td class=\"words\">a</td>"),
            "{page}"
        );
    }

    #[test]
    fn a_column_of_words_has_room_by_its_longest_cell() {
        let long = "it moved up and down meanwhile, ".repeat(4);
        let rows =
            [["grey", "1.0 to 2.0", "white", &long], ["grey 50 % in a 10 % window", "3.0", "it is", ""]];
        let table = Table {
            title: "t".to_owned(),
            columns: ["patch", "with 95 %", "noise", "caution"].map(str::to_owned).to_vec(),
            rows: rows.map(|row| row.map(str::to_owned).to_vec()).to_vec(),
        };
        let classes = [0, 1, 2, 3].map(|column| class(&table, column));
        assert_eq!(
            classes,
            [" class=\"phrase\"", "", " class=\"words\"", " class=\"words sentences\""].map(str::to_owned)
        );
        for class in ["phrase", "sentence", "sentences"] {
            assert!(STYLE.contains(&format!(".table .{class} {{ min-width: ")), "{class}");
        }
    }

    #[test]
    fn a_document_that_holds_nothing_is_a_page_all_the_same() {
        let page = html(&Document::default());
        assert!(page.starts_with("<!DOCTYPE html>") && page.ends_with("</html>\n"), "{page}");
        assert!(!page.contains("<h2") && !page.contains("<nav"), "{page}");
    }
}

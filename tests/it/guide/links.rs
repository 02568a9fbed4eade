//! Whether the guide's parts lead to each other: its summary to every chapter, every link to a place that is there.

use std::collections::BTreeSet;
use std::path::Path;

use super::chapter::{blocks, folder, text};

/// The chapters that the summary names, in its order.
pub(super) fn named() -> Vec<String> {
    links(&text("SUMMARY.md"))
}

/// What a page's links lead to, pictures included; what stands in blocks and in code isn't one.
fn links(page: &str) -> Vec<String> {
    let mut is_inside = false;
    let mut found = Vec::new();
    for line in page.lines() {
        is_inside ^= line.starts_with("```");
        if is_inside {
            continue;
        }
        let plain: String = line.split('`').step_by(2).collect::<Vec<_>>().join("code");
        for rest in plain.split("](").skip(1) {
            found.push(rest.split(')').next().unwrap().to_owned());
        }
    }
    found
}

/// The anchors of a page's headings, as mdBook and most forges make them.
fn anchors(page: &str) -> BTreeSet<String> {
    let mut is_inside = false;
    let mut found = BTreeSet::new();
    for line in page.lines() {
        is_inside ^= line.starts_with("```");
        let heading = line.trim_start_matches('#');
        if is_inside || heading.len() == line.len() || !heading.starts_with(' ') {
            continue;
        }
        let kept = |c: char| match c {
            ' ' => Some('-'),
            '-' | '_' => Some(c),
            c if c.is_alphanumeric() => Some(c),
            _ => None,
        };
        found.insert(heading.trim().to_lowercase().chars().filter_map(kept).collect());
    }
    found
}

/// What a page takes in from elsewhere, by mdBook's `{{#include PATH}}`.
fn included(page: &str) -> Vec<String> {
    let found =
        page.split("{{#include ").skip(1).map(|rest| rest.split("}}").next().unwrap().trim().to_owned());
    found.collect()
}

#[test]
fn the_summary_names_every_chapter_once_and_nothing_else() {
    let named = named();
    let once: BTreeSet<&String> = named.iter().collect();
    assert_eq!(once.len(), named.len(), "{named:?}");
    let mut there = BTreeSet::new();
    for entry in std::fs::read_dir(folder()).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        if name != "SUMMARY.md" {
            there.insert(name);
        }
    }
    let named: BTreeSet<String> = named.into_iter().collect();
    assert_eq!(named, there);
}

#[test]
fn every_link_of_the_guide_leads_to_a_page_of_it_and_a_heading_there() {
    for chapter in named() {
        let page = text(&chapter);
        for link in links(&page).into_iter().filter(|link| !link.starts_with("https://")) {
            let (file, anchor) = link.split_once('#').unwrap_or((&link, ""));
            // mdBook makes a book of what is in its folder: a link that leads out of it leads nowhere in the book.
            assert!(!file.contains('/'), "{chapter}: {link} leads out of the book");
            let target = if file.is_empty() { page.clone() } else { text(file) };
            assert!(
                anchor.is_empty() || anchors(&target).contains(anchor),
                "{chapter}: {link} leads nowhere"
            );
        }
        for path in included(&page) {
            let path = folder().join(path);
            let inserted = std::fs::read_to_string(&path);
            let inserted = inserted.unwrap_or_else(|error| panic!("{chapter}: {}: {error}", path.display()));
            // Markdown ends a picture at a blank line.
            assert!(!inserted.trim().contains("\n\n"), "{chapter}: {} has a blank line", path.display());
        }
    }
}

#[test]
fn every_page_that_the_guide_leads_on_to_is_among_the_sources() {
    let sources = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap();
    let page = text("pages.md");
    let named: Vec<&str> = page
        .split('`')
        .skip(1)
        .step_by(2)
        .filter(|code| code.contains('/') && !code.starts_with('/'))
        .collect();
    assert!(named.len() > 15, "{named:?}");
    for name in named {
        assert!(sources.join(name).exists(), "pages.md names {name}");
    }
}

#[test]
fn readmes_links_lead_to_files_that_are_there() {
    let sources = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap();
    let readme = std::fs::read_to_string(sources.join("README.md")).unwrap();
    let links = links(&readme);
    assert!(links.len() > 10, "{links:?}");
    for link in links.iter().filter(|link| !link.starts_with("https://")) {
        let (file, anchor) = link.split_once('#').unwrap_or((link, ""));
        let path = sources.join(file);
        assert!(path.exists(), "README.md: {link}");
        let is_found = anchor.is_empty() || anchors(&std::fs::read_to_string(path).unwrap()).contains(anchor);
        assert!(is_found, "README.md: {link} leads to no heading");
    }
}

#[test]
fn no_chapter_shows_commands_that_no_test_runs() {
    for chapter in named() {
        for (kind, line, _) in blocks(&text(&chapter)) {
            let known = ["console", "console about", "text", "json", ""].contains(&kind.as_str());
            let is_run = known || kind.contains(" file=");
            assert!(is_run && !kind.is_empty(), "{chapter}:{line}: a block of {kind:?} is run by nobody");
        }
    }
}

#[test]
fn places_are_found_as_a_reader_would_find_them() {
    assert_eq!(links("[a](b.md#c) `[x](y)`\n```\n[d](e)\n```\n![f](g.svg)"), ["b.md#c", "g.svg"]);
    let found = anchors("# One, two: `three`\n```\n# four\n```\n#five\n## A *b* – c");
    assert_eq!(found.into_iter().collect::<Vec<_>>(), ["a-b--c", "one-two-three"]);
}

//! The OpenRPC document as a page for people, in Markdown. `client/guide/src/protocol.md` is this, checked in.

use std::fmt::Write;

use serde_json::Value;

/// What comes before what is generated.
const HEAD: &str = "\
# Protocol reference

This page is generated from the types that daemon and clients share, as `protocol/openrpc.json` is for programs. What methods do, with
exchanges that are executed as tests, is in `protocol/PROTOCOL.md`: see [the other pages](pages.md).

Messages are JSON-RPC 2.0, one a line, over a Unix socket. What isn't known is absent, never zero. Members carry their unit in their
name. A client passes over members and words that it doesn't know: a later daemon may have more.
";

/// Defaults that are longer than this are told in the words of the member alone.
const LONGEST_DEFAULT: usize = 40;

/// The page of a document that [`document`](super::document) has made.
#[must_use]
pub fn reference(document: &Value) -> String {
    let mut page = HEAD.to_owned();
    let methods = items(&document["methods"]);
    heading(&mut page, 2, "Methods");
    let lines = methods.iter().map(|method| {
        let name = text(&method["name"]);
        [format!("[`{name}`](#{})", anchor(name)), text(&method["summary"]).to_owned()]
    });
    table(&mut page, ["method", "what it does"], lines);
    for method in methods {
        heading(&mut page, 3, text(&method["name"]));
        paragraph(&mut page, text(&method["summary"]));
        let params = items(&method["params"]);
        if params.is_empty() {
            paragraph(&mut page, "No params.");
        } else {
            let lines = params
                .iter()
                .map(|param| row(text(&param["name"]), param["required"] == true, &param["schema"]));
            table(&mut page, ["param", "type", "what"], lines);
        }
        paragraph(&mut page, &format!("Result: {}.", type_of(&method["result"]["schema"])));
    }
    heading(&mut page, 2, "Notifications");
    for notification in items(&document["x-notifications"]) {
        heading(&mut page, 3, &format!("{}, a notification", text(&notification["name"])));
        paragraph(&mut page, &format!("Params: {}.", type_of(&notification["params"])));
    }
    schemas(&mut page, &document["components"]["schemas"]);
    errors(&mut page, &document["components"]);
    page
}

/// What is made of members, then what is one of a few words.
fn schemas(page: &mut String, schemas: &Value) {
    let all = || schemas.as_object().into_iter().flatten();
    heading(page, 2, "Records");
    for (name, schema) in all().filter(|(_, schema)| schema.get("oneOf").is_none()) {
        heading(page, 3, name);
        paragraph(page, text(&schema["description"]));
        let members = schema["properties"].as_object();
        let Some(members) = members.filter(|members| !members.is_empty()) else {
            paragraph(page, &format!("In JSON: {}.", type_of(schema)));
            continue;
        };
        let required = items(&schema["required"]);
        let lines = members
            .iter()
            .map(|(name, member)| row(name, required.iter().any(|it| it.as_str() == Some(name)), member));
        table(page, ["member", "type", "what"], lines);
    }
    heading(page, 2, "Words");
    for (name, schema) in all().filter(|(_, schema)| schema.get("oneOf").is_some()) {
        heading(page, 3, name);
        paragraph(page, text(&schema["description"]));
        let lines = items(&schema["oneOf"]).iter().map(|word| {
            let written = match word.get("const") {
                Some(word) => format!("`{}`", text(word)),
                None => type_of(word),
            };
            [written, text(&word["description"]).to_owned()]
        });
        table(page, ["word", "what"], lines);
    }
}

fn errors(page: &mut String, components: &Value) {
    heading(page, 2, "Errors");
    paragraph(page, "`data.kind` is stable text to match on; `code` follows from it.");
    let kinds = items(&components["schemas"]["ErrorKind"]["oneOf"]);
    let mut lines: Vec<(i64, [String; 3])> = Vec::new();
    for (name, error) in components["errors"].as_object().into_iter().flatten() {
        let described = kinds.iter().find(|kind| kind["const"].as_str() == Some(name));
        let words = described.map_or("", |kind| text(&kind["description"]));
        let code = error["code"].as_i64().unwrap_or_default();
        lines.push((code, [format!("`{name}`"), code.to_string(), words.to_owned()]));
    }
    lines.sort_by_key(|(code, _)| std::cmp::Reverse(*code));
    table(page, ["kind", "code", "why"], lines.into_iter().map(|(_, line)| line));
}

/// A param or a member.
fn row(name: &str, is_required: bool, schema: &Value) -> [String; 3] {
    let mut words = text(&schema["description"]).to_owned();
    let default = schema.get("default").map(Value::to_string).filter(|it| it.len() <= LONGEST_DEFAULT);
    if let Some(default) = default.filter(|default| default != "null") {
        let _written = write!(words, " Default: `{default}`.").is_ok();
    }
    let needed = if is_required { "" } else { ", optional" };
    [format!("`{name}`"), format!("{}{needed}", type_of(schema)), words]
}

/// What something is, with a link to where that is told.
fn type_of(schema: &Value) -> String {
    if let Some(name) = schema["$ref"].as_str().and_then(|path| path.rsplit('/').next()) {
        return format!("[{name}](#{})", anchor(name));
    }
    for several in ["allOf", "anyOf", "oneOf"] {
        let parts: Vec<String> =
            items(&schema[several]).iter().filter(|part| part["type"] != "null").map(type_of).collect();
        if !parts.is_empty() {
            return parts.join(" or ");
        }
    }
    if let Some(word) = schema["const"].as_str() {
        return format!("`{word}`");
    }
    let names: Vec<&str> = match &schema["type"] {
        Value::Array(names) => {
            names.iter().filter_map(Value::as_str).filter(|name| *name != "null").collect()
        }
        name => name.as_str().into_iter().collect(),
    };
    match names.as_slice() {
        ["array"] => format!("list of {}", type_of(&schema["items"])),
        [] => "anything".to_owned(),
        names => names.join(" or "),
    }
}

fn items(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap_or_default()
}

/// Where a heading is found, as mdBook and most forges make it of its words.
fn anchor(heading: &str) -> String {
    heading.to_lowercase().chars().filter(|c| c.is_alphanumeric() || *c == '_').collect()
}

fn heading(page: &mut String, level: usize, words: &str) {
    let _written = write!(page, "\n{} {words}\n", "#".repeat(level)).is_ok();
}

fn paragraph(page: &mut String, words: &str) {
    if !words.is_empty() {
        let _written = write!(page, "\n{}\n", one_line(words)).is_ok();
    }
}

/// Markdown would take `<` and `*` for its own, and so would a table `|`.
fn one_line(words: &str) -> String {
    words.split_whitespace().collect::<Vec<_>>().join(" ").replace('<', "\\<")
}

fn table<const N: usize>(page: &mut String, head: [&str; N], lines: impl Iterator<Item = [String; N]>) {
    let cells = |cells: &[String]| {
        let cells = cells.iter().map(|cell| one_line(cell).replace('|', "\\|"));
        format!("| {} |\n", cells.collect::<Vec<_>>().join(" | "))
    };
    page.push('\n');
    page.push_str(&cells(&head.map(str::to_owned)));
    page.push_str(&format!("|{}\n", "---|".repeat(N)));
    for line in lines {
        page.push_str(&cells(&line));
    }
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::super::document;
    use super::*;

    #[test]
    fn the_checked_in_page_is_the_generated_one() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../client/guide/src/protocol.md");
        assert!(
            std::fs::read_to_string(path).unwrap() == reference(&document()),
            "client/guide/src/protocol.md is stale: cargo run -p settled-protocol --example reference > client/guide/src/protocol.md"
        );
    }

    #[test]
    fn every_method_record_word_and_error_has_its_place_and_links_lead_there() {
        let (document, page) = (document(), reference(&document()));
        let headings: Vec<String> =
            page.lines().filter_map(|line| line.strip_prefix("### ")).map(anchor).collect();
        let places: BTreeSet<&String> = headings.iter().collect();
        assert_eq!(places.len(), headings.len(), "two headings have one anchor");
        for method in items(&document["methods"]) {
            assert!(places.contains(&anchor(text(&method["name"]))), "{method}");
        }
        for name in document["components"]["schemas"].as_object().unwrap().keys() {
            assert!(places.contains(&anchor(name)), "{name}");
        }
        for kind in document["components"]["errors"].as_object().unwrap().keys() {
            assert!(page.contains(&format!("| `{kind}` | -")), "{kind}");
        }
        for link in page.split("](#").skip(1).map(|rest| rest.split(')').next().unwrap()) {
            assert!(places.contains(&link.to_owned()), "{link} leads nowhere");
        }
    }
}

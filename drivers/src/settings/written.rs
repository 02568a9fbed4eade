//! A table as it was written: the values' own text, tables within it in one line.

use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// `key = value`, a line each, by the order of the keys in the file.
pub(super) fn table(text: &str, table: &DeTable<'_>) -> String {
    pairs(text, table).into_iter().map(|pair| pair + "\n").collect()
}

fn pairs(text: &str, table: &DeTable<'_>) -> Vec<String> {
    let mut entries: Vec<_> = table.iter().collect();
    entries.sort_by_key(|(key, _)| key.span().start);
    let pair =
        |key: &Spanned<_>, it| format!("{} = {}", text.get(key.span()).unwrap_or_default(), value(text, it));
    entries.into_iter().map(|(key, it)| pair(key, it)).collect()
}

fn value(text: &str, value: &Spanned<DeValue<'_>>) -> String {
    match value.get_ref() {
        DeValue::Table(table) => format!("{{ {} }}", pairs(text, table).join(", ")),
        DeValue::Array(items) => {
            let items: Vec<String> = items.iter().map(|item| self::value(text, item)).collect();
            format!("[{}]", items.join(", "))
        }
        _ => text.get(value.span()).unwrap_or_default().to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::super::read;

    #[test]
    fn a_table_is_given_as_it_was_written() {
        let text = "[[meter]]\nport = 'a\\b' # where\nbaud = 9_600\nusb = { vendor = 0x12, serial = \"x\" }\nspan = [1,\n2.50]\n[meter.more]\nflag = true\n";
        let found = read("t.toml", text, |root| {
            let mut tables = root.tables("meter");
            tables.iter_mut().for_each(super::super::Table::ignore_rest);
            Some(tables[0].written())
        });
        let expected = "port = 'a\\b'\nbaud = 9_600\nusb = { vendor = 0x12, serial = \"x\" }\nspan = [1, 2.50]\nmore = { flag = true }\n";
        assert_eq!(found.unwrap(), expected);
    }
}

//! Whatever a file holds, it is played or refused.

use proptest::prelude::*;

use super::timing::table;
use super::*;

/// Lines that look like those of a recording, or of a log, in parts.
fn lines() -> impl Strategy<Value = Vec<u8>> {
    let shipped: Vec<String> = SHIPPED.lines().map(str::to_owned).collect();
    let table: Vec<String> = table().lines().map(str::to_owned).collect();
    let line = prop_oneof![
        4 => prop::sample::select(shipped),
        2 => prop::sample::select(table),
        1 => ".{0,80}",
        1 => Just("\"".to_owned()),
    ];
    let edited = (line, any::<prop::sample::Index>(), any::<u8>(), any::<bool>());
    let edited = edited.prop_map(|(line, place, byte, whole)| {
        let mut line = line.into_bytes();
        if !whole && !line.is_empty() {
            let place = place.index(line.len());
            line[place] = byte;
        }
        line
    });
    (any::<bool>(), prop::collection::vec(edited, 0..30)).prop_map(|(headed, lines)| {
        let head = SHIPPED.lines().take(if headed { 2 } else { 0 }).map(|line| line.as_bytes().to_vec());
        head.chain(lines).collect::<Vec<_>>().join(&b'\n')
    })
}

proptest! {
    #[test]
    fn whatever_a_file_holds_it_is_played_or_refused(text in lines()) {
        if let Ok(driver) = configured(&text, "") {
            prop_assert!(driver.source().is_replayed());
        }
    }

    #[test]
    fn whatever_bytes_a_file_holds_it_is_played_or_refused(text in prop::collection::vec(any::<u8>(), 0..400)) {
        let _either = configured(&text, "").is_ok();
    }
}

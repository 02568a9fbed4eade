//! Lines out of whatever bytes come, in whatever pieces.

use proptest::collection::vec;
use proptest::prelude::*;

use super::*;
use crate::link::script::{Script, Step};

/// Lines over a link that says `said`.
fn lines(said: Vec<Step>, ending: &[u8]) -> LineLink {
    let endings = Endings { sent: b"\n".to_vec(), answered: ending.to_vec() };
    LineLink::new(Box::new(Script::new(|_| Vec::new()).saying(said)), endings)
}

/// `bytes` in pieces that end where `cuts` says.
fn pieces(bytes: &[u8], cuts: &[usize]) -> Vec<Step> {
    let mut cuts: Vec<usize> =
        cuts.iter().map(|cut| cut % (bytes.len() + 1)).chain([0, bytes.len()]).collect();
    cuts.sort_unstable();
    cuts.windows(2).map(|pair| Step::Say(bytes[pair[0]..pair[1]].to_vec())).collect()
}

/// On a runtime whose time passes as soon as nobody has anything to do.
fn at_leisure<T>(doing: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .start_paused(true)
        .build()
        .unwrap()
        .block_on(doing)
}

async fn next(line: &mut LineLink) -> Result<String, Fault> {
    line.line(Instant::now() + Duration::from_secs(1)).await
}

proptest! {
    #[test]
    fn lines_are_the_same_however_they_come_in_pieces(
        texts in vec("[^\r\n]{0,40}", 1..6),
        cuts in vec(any::<usize>(), 0..12),
        crlf: bool,
    ) {
        let ending: &[u8] = if crlf { b"\r\n" } else { b"\n" };
        let said: Vec<u8> = texts.iter().flat_map(|text| [text.as_bytes(), ending].concat()).collect();
        at_leisure(async {
            let mut line = lines(pieces(&said, &cuts), ending);
            for text in &texts {
                prop_assert_eq!(&next(&mut line).await.unwrap(), text);
            }
            prop_assert_eq!(next(&mut line).await.unwrap_err().kind(), FaultKind::Silent);
            Ok(())
        })?;
    }

    #[test]
    fn whatever_bytes_come_reading_them_ends_and_little_is_held(
        bytes in vec(any::<u8>(), 0..20_000),
        cuts in vec(any::<usize>(), 0..12),
    ) {
        at_leisure(async {
            let mut line = lines(pieces(&bytes, &cuts), b"\r\n");
            let mut given = 0;
            loop {
                match next(&mut line).await {
                    Ok(text) => given += text.len() + 2,
                    Err(fault) if fault.kind() == FaultKind::Silent => break,
                    Err(fault) => prop_assert_eq!(fault.kind(), FaultKind::Garbled),
                }
            }
            prop_assert!(given <= bytes.len() && line.held.len() <= LONGEST);
            Ok(())
        })?;
    }

    #[test]
    fn an_excerpt_is_short_and_has_no_control_characters(text in any::<String>()) {
        let excerpt = excerpt(&text);
        prop_assert!(!excerpt.chars().any(char::is_control), "{:?}", excerpt);
        prop_assert!(excerpt.chars().count() <= 10 * 60 + 3);
    }
}

#[tokio::test(start_paused = true)]
async fn what_came_unasked_is_no_answer_to_a_command() {
    let said = vec![Step::say("battery low\n"); 300];
    let mut line = lines(said, b"\n");
    line.send("M", Duration::from_secs(1)).await.unwrap();
    assert_eq!(next(&mut line).await.unwrap_err().kind(), FaultKind::Silent);
}

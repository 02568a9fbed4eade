use clap::Parser;
use settled_protocol::stage::Range;

use super::*;

#[derive(Debug, Parser)]
struct Line {
    #[command(flatten)]
    way: Way,
}

fn way(words: &[&str]) -> Way {
    Line::try_parse_from([&["settle"], words].concat()).unwrap().way
}

#[test]
fn the_way_is_the_one_that_the_options_need_or_the_one_that_fits_the_meter() {
    assert_eq!(way(&[]).kind(true), Kind::Stage);
    assert_eq!(way(&[]).kind(false), Kind::Page);
    assert_eq!(way(&["--show-command", "show {r}"]).kind(true), Kind::Command);
    assert_eq!(way(&["--page-address", "127.0.0.1"]).kind(true), Kind::Page);
    assert_eq!(way(&["--show", "prompt"]).kind(true), Kind::Prompt);
}

#[test]
fn options_that_do_not_go_together_are_named() {
    for (words, expected) in [
        (&["--show", "command"][..], "needs --show-command"),
        (&["--show", "page", "--show-command", "x"], "--show-command goes with"),
        (&["--show", "prompt", "--page-address", "127.0.0.1:8080"], "--page-address goes with"),
        (&["--show", "stage"], "simulated meter"),
    ] {
        let mistake = way(words).mistake(false).unwrap_or_default();
        assert!(mistake.contains(expected), "{words:?}: {mistake}");
    }
    let mistake = way(&["--show-pause", "2s"]).mistake(true).unwrap_or_default();
    assert!(mistake.contains("--show-pause does not go with --show stage"), "{mistake}");
    for words in [
        &["--show", "prompt", "--show-pause", "2s"][..],
        &["--show", "page", "--show-pause", "2s"],
        &["--show-command", "x"],
        &["--show", "stage"],
    ] {
        assert_eq!(way(words).mistake(true), None, "{words:?}");
    }
}

#[test]
fn a_page_waits_for_the_display_unless_told_otherwise_and_the_others_do_not() {
    let pause = |words: &[&str], simulated| way(words).pause(simulated).0;
    assert!(pause(&[], false) >= Duration::from_millis(100), "a late television's delay, and some more");
    assert_eq!(pause(&["--show-pause", "0s"], false), Duration::ZERO);
    assert_eq!(pause(&["--show-pause", "2s"], false), Duration::from_secs(2));
    assert_eq!(pause(&["--show-command", "x"], false), Duration::ZERO);
    assert_eq!(pause(&[], true), Duration::ZERO);
}

#[test]
fn a_page_is_refused_what_it_can_not_show_before_anything_is_opened() {
    let (eight, ten) = (Coding { bits: 8, range: Range::Full }, Coding { bits: 10, range: Range::Full });
    let of = |words: &[&str], coding, transfer| {
        way(words).can_show(false, coding, transfer).err().map(|error| error.why)
    };
    let hlg = Transfer::Hlg { surround_cd_m2: 5.0 };
    assert_eq!(of(&[], eight, Transfer::Srgb), None);
    for (coding, transfer, expected) in [
        (ten, Transfer::Bt1886, "bits = 8"),
        (eight, Transfer::Pq, "no signal of PQ"),
        (eight, hlg, "no signal of HLG"),
    ] {
        let why = of(&[], coding, transfer).unwrap_or_default();
        assert!(why.contains(expected) && why.contains("--show"), "{why}");
        for words in [&["--show", "prompt"][..], &["--show-command", "x"]] {
            assert_eq!(of(words, coding, transfer), None, "{words:?}");
        }
    }
}

#[test]
fn an_address_that_stands_for_every_one_is_refused_and_so_is_a_name() {
    for address in ["0.0.0.0", "[::]:8080", "display.example.org", "127.0.0.1:99999"] {
        let refused = Line::try_parse_from(["settle", "--page-address", address]);
        assert!(refused.is_err(), "{address}");
    }
    assert_eq!(way(&["--page-address", "::1"]).page_address, "[::1]:0".parse().ok());
}

#[tokio::test]
async fn a_mistake_is_told_before_anything_is_shown() {
    let error =
        way(&["--show", "stage"]).open(Output { json: true, ..Output::default() }, None).await.unwrap_err();
    assert!(error.why.contains("simulated meter"), "{}", error.why);
}

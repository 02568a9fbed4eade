use super::*;

const FULL: Coding = Coding { bits: 8, range: Range::Full };

async fn page(patience: Duration) -> Page {
    Page::open(
        Output { json: true, ..Output::default() },
        &Manner { address: None, patience, pause: Pause::default() },
    )
    .await
    .unwrap()
}

fn patch(codes: [u16; 3], window_percent: f64) -> Patch {
    Patch { name: "grey".to_owned(), codes, background: [0; 3], window_percent }
}

#[tokio::test]
async fn where_nobody_opens_the_page_it_is_said_what_to_do() {
    let mut page = page(Duration::from_millis(20)).await;
    let url = page.url().to_owned();
    let error = page.show(&patch([128; 3], 10.0), FULL).await.unwrap_err();
    assert!(error.why.starts_with("grey was not shown within 20ms"), "{}", error.why);
    assert!(error.why.contains(&format!("open {url} on the display")), "{}", error.why);
    assert_eq!((page.view(), page.disturbed()), (None, None));
    // Nobody to say it to, so that nobody is waited for.
    page.end().await;
}

#[tokio::test]
async fn what_a_page_can_not_show_as_it_is_is_refused_and_never_rounded() {
    let mut page = page(Duration::from_secs(600)).await;
    for coding in [Coding { bits: 10, ..FULL }, Coding { range: Range::Narrow, ..FULL }] {
        let error = page.show(&patch([128; 3], 10.0), coding).await.unwrap_err();
        assert!(error.why.contains("8 bits and full range"), "{}", error.why);
    }
    for (codes, percent) in [([256, 0, 0], 10.0), ([0; 3], 0.0), ([0; 3], 101.0), ([0; 3], f64::NAN)] {
        assert!(page.show(&patch(codes, percent), FULL).await.is_err(), "{codes:?} {percent}");
    }
}

#[tokio::test]
async fn two_pages_have_addresses_that_do_not_tell_of_each_other() {
    let (one, other) = (page(Duration::ZERO).await, page(Duration::ZERO).await);
    let token = |page: &Page| page.url().rsplit('/').nth(1).map(str::to_owned).unwrap();
    assert_eq!((token(&one).len(), token(&other).len()), (32, 32));
    assert_ne!(token(&one), token(&other));
}

//! Faults of a link that is in order again without being opened anew, as one of messages is.

use super::*;

#[tokio::test(start_paused = true)]
async fn a_link_that_failed_and_was_put_in_order_goes_on() {
    let garbled = r#""what":"received","bytes":"+9.5E+01;what;is;this\n""#;
    assert!(SHIPPED.contains(garbled));
    let text = SHIPPED.replace(garbled, r#""what":"link_fault","kind":"garbled","detail":"halted""#);
    for settings in ["", "at_end = \"leave\"\n"] {
        let (driver, clock) = (configured(text.as_bytes(), settings).unwrap(), clock());
        let mut meter = driver.open(&clock).await.unwrap();
        for _ in 0..3 {
            measure(meter.as_mut(), None).await.unwrap();
        }
        assert_eq!(measure(meter.as_mut(), None).await, Err(FaultKind::Garbled));
        meter.recover().await.unwrap();
        measure(meter.as_mut(), None).await.unwrap();
    }
}

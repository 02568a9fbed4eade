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

#[tokio::test(start_paused = true)]
async fn a_link_of_messages_that_was_unplugged_while_nobody_asked_is_unplugged_again() {
    let opened = SHIPPED.lines().position(|line| line.contains(r#""what":"opened""#)).unwrap();
    let mut lines: Vec<&str> = SHIPPED.lines().take(opened + 1).collect();
    lines.push(
        r#"{"t_s":3.0,"meter":"bench","what":"link_fault","kind":"gone","detail":"it has been unplugged"}"#,
    );
    for speaks_unasked in ["true", "false"] {
        let text = lines.join("\n") + "\n";
        let text = text.replace(r#""speaks_unasked":true"#, &format!(r#""speaks_unasked":{speaks_unasked}"#));
        let (driver, clock) = (configured(text.as_bytes(), "").unwrap(), clock());
        let mut meter = driver.open(&clock).await.unwrap();
        let limit = std::time::Duration::from_secs(10);
        let fault = tokio::time::timeout(limit, meter.departed()).await.expect(speaks_unasked);
        assert_eq!((fault.kind(), fault.to_string().as_str()), (FaultKind::Gone, "it has been unplugged"));
    }
}

//! When the readings of a log come.

use super::*;

/// A log's readings, 2 s apart, each 0.5 s long.
pub(super) fn table() -> String {
    let mut table = "sequence,meter,at,t_s,began_s,boot,integration_s,X,Y,Z,unit,chromaticity_x,chromaticity_y,u_prime,v_prime,temperature_c,flags\n".to_owned();
    for n in 0..5 {
        let (y, t_s) = (100.0 + f64::from(n), 1000.5 + 2.0 * f64::from(n));
        table += &format!(
            "{n},m,2026-11-26T20:00:0{n}Z,{t_s},{},b,0.5,95,{y},108,cd/m2,0.31,0.33,0.19,0.46,30,simulated shared\n",
            t_s - 0.5
        );
    }
    table
}

async fn value(meter: &mut dyn Meter) -> f64 {
    measure(meter, None).await.unwrap().light().unwrap().value()
}

#[tokio::test(start_paused = true)]
async fn readings_come_at_the_time_they_were_taken_and_what_nobody_asked_for_is_past() {
    for (speed, settings) in [(1.0, ""), (4.0, "speed = 4")] {
        let driver = configured(table().as_bytes(), settings).unwrap();
        assert_eq!(driver.source(), crate::driver::Source::ReplayedSimulation);
        let clock = clock();
        let mut meter = driver.open(&clock).await.unwrap();
        clock.sleep_until(7.0).await;
        let near = |t_s: f64| assert!((clock.now_s() - t_s).abs() < 0.01, "at {} s", clock.now_s());
        assert_eq!(value(meter.as_mut()).await, 100.0);
        near(7.0 + 0.5 / speed);
        assert_eq!(value(meter.as_mut()).await, 101.0);
        near(7.0 + 2.5 / speed);
        clock.sleep_until(7.0 + 5.0 / speed).await;
        // The third has ended meanwhile.
        assert_eq!(value(meter.as_mut()).await, 103.0);
        near(7.0 + 6.5 / speed);
        assert_eq!(value(meter.as_mut()).await, 104.0);
        // It begins again, with the first at once.
        assert_eq!(value(meter.as_mut()).await, 100.0);
        near(7.0 + 9.0 / speed);
    }
}

#[tokio::test(start_paused = true)]
async fn readings_that_are_asked_for_come_in_order_each_after_its_own_integration_time() {
    let driver = configured(table().as_bytes(), "pace = \"asked\"\nat_end = \"leave\"").unwrap();
    let clock = clock();
    let mut meter = driver.open(&clock).await.unwrap();
    assert_eq!(measure(meter.as_mut(), Some(0.5)).await, Err(FaultKind::Unsupported));
    for n in 0..5 {
        assert_eq!(value(meter.as_mut()).await, 100.0 + f64::from(n));
    }
    assert_eq!(measure(meter.as_mut(), None).await, Err(FaultKind::Gone));
    assert_eq!(driver.open(&clock).await.unwrap_err().kind(), FaultKind::Gone);
    assert!((clock.now_s() - 5.0 * 0.5).abs() < 0.05, "at {} s", clock.now_s());
}

#[tokio::test(start_paused = true)]
async fn where_nothing_is_known_of_how_long_a_reading_took_there_are_a_hundred_a_second_and_no_more() {
    let short = String::from_utf8(sampled(&short())).unwrap();
    for text in ["meter,t_s,Y\nm,1,100\nm,1,101\n".to_owned(), short] {
        let driver = configured(text.as_bytes(), "pace = \"asked\"").unwrap();
        let clock = clock();
        let mut meter = opened(&driver, &clock).await;
        let before_s = clock.now_s();
        for _ in 0..200 {
            value(meter.as_mut()).await;
        }
        let took_s = clock.now_s() - before_s;
        assert!((2.0..2.5).contains(&took_s), "{took_s} s: {text}");
    }
}

#[tokio::test(start_paused = true)]
async fn each_time_that_a_recording_begins_anew_is_counted_once_its_first_reading_is_given() {
    let samples = table();
    let link = sampled(&short());
    for (text, count) in [(samples.as_bytes(), 5), (&link, 2)] {
        for settings in ["", "pace = \"asked\""] {
            let driver = configured(text, settings).unwrap();
            let clock = clock();
            let mut meter = opened(&driver, &clock).await;
            let mut rounds = Vec::new();
            for _ in 0..2 * count + 1 {
                value(meter.as_mut()).await;
                rounds.push(driver.rounds());
            }
            let expected: Vec<u64> = (0..2 * count + 1).map(|n| n / count).collect();
            assert_eq!(rounds, expected, "{settings}");
        }
    }
}

/// The same recording of a link, with the calls to the driver in it that its bytes came of.
fn sampled(recording: &[u8]) -> Vec<u8> {
    let text = String::from_utf8(recording.to_vec()).unwrap();
    let asked = r#"{"t_s":1,"meter":"b","what":"asked","call":"measure"}"#;
    let gave = r#"{"t_s":2.2,"meter":"b","what":"sample","light":{"luminance_cd_m2":100.5}}"#;
    let mut lines: Vec<&str> = Vec::new();
    for line in text.lines() {
        if line.contains("\"sent\"") {
            lines.push(asked);
        }
        lines.push(line);
        if line.contains("\"received\"") && line.contains(r"\r\n") {
            lines.push(gave);
        }
    }
    (lines.join("\n") + "\n").into_bytes()
}

#[tokio::test(start_paused = true)]
async fn a_long_gap_is_said_to_be_one_and_not_waited_out() {
    let late =
        table() + "9,m,2026-11-26T21:00:00Z,4600,4599.5,b,0.5,95,200,108,cd/m2,0.31,0.33,0.19,0.46,30,\n";
    let driver = configured(late.as_bytes(), "").unwrap();
    let clock = clock();
    let mut meter = driver.open(&clock).await.unwrap();
    for _ in 0..5 {
        value(meter.as_mut()).await;
    }
    assert_eq!(measure(meter.as_mut(), None).await, Err(FaultKind::Refused));
    clock.sleep_until(3590.0).await;
    assert_eq!(value(meter.as_mut()).await, 200.0);
}

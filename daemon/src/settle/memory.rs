//! How much memory an engine takes, and that it takes it once.

use allocation_counter::{AllocationInfo, measure};
use settled_protocol::settling::Test;

use super::tests::{Noise, verdicts};
use super::*;

/// Ten readings a second with a chromaticity.
fn readings(range: std::ops::Range<u32>, light: impl Fn(f64) -> f64) -> Vec<Observation> {
    let mut noise = Noise(17);
    let reading = |index| {
        let t_s = 0.1 * f64::from(index);
        let [y, u, v] = [light(t_s), 0.2, 0.47].map(|level| level * (1.0 + 2e-4 * noise.normal()));
        Observation { t_s, integration_s: Some(0.05), y, uv: Some([u, v]) }
    };
    range.map(reading).collect()
}

/// The allocations of readings that change no verdict, and the changes of those that do, with their allocations.
fn feed(engine: &mut Engine, readings: &[Observation]) -> (u64, Vec<(Change, AllocationInfo)>) {
    let (mut quiet, mut changes) = (0, Vec::new());
    for reading in readings {
        let mut change = None;
        let taken = measure(|| change = engine.push(*reading));
        match change {
            Some(change) => changes.push((change, taken)),
            None => quiet += taken.count_total,
        }
    }
    (quiet, changes)
}

/// Everything that can happen to a request: an approach with its forecasts, outliers, steps, gaps, light that is lost and found,
/// noise without end; and readings merged many times over.
#[test]
fn a_hundred_thousand_readings_after_warm_up_allocate_nothing_but_lists_of_failing_tests() {
    let light = |t: f64| {
        let level = if t % 1400.0 < 700.0 { 100.0 } else { 140.0 };
        let approach = 1.0 + 0.1 * (-(t % 700.0) / 60.0).exp();
        let outlier = if t % 31.0 < 0.1 { 0.2 } else { 1.0 };
        level * approach * outlier
    };
    let all = readings(0..101_000, light);
    let (warm_up, rest) = all.split_at(1000);
    let mut engine = Engine::new(Criteria::default(), None, 0.0);
    for reading in warm_up {
        engine.push(*reading);
    }
    let (mut quiet, mut changes) = (0, Vec::new());
    for part in rest.chunks(12_345) {
        let (more, news) = feed(&mut engine, part);
        quiet += more;
        changes.extend(news);
        quiet += measure(|| engine.gap()).count_total;
    }
    assert_eq!(quiet, 0);
    assert!(engine.steps >= 10 && engine.outliers >= 200, "{} {}", engine.steps, engine.outliers);
    let count = |verdict| changes.iter().filter(|(change, _)| change.verdict == verdict).count();
    assert!(count(Verdict::Settled) >= 10 && count(Verdict::Lost) >= 10, "{changes:?}");
    for (change, taken) in &changes {
        // A vector of one or a few small members: nothing for settled, which fails no test.
        let most = u64::from(!change.evidence.failing.is_empty());
        assert_eq!(taken.count_total, most, "{change:?}");
        assert!(taken.bytes_total <= 8 * size_of::<Test>() as u64, "{taken:?}");
    }
}

#[test]
fn hopeless_light_allocates_nothing_but_the_list_of_its_failing_tests() {
    let mut engine = Engine::new(Criteria::default(), None, 0.0);
    let (quiet, changes) = feed(&mut engine, &readings(0..40_000, |t| 100.0 + 0.05 * t));
    let seen: Vec<_> = changes.iter().map(|(change, _)| change.clone()).collect();
    assert_eq!((quiet, verdicts(&seen)), (0, vec![Verdict::WontSettle]));
    assert!(engine.forecast().is_some());
}

/// As the engine's documentation says: readings, what is left, and quantiles where they aren't shared, all allocated when it is
/// made.
#[test]
fn an_engine_is_as_large_as_its_parts() {
    // The quantiles of the usual confidence are made once for all.
    drop(Engine::new(Criteria::default(), None, 0.0));
    let made = |criteria| {
        let mut made = None;
        let taken = measure(|| made = Some(Engine::new(criteria, None, 0.0)));
        (made.unwrap(), taken.bytes_current)
    };
    let (engine, taken) = made(Criteria::default());
    let readings = engine.luminance.bytes() + engine.colour.bytes();
    let suspects = 64 * size_of::<Observation>();
    let blocks = blocks::MOST * size_of::<blocks::Block>();
    assert_eq!([readings, suspects, blocks], [72_704, 3_584, 3_072]);
    assert_eq!(taken, (readings + suspects + blocks) as i64);
    // With the counts of their shared ownership.
    let (_, unusual) = made(Criteria { confidence: 0.98, ..Criteria::default() });
    assert!((6_400..6_500).contains(&(unusual - taken)), "{}", unusual - taken);
    let itself = size_of::<Engine>();
    assert!(itself + suspects + blocks < 10_240, "{itself}");
}

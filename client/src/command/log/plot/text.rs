//! The course of a stretch in text: means as points, the range of readings behind them, what happened on the axis.

use crate::course::{Course, letter};
use crate::output::{CAUTION, styled};
use crate::plot::Plot;
use crate::show;
use crate::zone::Zone;
use settled_protocol::time::Timestamp;

/// Columns and rows of the curve: with its axis it fits a terminal.
pub(super) const CURVE: (usize, usize) = (66, 14);

/// The lines, top first.
pub(super) fn lines(course: &Course, zone: &Zone, ascii: bool) -> Vec<String> {
    let ends = course.span();
    let plot = Plot { width: CURVE.0, height: CURVE.1, levels: &[], ascii, across: Some(ends) };
    let points: Vec<(f64, f64)> = course.bins.iter().map(|bin| (course.middle(bin), bin.mean)).collect();
    let ranges: Vec<(f64, f64, f64)> =
        course.bins.iter().map(|bin| (course.middle(bin), bin.min, bin.max)).collect();
    let unreal = course.unreal().join(", ");
    let unit = course.quantity().unit();
    let mut lines = vec![heading(course, &unreal), plot.unit(unit)];
    lines.extend(plot.rows_with_ranges(&points, &ranges));
    let happened = course.happened();
    let marks: Vec<(f64, char)> = happened
        .iter()
        .enumerate()
        .flat_map(|(index, (_, times))| times.iter().map(move |at| (*at, letter(index))))
        .collect();
    lines.extend(plot.axis(&points, &marks));
    if !points.is_empty() {
        lines.push(plot.foot(&moment(ends.0, zone), &moment(ends.1, zone)));
    }
    lines.extend(happened.iter().enumerate().map(|(index, (kind, times))| {
        let count = if times.len() > 1 { format!(" ({})", times.len()) } else { String::new() };
        format!("  {}  {}{count}", letter(index), kind.name().replace('_', " "))
    }));
    if course.more_events {
        lines.push("  and more events: settle log events has them".to_owned());
    }
    lines.extend(course.settled.iter().map(|level| format!("  {}", level.words(unit))));
    lines.extend(course.gaps().iter().map(|(from, to)| {
        format!("  no readings from {} for {}", moment(*from, zone), show::span(to - from))
    }));
    lines
}

fn heading(course: &Course, unreal: &str) -> String {
    let every = course.bins.iter().map(|bin| bin.span_s).fold(0.0, f64::max);
    let caution = if unreal.is_empty() { String::new() } else { format!("  {}", styled(CAUTION, unreal)) };
    let readings = show::counted(course.readings(), "reading", "readings");
    format!("{}: {readings}, the mean and range of each {}{caution}", course.name, show::span(every))
}

#[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "since 1970, far below 2^63 ns")]
fn moment(at_s: f64, zone: &Zone) -> String {
    let at = Timestamp::from_unix_ns((at_s * 1e9) as u64);
    let local = zone.at(at);
    format!("{} {} {}", local.full_date(), local.minute(), zone.words(at, at))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::course::tests::{course, event};

    #[test]
    fn a_night_in_text_has_its_gap_its_events_and_fits_a_terminal() {
        let minutes: Vec<u64> = (0..200).chain(320..500).collect();
        let mut night = course(&minutes);
        night.events = vec![event("run_started", 0), event("meter_gone", 200), event("meter_ready", 319)];
        night.events.push(event("run_ended", 501));
        let lines = lines(&night, &Zone::utc(), true);
        let plain = lines.join("\n");
        assert!(lines.iter().skip(1).all(|line| line.chars().count() <= 80), "{plain}");
        let axis = lines.iter().find(|line| line.trim_start().starts_with('+')).unwrap();
        assert!(axis.contains("b") && axis.contains("c") && axis.contains("+a"), "{plain}");
        assert!(axis.ends_with('d') && plain.contains("d  run ended"), "{plain}");
        assert!(plain.contains("b  meter gone") && plain.contains("c  meter ready"), "{plain}");
        assert!(plain.contains("no readings from 2026-11-26 21:20 UTC for 2.0 h"), "{plain}");
        assert!(lines[0].contains("SIMULATED") && lines[0].contains("760 readings"), "{plain}");
        // Nothing is drawn in the gap: 200 to 320 of 500 minutes.
        let gap = |row: &str| row.split('|').nth(1).unwrap()[28..41].trim().is_empty();
        assert!(lines.iter().filter(|line| line.contains('|')).all(|row| gap(row)), "{plain}");
    }

    #[test]
    fn a_run_of_long_bins_is_drawn_from_when_it_began_to_when_it_ended() {
        let mut night = course(&[0, 15, 30, 45]);
        night.bins.iter_mut().for_each(|bin| bin.span_s = 900.0);
        let (begin, _) = night.span();
        let mut night = night.from_to(begin + 9.0 * 60.0, begin + 64.0 * 60.0);
        night.events = vec![event("run_started", 9), event("clock_step", 36), event("run_ended", 64)];
        let lines = lines(&night, &Zone::utc(), true);
        let plain = lines.join("\n");
        let axis = lines.iter().find(|line| line.trim_start().starts_with('+')).unwrap().trim_start();
        assert!(axis.starts_with("+a") && axis.ends_with('c'), "{plain}");
        // 27 of 55 minutes after the beginning.
        assert_eq!(axis.find('b').map(|at| (at - 1) * 55 / CURVE.0), Some(26), "{plain}");
        let foot = lines.iter().find(|line| line.trim_start().starts_with("2026-")).unwrap();
        assert!(foot.contains("18:09 UTC") && foot.ends_with("19:04 UTC"), "{plain}");
        // The first bin has its point where it was taken: between its run's beginning and its own end, not at the edge.
        let columns = lines.iter().filter_map(|line| line.split('|').nth(1)?.find('*'));
        assert_eq!(columns.min(), Some(3), "{plain}");
    }
}

//! The spectrum of settled light: the mean of those that the log has of the readings in the window that was judged.

use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::log::Selection;
use settled_protocol::method::LogReadings;
use settled_protocol::reading::{Flag, Reading};
use settled_protocol::settling::{Readings, Settled};
use settled_protocol::spectrum::Spectrum;

use super::Failure;
use crate::connection::{CallError, Connection};
use crate::show;

/// What a stamp may be off by at the edge of the window, in s: the sums that its length comes from are rounded.
const EDGE_S: f64 = 1e-6;

/// A mean of spectra, and of how many, from the first's sequence to the last's.
#[derive(Debug)]
pub(in crate::command) struct Mean {
    pub(in crate::command) spectrum: Spectrum,
    of: Readings,
}

impl Mean {
    /// What it is, in a line of its own.
    pub(in crate::command) fn words(&self, settled: &Settled) -> String {
        let Readings { count, first, last } = self.of;
        format!(
            "{}: {}; the mean of the spectra of {}, {first} to {last}, over {}",
            settled.meter,
            settled.verdict.name(),
            show::counted(count, "reading", "readings"),
            show::span(settled.evidence.window_s)
        )
    }
}

/// The mean of the spectra that led to an answer.
///
/// # Errors
/// If there were no readings, the log doesn't have them, they have no spectra, or spectra of unlike wavelengths.
pub(in crate::command) async fn mean(connection: &Connection, settled: &Settled) -> Result<Mean, Failure> {
    let refused = |kind, words: String| {
        Failure::from(CallError::Refused(RpcError::new(kind, words).about(&settled.meter)))
    };
    let Some(asked) = settled.readings else {
        return Err(refused(
            ErrorKind::Unsupported,
            "there were no readings, so there is no spectrum".to_owned(),
        ));
    };
    let missing = || {
        let words = format!("reading {} is not in the log, so its spectrum is lost", asked.last);
        refused(ErrorKind::LogUnavailable, words)
    };
    let last = page(connection, settled, asked.last - 1, Some(1), false).await?;
    let last =
        last.readings.into_iter().find(|reading| reading.sequence == asked.last).ok_or_else(missing)?;
    let from_s = last.t_s - settled.evidence.window_s - EDGE_S;
    let mut sum: Option<(Vec<f64>, Spectrum, Readings)> = None;
    let mut after = Some(before(connection, settled, asked, from_s).await?);
    while let Some(number) = after.filter(|number| *number < asked.last) {
        let page = page(connection, settled, number, None, true).await?;
        after = page.next;
        for reading in page.readings.iter().filter(|reading| counts(reading, settled, asked, from_s)) {
            let Some(spectrum) = &reading.spectrum else { continue };
            add(&mut sum, spectrum, reading.sequence)
                .map_err(|words| refused(ErrorKind::Unsupported, words))?;
        }
    }
    let Some((sums, like, of)) = sum else {
        return Err(refused(ErrorKind::Unsupported, format!("{} gives no spectra", settled.meter)));
    };
    #[expect(clippy::cast_precision_loss, reason = "no log has 2^53 readings")]
    let values: Vec<f64> = sums.into_iter().map(|sum| sum / of.count as f64).collect();
    let spectrum = Spectrum::new(like.start_nm(), like.step_nm(), values)
        .map_err(|error| refused(ErrorKind::Unsupported, error.to_string()))?;
    Ok(Mean { spectrum, of })
}

async fn page(
    connection: &Connection,
    settled: &Settled,
    after: u64,
    limit: Option<u32>,
    spectra: bool,
) -> Result<settled_protocol::log::ReadingsPage, Failure> {
    let meter = Some(settled.meter.clone());
    let selection = Selection { meter, after: Some(after), limit, spectra, ..Selection::default() };
    match connection.call::<LogReadings>(&selection).await {
        Err(CallError::Refused(mut error)) if error.kind() == ErrorKind::LogUnavailable => {
            error.message = format!("a settled spectrum is made from the log: {}", error.message);
            Err(CallError::Refused(error).into())
        }
        other => Ok(other?),
    }
}

/// The sequence before that of the first reading in the window. Spectra are large: those before it aren't fetched.
async fn before(
    connection: &Connection,
    settled: &Settled,
    asked: Readings,
    from_s: f64,
) -> Result<u64, Failure> {
    let mut after = Some(asked.first.saturating_sub(1));
    while let Some(number) = after {
        let page = page(connection, settled, number, None, false).await?;
        if let Some(first) = page.readings.iter().find(|reading| counts(reading, settled, asked, from_s)) {
            return Ok(first.sequence - 1);
        }
        after = page.next;
    }
    Ok(asked.last - 1)
}

/// Whether a reading is one of light in the window.
fn counts(reading: &Reading, settled: &Settled, asked: Readings, from_s: f64) -> bool {
    (asked.first..=asked.last).contains(&reading.sequence)
        && reading.t_s >= from_s
        && reading.correction == settled.correction
        && !reading.flags.contains(&Flag::Dark)
}

/// Adds a spectrum to the sum of those before it, all of the same wavelengths.
fn add(
    sum: &mut Option<(Vec<f64>, Spectrum, Readings)>,
    spectrum: &Spectrum,
    sequence: u64,
) -> Result<(), String> {
    let Some((sums, like, of)) = sum else {
        let of = Readings { count: 1, first: sequence, last: sequence };
        *sum = Some((spectrum.values().to_vec(), spectrum.clone(), of));
        return Ok(());
    };
    let is_like = spectrum.start_nm() == like.start_nm()
        && spectrum.step_nm() == like.step_nm()
        && spectrum.values().len() == sums.len();
    if !is_like {
        return Err(format!("the spectra of readings {} and {sequence} have unlike wavelengths", of.last));
    }
    for (sum, value) in sums.iter_mut().zip(spectrum.values()) {
        *sum += value;
    }
    (of.count, of.last) = (of.count + 1, sequence);
    Ok(())
}

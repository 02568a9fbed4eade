//! The order in which the colours are shown and read: by both meters at once, or by one after the other.

use super::patch::Patch;
use super::readings::{Bench, Looker, Purpose, Seen, Unseen};
use super::{prompt, suspicion};
use crate::output::{CAUTION, styled};

/// Both meters' readings of every colour.
pub(super) struct Readings {
    pub(super) pairs: Vec<(Patch, Seen, Seen)>,
    /// White at the end, by whoever read it then.
    pub(super) again: Vec<(String, Seen)>,
}

/// How many times a colour is read with so many patches.
pub(super) fn steps(patches: usize, one_at_a_time: bool) -> usize {
    if one_at_a_time { 2 * patches + 1 } else { patches + 1 }
}

/// Has a colour shown and read. Where it looks like one before it, somebody is asked to show it again, if somebody is there.
async fn step(
    bench: &Bench<'_>,
    (patch, purpose): (&Patch, Purpose),
    lookers: &[&Looker],
    before: &[(Patch, Vec<Seen>)],
) -> Result<Vec<Seen>, Unseen> {
    bench.begin(patch);
    loop {
        bench.show(patch, lookers).await?;
        let seen = bench.read(patch, purpose, lookers).await?;
        match suspicion::alike(patch, lookers, &seen, before) {
            None => {
                bench.end();
                return Ok(seen);
            }
            Some(words) => bench.again(words)?,
        }
    }
}

/// Both meters look at the display at the same time.
pub(super) async fn at_once(
    bench: &Bench<'_>,
    patches: &[Patch],
    meter: &Looker,
    reference: &Looker,
) -> Result<Readings, Unseen> {
    let both = [meter, reference];
    let mut taken: Vec<(Patch, Vec<Seen>)> = Vec::new();
    for patch in patches {
        let seen = step(bench, (patch, Purpose::Correction), &both, &taken).await?;
        if let ([one, other], true) = (seen.as_slice(), taken.is_empty()) {
            early(bench, one, other);
        }
        taken.push((patch.clone(), seen));
    }
    let mut again = Vec::new();
    if let Some(white) = patches.first() {
        let seen = step(bench, (white, Purpose::Drift), &both, &taken).await?;
        again.extend(both.iter().map(|looker| looker.id.clone()).zip(seen));
    }
    let pairs = taken.into_iter().filter_map(|(patch, seen)| {
        let [one, other] = <[Seen; 2]>::try_from(seen).ok()?;
        Some((patch, one, other))
    });
    Ok(Readings { pairs: pairs.collect(), again })
}

/// Says at once what white says already, so that nobody waits for the other colours in vain. What went through a correction says
/// nothing yet.
fn early(bench: &Bench<'_>, meter: &Seen, reference: &Seen) {
    if meter.correction.is_none() {
        for suspicion in suspicion::of_white(meter.xyz, reference.xyz) {
            bench.say(&styled(CAUTION, &suspicion.words));
        }
    }
}

/// The reference reads all colours, then the meter, then the reference white once more.
pub(super) async fn one_at_a_time(
    bench: &Bench<'_>,
    patches: &[Patch],
    meter: &Looker,
    reference: &Looker,
) -> Result<Readings, Unseen> {
    let swap = async |looker: &Looker| {
        let words = format!("Put {} in front of the display, exactly where the other was", looker.id);
        if bench.alone { Ok(()) } else { prompt::enter(bench.output, &words).await }
    };
    let mut sides: Vec<Vec<(Patch, Vec<Seen>)>> = Vec::new();
    for looker in [reference, meter] {
        swap(looker).await?;
        let mut taken = Vec::new();
        for patch in patches {
            let seen = step(bench, (patch, Purpose::Correction), &[looker], &taken).await?;
            taken.push((patch.clone(), seen));
        }
        sides.push(taken);
    }
    swap(reference).await?;
    let mut again = Vec::new();
    if let (Some(white), Some(taken)) = (patches.first(), sides.first()) {
        let seen = step(bench, (white, Purpose::Drift), &[reference], taken).await?;
        again.extend(seen.into_iter().map(|seen| (reference.id.clone(), seen)));
    }
    let of_meter = sides.pop().unwrap_or_default();
    let of_reference = sides.pop().unwrap_or_default();
    let pairs = of_meter
        .into_iter()
        .zip(of_reference)
        .filter_map(|((patch, mut one), (_, mut other))| Some((patch, one.pop()?, other.pop()?)));
    Ok(Readings { pairs: pairs.collect(), again })
}

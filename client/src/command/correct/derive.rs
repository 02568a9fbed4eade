//! `settle correct derive`: both meters read the same colours of one display, and the daemon makes a correction of that.
//!
//! Nothing is changed before every reading is there: then the correction is added in one call and, if it is wanted, put in force in
//! another.

use clap::{Args, ValueEnum};
use serde_json::json;
use settled_drivers::nearest;
use settled_protocol::correction::{
    Colour, CorrectParams, Correction, CorrectionChanged, Derivation, NewCorrection, Subject,
};
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::meter::{Kind, Meter, Quantity};
use settled_protocol::method::{CorrectionsAdd, MeterCorrect, MetersList, Nothing};
use settled_protocol::quantity::Photometric;
use settled_protocol::text::Text;

use super::course::{Readings, at_once, one_at_a_time, steps};
use super::drift::{self, Drift};
use super::patch::{self, Patch};
use super::readings::{Bench, Looker, Seen, Unseen};
use super::suspicion::{self, Suspicion};
use super::{Exit, Failure, prompt, say_durable, say_in_force, table, text};
use crate::command::lease::held;
use crate::command::settled::CriteriaOptions;
use crate::command::{flush, until_interrupted};
use crate::connection::{CallError, Connection};
use crate::lease::{inherited, inherited_of};
use crate::output::{CAUTION, Output, styled};
use crate::quantities::percent;

#[derive(Debug, Args)]
pub(super) struct Options {
    /// The meter to correct: a colorimeter.
    meter: String,
    /// The meter that is taken for true: best a spectrometer.
    #[arg(long, value_name = "METER")]
    reference: String,
    /// How to make the matrix: four-colour fits white, red, green and blue; least-squares fits any colours, and without --colours all
    /// eight that have a name.
    #[arg(long, value_enum, default_value = "four-colour")]
    method: Method,
    /// The display, so that the correction is not taken for one of another.
    #[arg(long, value_name = "TEXT", value_parser = text)]
    display: Option<Text>,
    /// What to call the correction [default: the display, else the two meters].
    #[arg(long, value_name = "TEXT", value_parser = text)]
    name: Option<Text>,
    /// Whatever else there is to say of it.
    #[arg(long, value_name = "TEXT", value_parser = text)]
    note: Option<Text>,
    /// More colours: white, red, green, blue, cyan, magenta, yellow, grey, or NAME=R,G,B with code values of 1023. With four-colour
    /// they check the matrix; with least-squares they make it, white and these alone [default with least-squares: all eight].
    #[arg(long, value_name = "COLOUR", num_args = 1.., value_parser = patch::patch)]
    colours: Vec<Patch>,
    /// The window's share of the screen, with its %.
    #[arg(long, value_name = "PERCENT", value_parser = percent, default_value = "10%")]
    window: f64,
    /// Only one meter fits in front of the display: all colours with the reference, then, after a swap, with the other.
    #[arg(long)]
    one_at_a_time: bool,
    /// Put the correction in force without asking; one that there is a warning about is kept, and not put in force.
    #[arg(long)]
    yes: bool,
    /// With --yes: put it in force even where there is a warning.
    #[arg(long, requires = "yes")]
    despite_warnings: bool,
    #[command(flatten)]
    criteria: CriteriaOptions,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum Method {
    FourColour,
    LeastSquares,
}

impl From<Method> for Derivation {
    fn from(method: Method) -> Self {
        match method {
            Method::FourColour => Self::FourColour,
            Method::LeastSquares => Self::LeastSquares,
        }
    }
}

const CAUTIONS: &str = "Long static patches leave marks on self-emitting panels: the window is small and each colour is held no longer than \
    its light takes to settle. Let display and meters warm up first; keep the room dark, the meters where they are, and the display's \
    own dimming off.";

pub(super) async fn run(output: Output, connection: &Connection, options: Options) -> Result<Exit, Failure> {
    let patches = patch::plan(options.method.into(), &options.colours).map_err(Failure::Usage)?;
    let criteria = options.criteria.criteria()?;
    let meters = connection.call::<MetersList>(&Nothing {}).await?.meters;
    let (meter, reference) = pair(&meters, &options)?;
    free(&meters, [&meter, &reference])?;
    let leases = inherited_of(meters.iter().map(|meter| meter.id.as_str()));
    let alone = meter.simulated && reference.simulated;
    let steps = steps(patches.len(), options.one_at_a_time);
    let course = (options.window, steps, output.quiet, alone);
    let bench = Bench::new(output, connection, (criteria, leases), course);
    output.note(&styled(CAUTION, CAUTIONS), &json!({ "caution": { "message": CAUTIONS } }));
    let reading = async {
        let read = if options.one_at_a_time {
            one_at_a_time(&bench, &patches, &meter, &reference).await
        } else {
            at_once(&bench, &patches, &meter, &reference).await
        };
        match read {
            Ok(readings) => Ok(Ok(readings)),
            Err(Unseen::NotSettled(words)) => Ok(Err(words)),
            Err(Unseen::Failed(failure)) => Err(failure),
        }
    };
    let read = until_interrupted(reading).await;
    output.end_status();
    bench.put_back().await;
    let readings = match read? {
        Some(Ok(readings)) => readings,
        Some(Err(words)) => {
            output.note(&styled(CAUTION, &words), &json!({ "not_settled": { "message": words } }));
            return Ok(Exit::NotSettled);
        }
        None => return interrupted(output, connection).await,
    };
    let (drift, drifted) = drift::of(&bench, &readings);
    let new = new_correction(&options, &meter, &reference, &readings)?;
    let added = connection.call::<CorrectionsAdd>(&new).await?;
    let warnings = suspicion::of(&added.correction).into_iter().chain(drifted).collect();
    finish(output, connection, &options, added, &Worth { drift, warnings }).await
}

async fn interrupted(output: Output, connection: &Connection) -> Result<Exit, Failure> {
    flush(connection).await;
    if !output.json {
        output.aside("interrupted: nothing was added, and nothing is in force that wasn't before");
    }
    Ok(Exit::Interrupted)
}

/// Somebody else's lease on either meter would be in the way sooner or later: better said before anything is shown.
fn free(meters: &[Meter], lookers: [&Looker; 2]) -> Result<(), Failure> {
    let is_needed = |meter: &&Meter| lookers.iter().any(|looker| looker.id == meter.id);
    let kept = |meter: &Meter| meter.lease.clone().filter(|_| inherited(&meter.id).is_none());
    let taken = meters.iter().filter(is_needed).find_map(|meter| Some((&meter.id, kept(meter)?)));
    taken.map_or(Ok(()), |(id, holder)| {
        let message = format!("{id} is {}", held(&holder));
        Err(CallError::Refused(RpcError::new(ErrorKind::Leased, message).about(id)).into())
    })
}

/// The two meters, which must be there, differ and see colour.
fn pair(meters: &[Meter], options: &Options) -> Result<(Looker, Looker), Failure> {
    if options.meter == options.reference {
        return Err(Failure::Usage("a meter can't be its own reference".to_owned()));
    }
    let find = |id: &String| {
        let meter = meters.iter().find(|meter| meter.id == *id).ok_or_else(|| {
            let ids: Vec<&str> = meters.iter().map(|meter| meter.id.as_str()).collect();
            let hint = nearest::hint(id, &ids, "there are");
            Failure::Usage(format!("no meter is called {id:?}{hint}"))
        })?;
        let instrument = meter.instrument.as_ref().ok_or_else(|| {
            let reason = meter.reason.as_ref().map_or_else(String::new, |reason| format!(": {reason}"));
            Failure::Input(format!("{id} is not there{reason}"))
        })?;
        let colour = instrument.quantities.iter().any(|q| matches!(q, Quantity::Xyz | Quantity::Spectrum));
        if !colour {
            return Err(Failure::Usage(format!("{id} sees no colour, only amounts of light")));
        }
        Ok((Looker { id: id.clone(), simulated: meter.simulated }, instrument))
    };
    let (meter, instrument) = find(&options.meter)?;
    if instrument.kind == Kind::Spectrometer || instrument.quantities.contains(&Quantity::Spectrum) {
        return Err(Failure::Usage(format!(
            "{} is a spectrometer: there are no filters to correct",
            options.meter
        )));
    }
    let (reference, other) = find(&options.reference)?;
    let [one, other] = [instrument, other].map(|instrument| {
        let lux = instrument.quantities.contains(&Quantity::Illuminance);
        if lux { Photometric::Illuminance } else { Photometric::Luminance }.unit()
    });
    if one != other {
        let words =
            format!("{} measures in {one} and {} in {other}: they don't compare", meter.id, reference.id);
        return Err(Failure::Usage(words));
    }
    Ok((meter, reference))
}

fn new_correction(
    options: &Options,
    meter: &Looker,
    reference: &Looker,
    readings: &Readings,
) -> Result<NewCorrection, Failure> {
    let of_meter = same(&meter.id, readings.pairs.iter().map(|(_, seen, _)| seen))?;
    let of_reference = same(&reference.id, readings.pairs.iter().map(|(_, _, seen)| seen))?;
    let label = |words: String| text(&words).map_err(Failure::Usage);
    let name = match (&options.name, &options.display) {
        (Some(name), _) | (None, Some(name)) => name.clone(),
        (None, None) => label(format!("{} against {}", meter.id, reference.id))?,
    };
    let note = match (&options.note, of_reference) {
        (Some(note), _) => Some(note.clone()),
        (None, Some(id)) => Some(label(format!("the reference went through its own correction {id}"))?),
        (None, None) => None,
    };
    let subject =
        |id: &str| Ok::<_, Failure>(Subject { id: label(id.to_owned())?, model: None, serial: None });
    let colours = readings.pairs.iter().map(|(patch, one, other)| Colour {
        name: patch.name.clone(),
        meter: one.xyz,
        reference: other.xyz,
    });
    Ok(NewCorrection {
        name,
        method: options.method.into(),
        matrix: None,
        meter: subject(&meter.id)?,
        reference: Some(subject(&reference.id)?),
        display: options.display.clone(),
        at: None,
        colours: colours.collect(),
        undo: of_meter,
        note,
        simulated: meter.simulated || reference.simulated,
    })
}

/// The one correction that all readings of a meter went through.
fn same<'a>(id: &str, mut seen: impl Iterator<Item = &'a Seen>) -> Result<Option<String>, Failure> {
    let first = seen.next().and_then(|seen| seen.correction.clone());
    if seen.all(|seen| seen.correction == first) {
        return Ok(first);
    }
    Err(Failure::Input(format!(
        "the correction of {id} was changed while the colours were read: start again"
    )))
}

/// What there is to say of a correction beside its residuals.
struct Worth {
    drift: Vec<Drift>,
    warnings: Vec<Suspicion>,
}

/// Shows what came of it, and puts it in force if that is wanted. What there is a warning about is not put in force unasked.
async fn finish(
    output: Output,
    connection: &Connection,
    options: &Options,
    added: CorrectionChanged,
    worth: &Worth,
) -> Result<Exit, Failure> {
    let CorrectionChanged { correction, durable } = added;
    if !output.json {
        table::whole(output, &correction, false)?;
        say_durable(output, durable);
    }
    for warning in &worth.warnings {
        let words = format!("warning: {}", warning.words);
        output.note(&styled(CAUTION, &words), &json!({ "warning": warning.object() }));
    }
    let held_back = options.yes && !options.despite_warnings && !worth.warnings.is_empty();
    let wanted = async {
        let question = format!("Use {} on {} from now on?", correction.id, options.meter);
        Ok(!held_back && (options.yes || prompt::agrees(output, &question).await))
    };
    let wanted = until_interrupted(wanted).await?;
    let corrected = match wanted {
        Some(true) => Some(put_in_force(connection, options, &correction).await?),
        Some(false) | None => None,
    };
    if output.json {
        let in_force = corrected.is_some();
        let drift: Vec<_> = worth.drift.iter().map(Drift::object).collect();
        let warnings: Vec<_> = worth.warnings.iter().map(Suspicion::object).collect();
        output.object(&json!({
            "correction": correction, "durable": durable, "in_force": in_force, "white_drift": drift, "warnings": warnings,
        }))?;
    } else if let Some(corrected) = corrected {
        say_in_force(output, &corrected)?;
    } else {
        let (Correction { id, .. }, meter) = (&correction, &options.meter);
        let words = if held_back {
            format!(
                "{id} is kept and not in force, because of the warning. Find out why, remove it (settle correct remove {id}) and start again; if it is right all the same: settle correct use {meter} {id}, or --despite-warnings"
            )
        } else {
            format!("{id} is kept and not in force: settle correct use {meter} {id}")
        };
        output.aside(&words);
    }
    Ok(match wanted {
        None => Exit::Interrupted,
        Some(_) if held_back => Exit::Failed,
        Some(_) => Exit::Done,
    })
}

async fn put_in_force(
    connection: &Connection,
    options: &Options,
    correction: &Correction,
) -> Result<settled_protocol::correction::Corrected, Failure> {
    let params = CorrectParams {
        meter: options.meter.clone(),
        correction: Some(correction.id.clone()),
        display: options.display.clone(),
        force: false,
        lease: inherited(&options.meter),
    };
    Ok(connection.call::<MeterCorrect>(&params).await?)
}

#[cfg(test)]
mod tests {
    use clap::Parser;
    use settled_protocol::meter::{Instrument, State};

    use super::*;

    #[derive(Parser)]
    struct Line {
        #[command(flatten)]
        options: Options,
    }

    fn meter(id: &str, kind: Kind, quantities: &[Quantity]) -> Meter {
        let instrument = Instrument {
            model: "made up".to_owned(),
            serial: None,
            kind,
            quantities: quantities.to_vec(),
            integration_s: None,
            range: None,
            resolution: None,
        };
        Meter {
            observer: None,
            bandwidth_nm: None,
            lease: None,
            id: id.to_owned(),
            driver: "profile".to_owned(),
            address: None,
            simulated: false,
            replayed: false,
            state: State::Ready,
            reason: None,
            faults: 0,
            instrument: Some(instrument),
            warm_up: None,
            zero: None,
            correction: None,
        }
    }

    #[test]
    fn meters_that_no_correction_can_be_made_from_are_refused_before_anything_is_shown() {
        let line = Line::try_parse_from(["derive", "one", "--reference", "other"]).unwrap();
        let (luminance, illuminance) =
            ([Quantity::Luminance, Quantity::Xyz], [Quantity::Illuminance, Quantity::Xyz]);
        let spectral = [Quantity::Luminance, Quantity::Xyz, Quantity::Spectrum];
        for (one, other, expected) in [
            (luminance.as_slice(), spectral.as_slice(), None),
            (&illuminance, &illuminance, None),
            (&illuminance, &luminance, Some("one measures in lx and other in cd/m²")),
            (&spectral, &luminance, Some("no filters to correct")),
            (&luminance[..1], &luminance, Some("sees no colour")),
        ] {
            let meters = [meter("one", Kind::Colorimeter, one), meter("other", Kind::Colorimeter, other)];
            match (pair(&meters, &line.options), expected) {
                (Ok(_), None) => {}
                (Err(Failure::Usage(words)), Some(expected)) => assert!(words.contains(expected), "{words}"),
                (_, expected) => panic!("{expected:?}"),
            }
        }
    }
}

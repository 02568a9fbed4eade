//! `settle correct derive`: both meters read the same colours of one display, and the daemon makes a correction of that.
//!
//! Nothing is changed before every reading is there: then the correction is added in one call and, if it is wanted, put in force in
//! another.

use clap::{Args, ValueEnum};
use serde_json::json;
use settled_protocol::correction::{
    Colour, CorrectParams, Correction, CorrectionChanged, Derivation, NewCorrection, Subject,
};
use settled_protocol::meter::{Kind, Meter, Quantity};
use settled_protocol::method::{CorrectionsAdd, MeterCorrect, MetersList, Nothing};
use settled_protocol::quantity::Photometric;
use settled_protocol::text::Text;

use super::patch::{self, Patch};
use super::readings::{Bench, Looker, Purpose, Seen, Unseen};
use super::{Exit, Failure, prompt, say_durable, say_in_force, table, text};
use crate::command::settled::CriteriaOptions;
use crate::command::{flush, until_interrupted};
use crate::connection::Connection;
use crate::output::{CAUTION, Output, styled};
use crate::quantities::percent;

#[derive(Debug, Args)]
pub(super) struct Options {
    /// The meter to correct: a colorimeter.
    meter: String,
    /// The meter that is taken for true: best a spectrometer.
    #[arg(long, value_name = "METER")]
    reference: String,
    /// How to make the matrix: four-colour fits white, red, green and blue; least-squares fits any colours.
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
    /// they check the matrix; with least-squares they make it, white and these alone.
    #[arg(long, value_name = "COLOUR", num_args = 1.., value_parser = patch::patch)]
    colours: Vec<Patch>,
    /// The window's share of the screen, with its %.
    #[arg(long, value_name = "PERCENT", value_parser = percent, default_value = "10%")]
    window: f64,
    /// Only one meter fits in front of the display: all colours with the reference, then, after a swap, with the other.
    #[arg(long)]
    one_at_a_time: bool,
    /// Put the correction in force without asking.
    #[arg(long)]
    yes: bool,
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

/// Both meters' readings of every colour.
struct Readings {
    pairs: Vec<(Patch, Seen, Seen)>,
    /// White at the end, by whoever read it then.
    again: Vec<(String, Seen)>,
}

pub(super) async fn run(output: Output, connection: &Connection, options: Options) -> Result<Exit, Failure> {
    let patches = patch::plan(options.method.into(), &options.colours).map_err(Failure::Usage)?;
    let criteria = options.criteria.criteria()?;
    let meters = connection.call::<MetersList>(&Nothing {}).await?.meters;
    let (meter, reference) = pair(&meters, &options)?;
    let bench = Bench {
        output,
        connection,
        criteria,
        window_percent: options.window,
        quiet: options.criteria.quiet(),
        alone: meter.simulated && reference.simulated,
    };
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
    let readings = match until_interrupted(reading).await? {
        Some(Ok(readings)) => readings,
        Some(Err(words)) => {
            output.end_status();
            output.note(&styled(CAUTION, &words), &json!({ "not_settled": { "message": words } }));
            return Ok(Exit::NotSettled);
        }
        None => return interrupted(output, connection).await,
    };
    let drift = drift(&bench, &readings);
    let new = new_correction(&options, &meter, &reference, &readings)?;
    let added = connection.call::<CorrectionsAdd>(&new).await?;
    finish(output, connection, &options, added, &drift).await
}

async fn interrupted(output: Output, connection: &Connection) -> Result<Exit, Failure> {
    output.end_status();
    flush(connection).await;
    if !output.json {
        output.aside("interrupted: nothing was added, and nothing is in force that wasn't before");
    }
    Ok(Exit::Interrupted)
}

/// The two meters, which must be there, differ and see colour.
fn pair(meters: &[Meter], options: &Options) -> Result<(Looker, Looker), Failure> {
    if options.meter == options.reference {
        return Err(Failure::Usage("a meter can't be its own reference".to_owned()));
    }
    let find = |id: &String| {
        let ids = || meters.iter().map(|meter| meter.id.as_str()).collect::<Vec<_>>().join(", ");
        let meter = meters.iter().find(|meter| meter.id == *id);
        let meter =
            meter.ok_or_else(|| Failure::Usage(format!("no meter is called {id:?}; there are {}", ids())))?;
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

/// Both meters look at the display at the same time.
async fn at_once(
    bench: &Bench<'_>,
    patches: &[Patch],
    meter: &Looker,
    reference: &Looker,
) -> Result<Readings, Unseen> {
    let both = [meter, reference];
    let mut pairs = Vec::new();
    for patch in patches {
        bench.show(patch, &both).await?;
        if let [one, other] = bench.read(patch, Purpose::Correction, &both).await?.as_slice() {
            pairs.push((patch.clone(), one.clone(), other.clone()));
        }
    }
    let mut again = Vec::new();
    if let Some(white) = patches.first() {
        bench.show(white, &both).await?;
        let seen = bench.read(white, Purpose::Drift, &both).await?;
        again.extend(both.iter().map(|looker| looker.id.clone()).zip(seen));
    }
    Ok(Readings { pairs, again })
}

/// The reference reads all colours, then the meter, then the reference white once more.
async fn one_at_a_time(
    bench: &Bench<'_>,
    patches: &[Patch],
    meter: &Looker,
    reference: &Looker,
) -> Result<Readings, Unseen> {
    let swap = async |looker: &Looker| {
        let words = format!("Put {} in front of the display, exactly where the other was", looker.id);
        if bench.alone { Ok(()) } else { prompt::enter(bench.output, &words).await }
    };
    let mut sides = Vec::new();
    for looker in [reference, meter] {
        swap(looker).await?;
        let mut seen = Vec::new();
        for patch in patches {
            bench.show(patch, &[looker]).await?;
            seen.extend(bench.read(patch, Purpose::Correction, &[looker]).await?);
        }
        sides.push(seen);
    }
    swap(reference).await?;
    let mut again = Vec::new();
    if let Some(white) = patches.first() {
        bench.show(white, &[reference]).await?;
        let seen = bench.read(white, Purpose::Drift, &[reference]).await?;
        again.extend(seen.into_iter().map(|seen| (reference.id.clone(), seen)));
    }
    let of_meter = sides.pop().unwrap_or_default();
    let of_reference = sides.pop().unwrap_or_default();
    let pairs = patches.iter().cloned().zip(of_meter).zip(of_reference);
    Ok(Readings { pairs: pairs.map(|((patch, one), other)| (patch, one, other)).collect(), again })
}

/// How far white had moved at the end.
struct Drift {
    meter: String,
    luminance_percent: f64,
    duv_prime: f64,
    /// Whether that is more than what counts as settled.
    too_far: bool,
}

impl Drift {
    fn object(&self) -> serde_json::Value {
        let Self { meter, luminance_percent, duv_prime, too_far } = self;
        json!({ "meter": meter, "luminance_percent": luminance_percent, "duv_prime": duv_prime, "too_far": too_far })
    }
}

/// How far each meter that read white again saw it move; says so. Where both read at once, a drift of the display does them no harm:
/// only what one saw and the other did not counts as too far.
fn drift(bench: &Bench<'_>, readings: &Readings) -> Vec<Drift> {
    let Some((_, meter, reference)) = readings.pairs.first() else { return Vec::new() };
    let at_once = readings.again.len() == 2;
    // The reference's is the last; the meter's comes before it where both read at once.
    let firsts = if at_once { vec![meter, reference] } else { vec![reference] };
    let moved = readings.again.iter().zip(firsts).filter_map(|((id, last), first)| {
        let (then, now) = first.xyz.chromaticity().zip(last.xyz.chromaticity())?;
        let luminance_percent = 100.0 * (last.xyz.y() / first.xyz.y() - 1.0);
        Some(Drift { meter: id.clone(), luminance_percent, duv_prime: then.distance(now), too_far: false })
    });
    let mut drifts: Vec<Drift> = moved.collect();
    let (percent, uv) = match drifts.as_slice() {
        [one, other] => (one.luminance_percent - other.luminance_percent, one.duv_prime - other.duv_prime),
        [one] => (one.luminance_percent, one.duv_prime),
        _ => return drifts,
    };
    let too_far = percent.abs() > 100.0 * bench.criteria.luminance || uv.abs() > bench.criteria.chromaticity;
    for drift in &mut drifts {
        drift.too_far = too_far;
        let Drift { meter, luminance_percent, duv_prime, .. } = drift;
        bench.say(&format!(
            "white at the end, as {meter} saw it: {luminance_percent:+.2} %, Δu′v′ {duv_prime:.5}"
        ));
    }
    if too_far {
        let whose = if at_once {
            "one meter drifted and the other did not"
        } else {
            "the display or the meter drifted"
        };
        bench.say(&styled(
            CAUTION,
            &format!("{whose} meanwhile: the residuals hold that too; better start again"),
        ));
    }
    drifts
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

/// Shows what came of it, and puts it in force if that is wanted.
async fn finish(
    output: Output,
    connection: &Connection,
    options: &Options,
    added: CorrectionChanged,
    drift: &[Drift],
) -> Result<Exit, Failure> {
    let CorrectionChanged { correction, durable } = added;
    if !output.json {
        table::whole(output, &correction)?;
        say_durable(output, durable);
    }
    let wanted = async {
        let question = format!("Use {} on {} from now on?", correction.id, options.meter);
        Ok(options.yes || prompt::agrees(output, &question).await)
    };
    let wanted = until_interrupted(wanted).await?;
    let corrected = match wanted {
        Some(true) => Some(put_in_force(connection, options, &correction).await?),
        Some(false) | None => None,
    };
    if output.json {
        let in_force = corrected.is_some();
        let drift: Vec<_> = drift.iter().map(Drift::object).collect();
        output.object(&json!({
            "correction": correction, "durable": durable, "in_force": in_force, "white_drift": drift,
        }))?;
    } else if let Some(corrected) = corrected {
        say_in_force(output, &corrected)?;
    } else {
        let Correction { id, .. } = &correction;
        output.aside(&format!("{id} is kept and not in force: settle correct use {} {id}", options.meter));
    }
    Ok(if wanted.is_none() { Exit::Interrupted } else { Exit::Done })
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

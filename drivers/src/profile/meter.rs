//! The open instrument that a profile describes.

use std::sync::Arc;
use std::time::Duration;

use settled_protocol::meter::{Instrument, Quantity};
use settled_protocol::quantity::Photometric;
use tokio::time::Instant;

use super::answer::{Numbers, captures};
use super::due::Due;
use super::format::{Exchange, Integration, Profile};
use crate::clock::Boxed;
use crate::fault::{Fault, FaultKind};
use crate::link::line::{LineLink, excerpt};
use crate::meter::{Description, Meter};
use crate::sample::{Exposure, Sample, Seen};

/// What a busy machine may add to an exchange.
const SLACK: Duration = Duration::from_secs(1);

/// The longest that draining a line may take.
const DRAINING: Duration = Duration::from_secs(4);

/// Characters of a model or a serial number: more than any has.
const LONGEST_NAME: usize = 100;

/// An open instrument.
#[derive(Debug)]
pub struct Open {
    profile: Arc<Profile>,
    line: LineLink,
    description: Description,
    /// The model and the serial number that it told when it was opened, in each line of that answer.
    identity: Vec<Told>,
    due: Due,
}

/// A model and a serial number, where they were told.
type Told = [Option<String>; 2];

/// What a line tells of the instrument; nothing if it doesn't fit.
fn told(pattern: &regex::Regex, line: &str) -> Option<Told> {
    let captures = pattern.captures(line)?;
    let group = |name: &str| captures.name(name).map(|group| printable(group.as_str().trim()));
    Some(["model", "serial"].map(|name| group(name).filter(|text| !text.is_empty())))
}

impl Open {
    /// Brings the line to order, asks the instrument what it is, and sends its start-up commands. `due` is what an earlier
    /// opening of it left to come; `serial` is the serial number it must have.
    ///
    /// # Errors
    /// `Silent`, `Garbled` or `Refused` if it is not the instrument it should be; `Gone`.
    pub async fn identified(
        profile: Arc<Profile>,
        line: LineLink,
        due: Due,
        serial: Option<&str>,
    ) -> Result<Self, Fault> {
        let description = describe(&profile, None, None);
        let mut open = Self { profile: Arc::clone(&profile), line, description, identity: Vec::new(), due };
        let unanswered = open.due.until().is_some();
        open.drain().await?;
        if let Some(identify) = &profile.identify {
            let lines = open.exchange(identify, None).await?;
            open.identity = identify
                .answer
                .iter()
                .zip(&lines)
                .filter_map(|(pattern, line)| told(pattern, line))
                .collect();
            let named = |at: usize| open.identity.iter().rev().find_map(|told| told[at].clone());
            open.description = describe(&profile, named(0), named(1));
        }
        open.is_right(serial)?;
        if unanswered {
            // It may have been the answer to something else, asked in vain before this opening. Nothing is due any more; what is on its
            // heels comes now.
            open.due.clear();
            open.drain().await?;
            open.come_to_order().await?;
        }
        open.exchange(&profile.start, None).await?;
        open.due.clear();
        Ok(open)
    }

    /// Whether it is the instrument that the settings ask for.
    fn is_right(&self, expected: Option<&str>) -> Result<(), Fault> {
        let (told, Some(expected)) = (self.description.instrument.serial.as_deref(), expected) else {
            return Ok(());
        };
        let detail = match told {
            Some(told) if told == expected => return Ok(()),
            Some(told) => format!(
                "another instrument answers: its serial number is {}, and the settings ask for {expected:?}",
                excerpt(told)
            ),
            None => format!("it tells no serial number, and the settings ask for {expected:?}"),
        };
        Err(Fault::new(FaultKind::Refused, detail))
    }

    /// Asks the instrument what it is, and drops whatever comes before it says so as it did when it was opened: it answers in order, so by then every answer to
    /// what it was asked before has come, however late. Without `[identify]`, waits for the line to be quiet.
    async fn come_to_order(&mut self) -> Result<(), Fault> {
        let profile = Arc::clone(&self.profile);
        let Some(identify) = &profile.identify else { return self.drain().await };
        for (index, command) in identify.send.iter().enumerate() {
            self.due.extend(Instant::now() + identify.timeout);
            self.line.send(command, identify.timeout).await?;
            let is_last = index + 1 == identify.send.len();
            if let Some(pattern) = identify.acknowledge.as_ref().filter(|_| !is_last) {
                self.await_line(|line| pattern.is_match(line), identify.timeout).await?;
            }
        }
        for (pattern, known) in identify.answer.iter().zip(&self.identity.clone()) {
            // A reading may look like the name of an instrument, but not like that of this one.
            let is_this = |line: &str| told(pattern, line).as_ref() == Some(known);
            self.await_line(is_this, identify.timeout).await?;
        }
        self.due.clear();
        Ok(())
    }

    /// The next line that fits; others are dropped.
    async fn await_line(
        &mut self,
        fits: impl Fn(&str) -> bool + Send,
        patience: Duration,
    ) -> Result<(), Fault> {
        let deadline = Instant::now() + patience;
        self.due.extend(deadline);
        loop {
            match self.line.line(deadline).await {
                Ok(line) if fits(&line) => return Ok(()),
                Err(fault) if fault.kind() != FaultKind::Garbled => return Err(fault),
                Ok(_) | Err(_) => {}
            }
        }
    }

    /// Drops what comes until every answer that is due has come, or never will.
    async fn drain(&mut self) -> Result<(), Fault> {
        let due = self.due.until().unwrap_or_else(Instant::now);
        self.line.drain(self.profile.line.quiet, due, DRAINING).await?;
        self.due.clear();
        Ok(())
    }

    /// Sends commands in order, each once the one before has been acknowledged, and reads the answer to the last, each
    /// line checked for errors; then asks for errors, where the instrument is to be asked.
    ///
    /// A line may be one that nobody asked for, with the answer still to come: what is due stays due until the caller has
    /// made sense of the whole answer, and after an error the instrument is brought to order.
    async fn exchange(
        &mut self,
        exchange: &Exchange,
        integration_s: Option<f64>,
    ) -> Result<Vec<String>, Fault> {
        let patience = exchange.timeout + Duration::from_secs_f64(integration_s.unwrap_or(0.0));
        for (index, command) in exchange.send.iter().enumerate() {
            // Whoever drops this while it is being sent may have sent it.
            self.due.extend(Instant::now() + patience);
            self.line.send(&filled(command, integration_s), exchange.timeout).await?;
            let is_last = index + 1 == exchange.send.len();
            if let Some(pattern) = exchange.acknowledge.as_ref().filter(|_| !is_last) {
                self.line_of(pattern, exchange.timeout).await?;
            }
        }
        let mut lines = Vec::with_capacity(exchange.answer.len());
        for pattern in &exchange.answer {
            lines.push(self.line_of(pattern, patience).await?);
        }
        self.ask_for_errors(exchange).await?;
        Ok(lines)
    }

    /// The next line, which must be no error and fit the pattern.
    async fn line_of(&mut self, pattern: &regex::Regex, patience: Duration) -> Result<String, Fault> {
        let deadline = Instant::now() + patience;
        self.due.extend(deadline);
        let line = self.line.line(deadline).await?;
        if let Err(error) = self.look_for_error(&line) {
            // It may as well be something that nobody asked for, and the answer still to come.
            if self.profile.identify.is_none() || !self.identity.is_empty() {
                self.come_to_order().await?;
            }
            return Err(error);
        }
        if captures(pattern, &line).is_err() && self.line.is_echo(&line) {
            let detail = format!("the line echoes what is sent: {}; turn its echo off", excerpt(&line));
            return Err(Fault::new(FaultKind::Garbled, detail));
        }
        captures(pattern, &line)?;
        Ok(line)
    }

    fn look_for_error(&self, line: &str) -> Result<(), Fault> {
        let errors = &self.profile.errors;
        let kinds = [
            (&errors.too_dark, FaultKind::BelowRange, "too little light"),
            (&errors.too_bright, FaultKind::AboveRange, "too much light"),
            (&errors.refused, FaultKind::Refused, "the instrument reports an error"),
        ];
        let matches =
            |pattern: &Option<regex::Regex>| pattern.as_ref().is_some_and(|pattern| pattern.is_match(line));
        match kinds.into_iter().find(|(pattern, ..)| matches(pattern)) {
            Some((_, kind, words)) => Err(Fault::new(kind, format!("{words}: {}", excerpt(line)))),
            None => Ok(()),
        }
    }

    async fn ask_for_errors(&mut self, exchange: &Exchange) -> Result<(), Fault> {
        let profile = Arc::clone(&self.profile);
        let Some((query, none)) = profile.errors.query.as_ref().filter(|_| !exchange.send.is_empty()) else {
            return Ok(());
        };
        self.due.extend(Instant::now() + exchange.timeout);
        self.line.send(query, exchange.timeout).await?;
        let deadline = Instant::now() + exchange.timeout;
        self.due.extend(deadline);
        let line = self.line.line(deadline).await?;
        if none.is_match(&line) {
            return Ok(());
        }
        // It may as well be something else that nobody asked for, and the answer still to come.
        self.come_to_order().await?;
        Err(Fault::new(FaultKind::Refused, format!("the instrument reports an error: {}", excerpt(&line))))
    }

    /// The longest that all steps of an exchange may take, an integration time aside.
    fn longest(&self, exchange: &Exchange) -> Duration {
        let queried = self.profile.errors.query.as_ref().map_or(Duration::ZERO, |_| 2 * exchange.timeout);
        let to_order = if self.profile.errors.are_told() { self.to_order() } else { Duration::ZERO };
        steps(exchange) + queried + to_order + SLACK
    }

    /// The longest that coming to order may take.
    fn to_order(&self) -> Duration {
        self.profile.identify.as_ref().map_or(DRAINING, steps)
    }

    /// The integration time to command: the one asked for, or the usual one; none if the instrument chooses for itself.
    fn integration(&self, exposure: Exposure) -> Result<Option<f64>, Fault> {
        match (exposure.integration_s, self.profile.integration) {
            (None, usual) => Ok(usual.map(|integration| integration.default_s)),
            (Some(asked), Some(Integration { range, .. })) if range.contains(asked) => Ok(Some(asked)),
            (Some(asked), Some(Integration { range, .. })) => {
                let detail =
                    format!("an integration time of {asked} s is outside {} to {} s", range.min, range.max);
                Err(Fault::new(FaultKind::Unsupported, detail))
            }
            (Some(_), None) => {
                Err(Fault::new(FaultKind::Unsupported, "the meter chooses its integration time for itself"))
            }
        }
    }

    async fn expose(&mut self, exposure: Exposure) -> Result<Sample, Fault> {
        let integration_s = self.integration(exposure)?;
        let profile = Arc::clone(&self.profile);
        let lines = self.exchange(&profile.measure, integration_s).await?;
        let numbers = Numbers::read(&profile.measure.answer, &lines)?;
        let seen = match &profile.spectral {
            Some(spectral) => {
                let spectrum = spectral.spectrum(&profile.measure.answer, &lines, &numbers)?;
                Seen::Spectrum(profile.unit.0, spectrum)
            }
            None => Seen::Light(numbers.light(profile.shape, profile.unit)?),
        };
        let sample = numbers.sample(seen, integration_s);
        self.due.clear();
        Ok(sample)
    }
}

/// What an instrument says of itself, fit to be shown anywhere: without control characters, and no longer than names are.
fn printable(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(LONGEST_NAME).collect()
}

/// The longest that bringing the line of an instrument to order, asking what it is and starting it up may take, once nothing is due.
#[must_use]
pub fn identifying(profile: &Profile) -> Duration {
    let exchanges = profile.identify.iter().chain([&profile.start]);
    let again = profile.identify.as_ref().map_or(DRAINING, steps);
    let queried = |exchange: &Exchange| match (&profile.errors.query, exchange.send.len()) {
        (_, 0) => Duration::ZERO,
        (Some(_), _) => 2 * exchange.timeout + again,
        (None, _) if profile.errors.are_told() => again,
        (None, _) => Duration::ZERO,
    };
    2 * DRAINING
        + again
        + exchanges.map(|exchange| steps(exchange) + queried(exchange)).sum::<Duration>()
        + SLACK
}

/// The longest that the steps of an exchange may take that belong to every one.
fn steps(Exchange { send, answer, timeout, .. }: &Exchange) -> Duration {
    let steps = u32::try_from(2 * send.len() + answer.len()).unwrap_or(u32::MAX);
    timeout.saturating_mul(steps)
}

fn describe(profile: &Profile, model: Option<String>, serial: Option<String>) -> Description {
    let amount = match profile.unit.0 {
        Photometric::Luminance => Quantity::Luminance,
        Photometric::Illuminance => Quantity::Illuminance,
    };
    let instrument = Instrument {
        model: model.unwrap_or_else(|| profile.model.clone()),
        serial,
        kind: profile.kind,
        quantities: [
            Some(amount),
            profile.shape.has_colour().then_some(Quantity::Xyz),
            profile.shape.is_spectral().then_some(Quantity::Spectrum),
        ]
        .into_iter()
        .flatten()
        .collect(),
        integration_s: profile.integration.map(|integration| integration.range),
        range: profile.range,
        resolution: profile.resolution,
    };
    Description {
        instrument,
        warm_up_s: profile.warm_up_s,
        zero: profile.zero.as_ref().map(|(_, need)| *need),
    }
}

/// A command with its placeholders filled: seconds with up to six decimals, milliseconds with up to three.
fn filled(command: &str, integration_s: Option<f64>) -> String {
    let Some(seconds) = integration_s else { return command.to_owned() };
    let rounded = |value: f64, scale: f64| ((value * scale).round() / scale).to_string();
    command
        .replace("{integration_s}", &rounded(seconds, 1e6))
        .replace("{integration_ms}", &rounded(seconds * 1000.0, 1e3))
}

impl Meter for Open {
    fn describe(&self) -> &Description {
        &self.description
    }

    fn deadline(&self, exposure: Exposure) -> Duration {
        let integration_s = self.integration(exposure).ok().flatten().unwrap_or(0.0);
        self.longest(&self.profile.measure) + Duration::from_secs_f64(integration_s)
    }

    fn measure(&mut self, exposure: Exposure) -> Boxed<'_, Result<Sample, Fault>> {
        Box::pin(self.expose(exposure))
    }

    fn zero(&mut self) -> Boxed<'_, Result<(), Fault>> {
        let profile = Arc::clone(&self.profile);
        Box::pin(async move {
            let Some((exchange, _)) = &profile.zero else {
                return Err(Fault::new(FaultKind::Unsupported, "the meter has no zero command"));
            };
            self.exchange(exchange, None).await?;
            self.due.clear();
            Ok(())
        })
    }

    fn zero_deadline(&self) -> Duration {
        self.profile.zero.as_ref().map_or(SLACK, |(exchange, _)| self.longest(exchange))
    }

    fn departed(&mut self) -> Boxed<'_, Fault> {
        Box::pin(self.line.departed())
    }

    fn recover(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(async {
            self.drain().await?;
            self.come_to_order().await
        })
    }

    fn recovery(&self) -> Duration {
        // Draining, and where that is all there is to do, draining once more.
        self.due.remaining() + DRAINING + self.to_order() + SLACK
    }
}

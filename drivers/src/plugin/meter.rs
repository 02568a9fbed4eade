//! The open instrument behind a plugin.

use std::time::Duration;

use settled_protocol::method::{Method, Nothing};
use settled_protocol::plugin::{
    Hello, HelloParams, MeasureParams, MeterMeasure, MeterOpen, MeterZero, VERSION,
};
use tokio::time::{Instant, timeout_at};

use super::Plugin;
use super::answer::Introduced;
use super::conversation::Conversation;
use crate::clock::Boxed;
use crate::fault::{Fault, FaultKind};
use crate::meter::{Description, Meter};
use crate::sample::{Exposure, Sample};

/// An open instrument.
#[derive(Debug)]
pub struct Open {
    conversation: Conversation,
    introduced: Introduced,
}

impl Open {
    /// Exchanges first words with a plugin, and has it open its instrument, all within `limit`.
    ///
    /// # Errors
    /// What the plugin answers; `Silent`, `Garbled` or `Gone` if it doesn't; `Refused` if it speaks another version.
    pub async fn introduced(
        mut conversation: Conversation,
        plugin: &Plugin,
        limit: Duration,
    ) -> Result<Self, Fault> {
        let outcome = introduce(&mut conversation, plugin, limit).await;
        match outcome {
            Ok(introduced) => Ok(Self { conversation, introduced }),
            Err(fault) => {
                conversation.close().await;
                Err(fault)
            }
        }
    }

    /// The integration time to ask for, if it is one that the instrument can do.
    fn integration(&self, exposure: Exposure) -> Result<Option<f64>, Fault> {
        let Some(asked) = exposure.integration_s else { return Ok(None) };
        let detail = match self.introduced.description.instrument.integration_s {
            Some(range) if range.contains(asked) => return Ok(Some(asked)),
            Some(range) => {
                format!("an integration time of {asked} s is outside {} to {} s", range.min, range.max)
            }
            None => "the meter chooses its integration time for itself".to_owned(),
        };
        Err(Fault::new(FaultKind::Unsupported, detail))
    }

    async fn expose(&mut self, exposure: Exposure) -> Result<Sample, Fault> {
        let integration_s = self.integration(exposure)?;
        let limit = self.introduced.deadline(integration_s);
        let measured = self.conversation.ask::<MeterMeasure>(&MeasureParams { integration_s }, limit).await?;
        self.introduced.sample(measured, integration_s)
    }
}

async fn introduce(
    conversation: &mut Conversation,
    plugin: &Plugin,
    limit: Duration,
) -> Result<Introduced, Fault> {
    let until = Instant::now() + limit;
    let settings = plugin.settings.clone();
    let params = HelloParams { protocol: vec![VERSION], meter: plugin.meter.clone(), settings };
    let version = ask_until::<Hello>(conversation, &params, until, limit).await?.protocol;
    if version != VERSION {
        let detail = format!("the plugin speaks version {version} of the meter half, the daemon {VERSION}");
        return Err(Fault::new(FaultKind::Refused, detail));
    }
    Introduced::check(ask_until::<MeterOpen>(conversation, &Nothing {}, until, limit).await?)
}

async fn ask_until<M: Method>(
    conversation: &mut Conversation,
    params: &M::Params,
    until: Instant,
    limit: Duration,
) -> Result<M::Output, Fault> {
    let answered = timeout_at(until, conversation.ask::<M>(params, limit)).await;
    answered.unwrap_or_else(|_| {
        let detail = format!("the plugin has not answered {} within {limit:?} of its start", M::NAME);
        Err(Fault::new(FaultKind::Silent, detail))
    })
}

impl Meter for Open {
    fn describe(&self) -> &Description {
        &self.introduced.description
    }

    fn deadline(&self, exposure: Exposure) -> Duration {
        self.introduced.deadline(self.integration(exposure).ok().flatten())
    }

    fn measure(&mut self, exposure: Exposure) -> Boxed<'_, Result<Sample, Fault>> {
        Box::pin(self.expose(exposure))
    }

    fn zero(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(async move {
            if self.introduced.description.zero.is_none() {
                return Err(Fault::new(FaultKind::Unsupported, "the meter has no zero command"));
            }
            let limit = self.introduced.zero_deadline;
            self.conversation.ask::<MeterZero>(&Nothing {}, limit).await.map(drop)
        })
    }

    fn zero_deadline(&self) -> Duration {
        self.introduced.zero_deadline
    }

    fn departed(&mut self) -> Boxed<'_, Fault> {
        Box::pin(self.conversation.departed())
    }

    fn recover(&mut self) -> Boxed<'_, Result<(), Fault>> {
        Box::pin(self.conversation.recover())
    }

    fn recovery(&self) -> Duration {
        // With room for a busy machine.
        self.conversation.recovery() + Duration::from_secs(1)
    }

    fn close(self: Box<Self>) -> Boxed<'static, ()> {
        Box::pin(self.conversation.close())
    }
}

//! From a method's name to what it does.

use std::sync::Arc;

use serde::Serialize;
use serde_json::value::{RawValue, to_raw_value};
use settled_protocol::error::{ErrorKind, RpcError};
use settled_protocol::message::{Call, RequestId, notification_line};
use settled_protocol::method::{
    CorrectionsAdd, CorrectionsList, CorrectionsRemove, DaemonStatus, Hello, HelloParams, HelloResult,
    LogBackup, LogBins, LogCheck, LogCompare, LogEvents, LogReadings, LogStatistics, MeterCorrect,
    MeterLease, MeterRead, MeterRelease, MeterRenew, MeterSettle, MeterZero, MetersList, MetersListResult,
    Method, Nothing, PROTOCOL_VERSION, PageAddress, RunsList, RunsShow, RunsStart, RunsStop, StageShow,
};
use settled_protocol::notification::SettleProgress;

use super::outbox::{Outbox, Stream};
use crate::client::Client;
use crate::daemon::{Daemon, VERSION};
use crate::page;
use crate::{request, runs, settling};

type Answer = Result<Box<RawValue>, RpcError>;

/// Where a request reports its progress: only the last report counts.
#[derive(Debug)]
pub(super) struct Progress {
    request: RequestId,
    stream: Stream,
    outbox: Arc<Outbox>,
}

impl Progress {
    pub(super) fn new(request: RequestId, stream: Stream, outbox: Arc<Outbox>) -> Self {
        Self { request, stream, outbox }
    }

    fn report(&self, report: settling::Report) {
        let settling::Report { waited_s, count, latest, waiting, value, evidence } = report;
        let request = self.request.clone();
        let progress = SettleProgress { request, waited_s, count, latest, waiting, value, evidence };
        if let Ok(line) = notification_line(&progress) {
            self.outbox.latest(&self.stream, &line);
        }
    }
}

/// A result as JSON.
pub(super) fn raw(result: &impl Serialize) -> Answer {
    to_raw_value(result)
        .map_err(|error| RpcError::new(ErrorKind::Internal, format!("writing the result as JSON: {error}")))
}

/// Methods that take no time; nothing for the others.
pub(super) fn at_once(daemon: &Daemon, client: &Client, call: &Call) -> Option<Answer> {
    Some(match call.method.as_str() {
        Hello::NAME => {
            let result = call.params::<Hello>().and_then(|params| hello(daemon, client, params));
            result.and_then(|result| raw(&result))
        }
        DaemonStatus::NAME => call.params::<DaemonStatus>().and_then(|_| raw(&daemon.status())),
        CorrectionsList::NAME => {
            call.params::<CorrectionsList>().and_then(|params| raw(&daemon.corrections.page(&params)?))
        }
        MeterRenew::NAME => call.params::<MeterRenew>().and_then(|params| {
            raw(&daemon.renew(&params.lease, params.ttl_s.map(request::ttl).transpose()?)?)
        }),
        MeterRelease::NAME => call.params::<MeterRelease>().and_then(|params| {
            daemon.release(&params.lease)?;
            raw(&Nothing {})
        }),
        MetersList::NAME => {
            call.params::<MetersList>().and_then(|_| raw(&MetersListResult { meters: daemon.list() }))
        }
        PageAddress::NAME => call.params::<PageAddress>().and_then(|_| {
            page::NEEDED.iter().try_for_each(|method| client.rights().may(method))?;
            raw(&daemon.page_address()?)
        }),
        _ => return None,
    })
}

/// Methods that take time. Dropping the future takes the request back.
pub(super) async fn carry_out(
    daemon: Arc<Daemon>,
    client: Arc<Client>,
    call: Call,
    progress: Option<Progress>,
) -> Answer {
    match call.method.as_str() {
        MeterRead::NAME => request::read(&daemon, &client, call.params::<MeterRead>()?)
            .await
            .map(|logged| logged.json(true).to_owned()),
        MeterSettle::NAME => {
            let params = call.params::<MeterSettle>()?;
            let report = progress.filter(|_| params.progress);
            let report = |news| {
                if let Some(progress) = &report {
                    progress.report(news);
                }
            };
            // A request of any kind has room for the largest: one that settles takes much more than others, and has a place of its own.
            raw(&Box::pin(request::settle(&daemon, &client, params, report)).await?)
        }
        MeterCorrect::NAME => raw(&daemon.correct(call.params::<MeterCorrect>()?).await?),
        CorrectionsAdd::NAME => raw(&daemon.add_correction(call.params::<CorrectionsAdd>()?).await?),
        CorrectionsRemove::NAME => {
            raw(&daemon.remove_correction(&call.params::<CorrectionsRemove>()?).await?)
        }
        MeterLease::NAME if progress.is_none() => {
            let message = "a lease needs an answer, which has its token: give the request an id";
            Err(RpcError::new(ErrorKind::InvalidRequest, message))
        }
        MeterLease::NAME => raw(&request::lease(&daemon, &client, call.params::<MeterLease>()?).await?),
        MeterZero::NAME => raw(&request::zero(&daemon, &client, &call.params::<MeterZero>()?).await?),
        LogReadings::NAME => daemon.log.readings_as(call.params::<LogReadings>()?, raw).await,
        LogBins::NAME => daemon.log.bins_as(call.params::<LogBins>()?, raw).await,
        LogEvents::NAME => daemon.log.events_as(call.params::<LogEvents>()?, raw).await,
        LogBackup::NAME => {
            call.params::<LogBackup>()?;
            raw(&daemon.log.backup(&daemon.clock).await?)
        }
        LogCheck::NAME => {
            call.params::<LogCheck>()?;
            raw(&daemon.log.check().await?)
        }
        LogStatistics::NAME => daemon.log.statistics_as(call.params::<LogStatistics>()?, raw).await,
        LogCompare::NAME => daemon.log.compare_as(call.params::<LogCompare>()?, raw).await,
        RunsStart::NAME => raw(&runs::start(&daemon, call.params::<RunsStart>()?).await?),
        RunsList::NAME => raw(&runs::list(&daemon, call.params::<RunsList>()?).await?),
        RunsShow::NAME => raw(&runs::show(&daemon, call.params::<RunsShow>()?).await?),
        RunsStop::NAME => raw(&runs::stop(&daemon, &client, call.params::<RunsStop>()?).await?),
        StageShow::NAME => raw(&daemon.show(call.params::<StageShow>()?).await?),
        unknown => Err(RpcError::new(ErrorKind::MethodNotFound, format!("there is no method {unknown:?}"))),
    }
}

fn hello(daemon: &Daemon, client: &Client, params: HelloParams) -> Result<HelloResult, RpcError> {
    if let Some(spoken) = &params.protocol
        && !spoken.contains(&PROTOCOL_VERSION)
    {
        let message =
            format!("this daemon speaks version {PROTOCOL_VERSION} of the protocol, the client {spoken:?}");
        return Err(RpcError::new(ErrorKind::Unsupported, message));
    }
    if let Some(name) = params.client {
        tracing::debug!(client = name.as_str(), "hello");
        client.call_itself(name);
    }
    Ok(HelloResult {
        protocol: PROTOCOL_VERSION,
        daemon: format!("settled {VERSION}"),
        instance: daemon.instance.clone(),
        clock: daemon.clock.info(),
        limits: daemon.limits(),
        may: client.rights().listed().map(|names| names.iter().map(|name| (*name).to_owned()).collect()),
    })
}

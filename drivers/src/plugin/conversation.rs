//! A conversation with a plugin: one request at a time, its answer known by its id, and whatever is said unasked.
//!
//! A plugin that says what it may not say, or too much at once, is killed there and then: from that moment on every call
//! ends in the same fault. Futures may be dropped at any await. An answer to a request that was given up is thrown away when it comes.

use std::time::Duration;

use serde_json::value::RawValue;
use settled_protocol::line::{Line, Lines};
use settled_protocol::message::{RequestId, request_line};
use settled_protocol::method::Method;
use settled_protocol::plugin::{LONGEST_LINE, PluginError, Said};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::process::{ChildStdin, ChildStdout};
use tokio::time::{Instant, timeout, timeout_at};

use super::process::Process;
use super::stderr::{StandardError, printable};
use super::{Plugin, answer};
use crate::fault::{Fault, FaultKind};
use crate::link::line::excerpt;
use crate::recording::tap::Tap;

/// Bytes read at once.
const CHUNK: usize = 8192;

/// How much later than its deadline an answer may come and the plugin still be kept.
const GRACE: Duration = Duration::from_secs(1);

/// How long a plugin may take to end by itself once its standard input has.
const FAREWELL: Duration = Duration::from_secs(2);

/// How long the end of a process may follow that of its output, and the last of its output its end.
const TOGETHER: Duration = Duration::from_millis(50);

/// Characters of a plugin's own words in a fault.
pub const MOST_WORDS: usize = 300;

/// A request that has no answer yet.
#[derive(Clone, Copy, Debug)]
struct Due {
    id: i64,
    method: &'static str,
    until: Instant,
}

/// What a request is answered with.
type Outcome = Result<Box<RawValue>, PluginError>;

/// What is said to the plugin.
#[derive(Debug)]
struct Mouth {
    stdin: ChildStdin,
    unsaid: Vec<u8>,
}

impl Mouth {
    /// Says what has not been said; what was said is never said twice.
    async fn speak(&mut self) {
        while !self.unsaid.is_empty() {
            match self.stdin.write(&self.unsaid).await {
                Ok(count) => drop(self.unsaid.drain(..count)),
                // It doesn't listen any more: its end, or the deadline, says so.
                Err(_) => self.unsaid.clear(),
            }
        }
    }
}

/// What is heard from the plugin.
#[derive(Debug)]
struct Ear {
    process: Process,
    stdout: ChildStdout,
    stderr: StandardError,
    chunk: Vec<u8>,
    lines: Lines,
    tap: Option<Tap>,
}

/// Why nothing more is heard from a plugin.
type Trouble = (FaultKind, String);

impl Ear {
    /// The next line. An answer that was written before the process ended comes before its end.
    async fn line(&mut self) -> Result<Vec<u8>, Trouble> {
        loop {
            match self.lines.next() {
                Some(Line::Whole(line)) => return Ok(line),
                Some(Line::TooLong) => {
                    let detail = format!("the plugin said a line of more than {LONGEST_LINE} bytes");
                    return Err((FaultKind::Garbled, detail));
                }
                None => {}
            }
            let read = tokio::select! {
                biased;
                read = self.stdout.read(&mut self.chunk) => read.unwrap_or(0),
                () = self.stderr.listen() => continue,
                () = self.process.ended() => {
                    timeout(TOGETHER, self.stdout.read(&mut self.chunk)).await.map_or(0, |read| read.unwrap_or(0))
                }
            };
            if read == 0 {
                return Err(self.end().await);
            }
            if let Some(tap) = &self.tap {
                tap.received(&self.chunk[..read]);
            }
            self.lines.push(&self.chunk[..read]);
        }
    }

    /// How it ended, with what it said last.
    async fn end(&mut self) -> Trouble {
        let ended = timeout(TOGETHER, self.process.ended()).await.is_ok();
        let mut detail = match self.process.end() {
            Some(end) if ended => format!("the plugin has ended with {end}"),
            _ => "the plugin has closed its standard output".to_owned(),
        };
        if let Some(words) = self.stderr.last_words().await {
            detail = format!("{detail}; it said last: {}", printable(words, MOST_WORDS));
        }
        (FaultKind::Gone, detail)
    }
}

/// A running plugin.
#[derive(Debug)]
pub struct Conversation {
    mouth: Mouth,
    ear: Ear,
    next_id: i64,
    due: Option<Due>,
    broken: Option<Trouble>,
}

impl Conversation {
    /// Starts a meter's plugin.
    ///
    /// # Errors
    /// As [`Process::start`].
    pub async fn start(plugin: &Plugin) -> Result<Self, Fault> {
        let (process, streams) = Process::start(&plugin.launch).await?;
        let stderr = StandardError::new(streams.stderr, &plugin.meter, plugin.ration.clone());
        let (chunk, lines) = (vec![0; CHUNK], Lines::new(LONGEST_LINE));
        let tap = plugin.tap.get().cloned();
        let ear = Ear { process, stdout: streams.stdout, stderr, chunk, lines, tap };
        let mouth = Mouth { stdin: streams.stdin, unsaid: Vec::new() };
        Ok(Self { mouth, ear, next_id: 1, due: None, broken: None })
    }

    /// Asks, and waits for the answer for as long as the caller wants; `limit` is how long the plugin has for it.
    ///
    /// # Errors
    /// What the plugin answers; `Garbled` if that is no answer to such a request, or the plugin says something else instead; `Gone` if it
    /// has ended.
    pub async fn ask<M: Method>(&mut self, params: &M::Params, limit: Duration) -> Result<M::Output, Fault> {
        self.in_order()?;
        if self.due.is_some() {
            // A caller that forgot to recover gets no answer to what it asked before.
            self.recover().await?;
        }
        let (id, until) = (self.next_id, Instant::now() + limit);
        let line = request_line::<M>(&RequestId::Number(id), params);
        let line = line.map_err(|error| {
            Fault::new(FaultKind::Refused, format!("writing {} as JSON", M::NAME)).because(error)
        })?;
        self.next_id += 1;
        if let Some(tap) = &self.ear.tap {
            tap.sent(format!("{line}\n").as_bytes());
        }
        self.mouth.unsaid.extend_from_slice(line.as_bytes());
        self.mouth.unsaid.push(b'\n');
        self.due = Some(Due { id, method: M::NAME, until });
        match self.answer().await? {
            Ok(result) => answer::read::<M>(result.get()),
            Err(error) => Err(answer::fault(&error)),
        }
    }

    /// Waits until the plugin, or its instrument, is no longer there, or says what it may not say.
    pub async fn departed(&mut self) -> Fault {
        loop {
            match self.in_order() {
                Err(fault) => return fault,
                // An answer that came late is no fault.
                Ok(()) => drop(self.hear().await),
            }
        }
    }

    /// Waits until a request that was given up has been answered, so that the plugin is ready for the next.
    ///
    /// # Errors
    /// `Silent` if the answer doesn't come [within a second of its deadline](Self::recovery): the plugin is killed.
    pub async fn recover(&mut self) -> Result<(), Fault> {
        self.in_order()?;
        let Some(due) = self.due else { return Ok(()) };
        let until = due.until.max(Instant::now()) + GRACE;
        if let Ok(answered) = timeout_at(until, self.answer()).await {
            return answered.map(drop);
        }
        let detail = format!("the plugin has not answered {}, and is killed", due.method);
        Err(self.break_off((FaultKind::Silent, detail)))
    }

    /// How long [`recover`](Self::recover) may take from now.
    #[must_use]
    pub fn recovery(&self) -> Duration {
        self.due.map_or(Duration::ZERO, |due| due.until.saturating_duration_since(Instant::now())) + GRACE
    }

    /// Lets the plugin end by itself, for a while, and then ends it.
    pub async fn close(self) {
        let Self { mouth, mut ear, .. } = self;
        drop(mouth);
        let farewell = async {
            loop {
                tokio::select! {
                    () = ear.process.ended() => break,
                    () = ear.stderr.listen() => {}
                }
            }
        };
        if timeout(FAREWELL, farewell).await.is_ok() {
            let _traced = ear.stderr.last_words().await.is_some();
        }
        ear.process.reap().await;
    }

    fn in_order(&self) -> Result<(), Fault> {
        match &self.broken {
            Some((kind, detail)) => Err(Fault::new(*kind, detail.clone())),
            None => Ok(()),
        }
    }

    /// The answer to the request that has none yet.
    async fn answer(&mut self) -> Result<Outcome, Fault> {
        loop {
            if let Some(outcome) = self.hear().await? {
                return Ok(outcome);
            }
        }
    }

    /// Says what is to be said and hears what comes: the answer that is due, or nothing.
    async fn hear(&mut self) -> Result<Option<Outcome>, Fault> {
        let line = tokio::select! {
            biased;
            line = self.ear.line() => line,
            () = self.mouth.speak(), if !self.mouth.unsaid.is_empty() => return Ok(None),
        };
        let line = line.map_err(|trouble| self.break_off(trouble))?;
        let quoted = || excerpt(&String::from_utf8_lossy(&line));
        match Said::decode(&line) {
            Ok(Said::Answer { id, outcome }) if self.due.is_some_and(|due| due.id == id) => {
                self.due = None;
                Ok(Some(outcome))
            }
            Ok(Said::Answer { id, .. }) => {
                let detail =
                    format!("the plugin answered request {id}, which has no answer due: {}", quoted());
                Err(self.break_off((FaultKind::Garbled, detail)))
            }
            Ok(Said::Gone(gone)) => {
                let reason = gone.reason.as_deref().unwrap_or("the plugin says so");
                let detail = format!("the instrument has gone: {}", printable(reason, MOST_WORDS));
                self.broken = Some((FaultKind::Gone, detail.clone()));
                Err(Fault::new(FaultKind::Gone, detail))
            }
            Err(nonsense) => {
                let detail = format!("the plugin said {}: {nonsense}", quoted());
                Err(self.break_off((FaultKind::Garbled, detail)))
            }
        }
    }

    /// The plugin is of no use any more: it is killed, with all that it has started.
    fn break_off(&mut self, trouble: Trouble) -> Fault {
        self.ear.process.kill();
        let (kind, detail) = self.broken.insert(trouble).clone();
        Fault::new(kind, detail)
    }
}

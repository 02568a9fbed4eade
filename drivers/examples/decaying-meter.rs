//! A plugin in Rust. Its instrument is made up: a colorimeter that looks at a light which fades from 120 to 100 cd/m², half of it in
//! 20 s. `cargo run -p settled-drivers --example decaying-meter` talks to it by hand; see PLUGINS.md.

#![expect(clippy::disallowed_methods, reason = "a program of its own, which has nothing to do but wait")]

use std::io::{BufRead, Write};
use std::time::{Duration, Instant};

use serde_json::{Value, json};
use settled_protocol::message::{Call, Incoming};
use settled_protocol::meter::{Kind, Quantity, Span};
use settled_protocol::method::{Method, Nothing};
use settled_protocol::plugin::{
    Hello, HelloResult, Measured, MeterMeasure, MeterOpen, MeterZero, Opened, PluginError, PluginFault,
    VERSION, ZeroNeed, answer_line,
};

/// The integration times that it can be asked for, in s.
const INTEGRATION_S: Span = Span { min: 0.01, max: 2.0 };

fn main() -> std::io::Result<()> {
    let mut meter = MadeUp { since: Instant::now(), dark_cd_m2: 0.02 };
    // Standard input ends when the daemon lets go of the meter, or dies: then so does this.
    for line in std::io::stdin().lock().lines() {
        let (id, outcome) = match Incoming::decode(line?.as_bytes()) {
            Incoming::Single(Ok(call)) => match call.id.clone() {
                Some(id) => (id, meter.answer(&call)),
                None => continue,
            },
            // The daemon sends nothing else.
            _ => continue,
        };
        let answer = answer_line(&id, outcome.as_ref())?;
        let mut stdout = std::io::stdout().lock();
        writeln!(stdout, "{answer}")?;
        stdout.flush()?;
    }
    Ok(())
}

struct MadeUp {
    since: Instant,
    dark_cd_m2: f64,
}

impl MadeUp {
    fn answer(&mut self, call: &Call) -> Result<Value, PluginError> {
        match call.method.as_str() {
            Hello::NAME => written::<Hello>(&HelloResult { protocol: VERSION }),
            MeterOpen::NAME => written::<MeterOpen>(&opened()),
            MeterMeasure::NAME => {
                let params = call.params::<MeterMeasure>().map_err(refused)?;
                written::<MeterMeasure>(&self.measure(params.integration_s.unwrap_or(0.1)))
            }
            MeterZero::NAME => {
                self.dark_cd_m2 = 0.0;
                written::<MeterZero>(&Nothing {})
            }
            other => Err(PluginError::new(PluginFault::Unsupported, format!("no method {other}"))),
        }
    }

    /// Talk to your instrument here, instead. Light from before the call must not count.
    fn measure(&self, integration_s: f64) -> Measured {
        std::thread::sleep(Duration::from_secs_f64(integration_s));
        let faded = 0.5_f64.powf(self.since.elapsed().as_secs_f64() / 20.0);
        Measured {
            luminance_cd_m2: Some(100.0 + 20.0 * faded + self.dark_cd_m2),
            xy: Some([0.3127, 0.3290]),
            integration_s: Some(integration_s),
            temperature_c: Some(25.0),
            ..Measured::default()
        }
    }
}

fn opened() -> Opened {
    let zero =
        ZeroNeed { at_start: false, every_s: None, within_k: None, refuse_overdue: false, deadline_s: 1.0 };
    Opened {
        model: "Made-up decaying meter".to_owned(),
        serial: Some("0001".to_owned()),
        kind: Kind::Colorimeter,
        quantities: vec![Quantity::Luminance, Quantity::Xyz],
        integration_s: Some(INTEGRATION_S),
        range: Some(Span { min: 0.0, max: 2000.0 }),
        resolution: None,
        warm_up_s: 0.0,
        zero: Some(zero),
        deadline_s: 2.0,
        deadline_factor: 1.5,
    }
}

fn written<M: Method>(result: &M::Output) -> Result<Value, PluginError> {
    serde_json::to_value(json!(result)).map_err(refused)
}

fn refused(error: impl std::fmt::Display) -> PluginError {
    PluginError::new(PluginFault::Refused, error.to_string())
}

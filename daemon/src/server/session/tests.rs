//! A session against a meter whose task takes in nothing.

use std::time::Duration;

use std::path::Path;

use settled_drivers::driver::Registry;
use settled_drivers::sample::Exposure;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};

use super::*;
use crate::client::By;
use crate::clock::Clock;
use crate::config::Config;
use crate::log::Log;
use crate::meter_task::{Purpose, Wanted};
use crate::stop;

/// How long an answer may take that waits for nobody.
const SOON: Duration = Duration::from_secs(10);

#[tokio::test]
async fn a_meter_that_takes_in_nothing_holds_up_no_connection() {
    let config = "[[meter]]\nid = \"m\"\ndriver = \"simulated\"\ndisplay = \"backlit\"\n";
    let config = Config::load(Path::new("settled.toml"), config, &Registry::built_in()).unwrap();
    let (_stopper, stop) = stop::pair();
    // The meter's task never runs, so that its inbox fills.
    let (daemon, _supervisor) = Daemon::new(
        config.meters,
        Arc::new(Clock::system()),
        Log::off(),
        crate::daemon::Terms::default(),
        stop.clone(),
    );
    let meter = daemon.meter("m").unwrap();
    let wanted = Wanted { exposure: Exposure::default(), interval_s: 1.0, purpose: Purpose::Observing };
    let mut demands = Vec::new();
    while let Ok(demanded) = tokio::time::timeout(Duration::ZERO, meter.demand(&By::itself(), wanted)).await {
        demands.push(demanded.unwrap());
    }
    let (server, client) = UnixStream::pair().unwrap();
    let mut sessions = JoinSet::new();
    sessions.spawn(run(server, Arc::clone(&daemon), Client::new(None), stop));
    let (reader, mut writer) = client.into_split();
    let mut answers = BufReader::new(reader).lines();
    let observe =
        r#"{"jsonrpc":"2.0","id":1,"method":"meter.observe","params":{"meter":"m","interval_s":1}}"#;
    let status = r#"{"jsonrpc":"2.0","id":2,"method":"daemon.status"}"#;
    writer.write_all(format!("{observe}\n{status}\n").as_bytes()).await.unwrap();
    for id in [1, 2] {
        let answer = tokio::time::timeout(SOON, answers.next_line()).await.unwrap().unwrap().unwrap();
        assert!(answer.contains(&format!("\"id\":{id},\"result\"")), "{answer}");
    }
}

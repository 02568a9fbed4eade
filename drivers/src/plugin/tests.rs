use proptest::prelude::*;
use settled_protocol::plugin::{MeasureParams, MeterMeasure};

use super::*;
use crate::fault::FaultKind;
use crate::sample::Exposure;
use crate::settings::{Problems, read};

/// Enough for anything that is not to be waited for.
const PLENTY: Duration = Duration::from_secs(10);

/// First words and what an instrument says of itself, as a line of shell.
const OPENS: &str = r#"read a; echo '{"jsonrpc":"2.0","id":1,"result":{"protocol":1}}'
read b; echo '{"jsonrpc":"2.0","id":2,"result":{"model":"m","kind":"photometer","quantities":["luminance"],"deadline_s":0.1}}'
"#;

fn configured(text: &str) -> Result<Arc<dyn Driver>, Problems> {
    let context = Context::at(PathBuf::from("/tmp"));
    read("t.toml", text, |table| {
        // As the config does.
        let _id = table.text("id");
        configure(table, &context)
    })
}

/// A plugin in a few lines of shell.
fn script(lines: &str) -> Plugin {
    let words = ["sh", "-c", lines].map(str::to_owned).to_vec();
    let launch = Launch { words, folder: PathBuf::from("/"), memory_mib: 64, nice: 0 };
    Plugin {
        meter: "m".to_owned(),
        launch,
        settings: Map::new(),
        ration: Ration::default(),
        tap: OnceLock::new(),
    }
}

async fn open(plugin: &Plugin, limit: Duration) -> Result<meter::Open, Fault> {
    let conversation = Conversation::start(plugin).await?;
    meter::Open::introduced(conversation, plugin, limit).await
}

#[test]
fn a_config_needs_no_more_than_a_command() {
    let driver = configured("id = \"m\"\ncommand = [\"./meter\", \"-x\"]\nsettings = {port = 1}\n").unwrap();
    assert_eq!(driver.claims(), [r#"["./meter", "-x"] with the settings {"port":1}"#]);
    assert!(configured("command = [\"meter\"]\nmemory_mib = 512\nnice = 5\n").is_ok());
}

#[test]
fn every_mistake_in_a_config_is_reported() {
    let long = format!("settings = {{a = \"{}\"}}\n", "x".repeat(20_000));
    for (text, expected) in [
        ("", "command: is missing"),
        ("command = \"./meter\"\n", "command: expected a program and its arguments"),
        ("command = [\"a\"]\nmemory_mib = 1\n", "memory_mib: expected a whole number from 16"),
        ("command = [\"a\"]\nnice = -5\n", "nice: expected a whole number from 0 to 19"),
        ("command = [\"a\"]\nshell = true\n", "shell: unknown key"),
        (&format!("command = [\"a\"]\n{long}"), "bytes as JSON, which may be 16384 at most"),
    ] {
        let problems = configured(text).expect_err("it has a mistake").to_string();
        assert!(problems.contains(expected), "{problems}");
    }
}

#[tokio::test]
async fn a_plugin_that_never_answers_is_silent_and_the_method_is_named() {
    for (lines, method) in [("read a; read b", "hello"), ("exec <&-; exec sleep 60", "hello")] {
        let fault = open(&script(lines), Duration::from_millis(150)).await.unwrap_err();
        assert_eq!(fault.kind(), FaultKind::Silent, "{fault}");
        assert!(fault.to_string().contains(&format!("not answered {method} within 150ms")), "{fault}");
    }
}

#[tokio::test]
async fn a_plugin_of_another_version_is_refused() {
    let lines = r#"read a; echo '{"jsonrpc":"2.0","id":1,"result":{"protocol":7}}'; read b"#;
    let fault = open(&script(lines), PLENTY).await.unwrap_err();
    assert_eq!(fault.kind(), FaultKind::Refused);
    assert!(fault.to_string().contains("speaks version 7"), "{fault}");
}

#[tokio::test]
async fn what_the_instrument_can_not_do_is_refused_without_asking_it() {
    let mut meter = open(&script(&format!("{OPENS} read c; echo never")), PLENTY).await.unwrap();
    let fault = meter.measure(Exposure { integration_s: Some(1.0) }).await.unwrap_err();
    assert_eq!(fault.kind(), FaultKind::Unsupported);
    assert_eq!(meter.zero().await.unwrap_err().kind(), FaultKind::Unsupported);
    Box::new(meter).close().await;
}

#[tokio::test]
async fn an_answer_to_a_request_that_was_given_up_is_thrown_away() {
    let lines = format!(
        r#"{OPENS} read c; sleep 0.3; echo '{{"jsonrpc":"2.0","id":3,"result":{{"luminance_cd_m2":1}}}}'
read d; echo '{{"jsonrpc":"2.0","id":4,"result":{{"luminance_cd_m2":2}}}}'; read e"#
    );
    let mut meter = open(&script(&lines), PLENTY).await.unwrap();
    let given_up = tokio::time::timeout(Duration::from_millis(20), meter.measure(Exposure::default())).await;
    assert!(given_up.is_err());
    meter.recover().await.unwrap();
    let sample = meter.measure(Exposure::default()).await.unwrap();
    assert_eq!(sample.light().unwrap().value(), 2.0);
    Box::new(meter).close().await;
}

#[tokio::test]
async fn a_plugin_that_is_not_back_a_second_after_its_deadline_is_given_up() {
    let mut meter = open(&script(&format!("{OPENS} read c; exec sleep 60")), PLENTY).await.unwrap();
    let deadline = meter.deadline(Exposure::default());
    assert_eq!(deadline, Duration::from_millis(100));
    assert!(tokio::time::timeout(deadline, meter.measure(Exposure::default())).await.is_err());
    assert!(meter.recovery() <= Duration::from_secs(2));
    let fault = meter.recover().await.unwrap_err();
    assert_eq!(fault.kind(), FaultKind::Silent);
    // From now on nothing else is said of it.
    for _ in 0..3 {
        let again = meter.measure(Exposure::default()).await.unwrap_err();
        assert_eq!(again.to_string(), fault.to_string());
    }
    assert_eq!(meter.departed().await.kind(), FaultKind::Silent);
    Box::new(meter).close().await;
}

#[tokio::test]
async fn an_answer_that_was_written_before_the_end_counts() {
    let lines = format!(
        r#"{OPENS} read c; echo '{{"jsonrpc":"2.0","id":3,"result":{{"luminance_cd_m2":1}}}}'; exit 3"#
    );
    let mut meter = open(&script(&lines), PLENTY).await.unwrap();
    assert_eq!(meter.measure(Exposure::default()).await.unwrap().light().unwrap().value(), 1.0);
    let fault = meter.departed().await;
    assert_eq!(
        (fault.kind(), fault.to_string().as_str()),
        (FaultKind::Gone, "the plugin has ended with exit status 3")
    );
    Box::new(meter).close().await;
}

#[tokio::test]
async fn a_plugin_that_closes_its_output_is_gone_though_it_runs() {
    let mut meter = open(&script(&format!("{OPENS} exec >&-; read c; exec sleep 60")), PLENTY).await.unwrap();
    let fault = meter.departed().await;
    assert_eq!(fault.kind(), FaultKind::Gone);
    assert!(fault.to_string().contains("closed its standard output"), "{fault}");
    Box::new(meter).close().await;
}

#[tokio::test]
async fn what_can_not_be_run_says_which_way() {
    for (program, kind) in [("/nowhere/meter", FaultKind::Gone), ("/etc/passwd", FaultKind::Denied)] {
        let mut plugin = script("");
        plugin.launch.words = vec![program.to_owned()];
        assert_eq!(open(&plugin, PLENTY).await.unwrap_err().kind(), kind, "{program}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn whatever_bytes_a_plugin_writes_end_in_a_fault(bytes in proptest::collection::vec(any::<u8>(), 0..2000)) {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), &bytes).unwrap();
        let plugin = script(&format!("cat {}", file.path().display()));
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        let fault = runtime.block_on(async {
            let mut conversation = Conversation::start(&plugin).await.unwrap();
            let outcome = conversation.ask::<MeterMeasure>(&MeasureParams::default(), PLENTY).await;
            conversation.close().await;
            outcome.expect_err("no answer to request 1 is in random bytes")
        });
        prop_assert!(matches!(fault.kind(), FaultKind::Gone | FaultKind::Garbled), "{fault}");
        prop_assert!(fault.to_string().len() < 4000);
    }
}

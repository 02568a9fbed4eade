//! The page as Prometheus itself scrapes it.

use super::*;

/// A Prometheus that scrapes. It ends when this is dropped.
struct Prometheus {
    child: Child,
    address: String,
}

impl Prometheus {
    fn scraping(daemon: &Daemon, target: &str) -> Self {
        let rules = packaging("alerts.yml");
        let config = format!(
            "global: {{scrape_interval: 200ms, scrape_timeout: 200ms, evaluation_interval: 200ms}}\nrule_files: [{rules:?}]\nscrape_configs: [{{job_name: settled, static_configs: [{{targets: [{target:?}]}}]}}]\n"
        );
        std::fs::write(daemon.path("prometheus.yml"), config).unwrap();
        let trace = daemon.path("prometheus.trace");
        let mut command = Command::new("prometheus");
        command.arg(format!("--config.file={}", daemon.path("prometheus.yml").display()));
        command.arg(format!("--storage.tsdb.path={}", daemon.path("tsdb").display()));
        command.arg("--web.listen-address=127.0.0.1:0").stdin(Stdio::null()).stdout(Stdio::null());
        let mut child = command.stderr(std::fs::File::create(&trace).unwrap()).spawn().unwrap();
        let mut address = None;
        wait_until("Prometheus says where it listens", || {
            let said = std::fs::read_to_string(&trace).unwrap();
            assert!(child.try_wait().unwrap().is_none(), "{said}");
            let line = said.lines().find(|line| line.contains("Listening on"));
            address = line
                .and_then(|line| Some(line.split("address=").nth(1)?.split_whitespace().next()?.to_owned()));
            address.is_some()
        });
        Self { child, address: address.unwrap() }
    }

    /// What its API answers.
    fn api(&self, path: &str) -> Value {
        let answer = exchanged(connect(&self.address), &format!("GET /api/v1/{path} HTTP/1.0\r\n\r\n"));
        let body = answer.split_once("\r\n\r\n").map_or("", |(_, body)| body);
        serde_json::from_str(body).unwrap_or(Value::Null)
    }

    /// What a query finds.
    fn query(&self, query: &str) -> Vec<Value> {
        let found = self.api(&format!("query?query={query}"))["data"]["result"].take();
        found.as_array().cloned().unwrap_or_default()
    }
}

impl Drop for Prometheus {
    fn drop(&mut self) {
        let _gone = self.child.kill().is_ok() && self.child.wait().is_ok();
    }
}

#[test]
fn prometheus_scrapes_the_daemon_and_answers_with_its_readings() {
    let (mut daemon, address) = on_loopback();
    let prometheus = Prometheus::scraping(&daemon, &address);
    let reading = daemon.client().call("meter.read", &json!({"meter": "bench"}));
    let mut found = Value::Null;
    wait_until("Prometheus has the reading", || {
        found = prometheus.query("settled_reading_luminance_cd_m2").pop().unwrap_or_default();
        !found.is_null()
    });
    assert_eq!(found["metric"]["meter"], "bench", "{found}");
    assert_eq!(found["metric"]["simulated"], "true", "{found}");
    let value: f64 = found["value"][1].as_str().unwrap().parse().unwrap();
    assert_eq!(Some(value), reading["luminance_cd_m2"].as_f64());
    let target = &prometheus.api("targets")["data"]["activeTargets"][0];
    assert_eq!((&target["health"], &target["lastError"]), (&json!("up"), &json!("")), "{target}");
    // It took what it asks for first, and knows what each family is.
    let about = prometheus.api("metadata?metric=settled_reading_luminance_cd_m2");
    assert_eq!(about["data"]["settled_reading_luminance_cd_m2"][0]["unit"], "cd_m2", "{about}");
    let rules = prometheus.api("rules");
    assert_eq!(rules["data"]["groups"][0]["rules"].as_array().map(Vec::len), Some(8), "{rules}");
    daemon.signal(Signal::SIGTERM);
    assert!(daemon.ended().success());
    wait_until("Prometheus misses the daemon", || {
        prometheus.query("up")[0]["value"][1] == "0"
            && prometheus.query("ALERTS{alertname=\"SettledDown\"}").len() == 1
    });
}

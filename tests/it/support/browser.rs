//! A real browser without a window, driven by the protocol of its developer tools.

use std::fs::File;
use std::net::TcpStream;
use std::os::unix::process::CommandExt;
use std::process::{Child, Command, Stdio};

use data_encoding::BASE64;
use nix::sys::signal::{Signal, killpg};
use nix::unistd::Pid;
use serde_json::{Value, json};
use tempfile::TempDir;
use tungstenite::{Message, WebSocket};

use super::daemon::{PATIENCE, wait_until};

const MISSING: &str = "chromium is missing: install it, or run tests/run";

/// Nothing but what a test tells it to do: no sandbox, which root may not have; no updates, no looks elsewhere; colours as they are.
const ARGUMENTS: [&str; 14] = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-extensions",
    "--disable-sync",
    "--hide-scrollbars",
    "--force-color-profile=srgb",
    "--window-size=800,600",
    "--remote-debugging-port=0",
];

/// A browser with one page. It ends when this is dropped.
pub(crate) struct Browser {
    child: Child,
    socket: WebSocket<TcpStream>,
    session: String,
    last_id: u64,
    /// What has happened, as it came.
    pub(crate) events: Vec<Value>,
    _folder: TempDir,
}

/// What it shows, in pixels of the display.
pub(crate) struct Picture {
    pub(crate) width: u32,
    pub(crate) height: u32,
    rgb: Vec<u8>,
}

impl Picture {
    pub(crate) fn at(&self, x: u32, y: u32) -> [u8; 3] {
        let start = 3 * usize::try_from(y * self.width + x).unwrap();
        self.rgb[start..start + 3].try_into().unwrap()
    }

    fn read(bytes: &[u8]) -> Self {
        let mut reader = png::Decoder::new(std::io::Cursor::new(bytes)).read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size().unwrap()];
        let frame = reader.next_frame(&mut pixels).unwrap();
        assert_eq!(frame.bit_depth, png::BitDepth::Eight);
        let samples = frame.color_type.samples();
        assert!(samples >= 3, "a picture in colour");
        let rgb =
            pixels[..frame.buffer_size()].chunks(samples).flat_map(|pixel| &pixel[..3]).copied().collect();
        Self { width: frame.width, height: frame.height, rgb }
    }
}

impl Browser {
    /// Starts one; `more` are arguments of its command line.
    pub(crate) fn start(more: &[&str]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let trace = File::create(folder.path().join("trace")).unwrap();
        let mut command = Command::new("chromium");
        command.args(ARGUMENTS).args(more).arg(format!("--user-data-dir={}", folder.path().display()));
        command.arg("about:blank").stdin(Stdio::null()).stdout(Stdio::null()).stderr(trace);
        let child = command.process_group(0).spawn().expect(MISSING);
        let place = folder.path().join("DevToolsActivePort");
        let mut socket = None;
        wait_until("the browser listens", || {
            let text = std::fs::read_to_string(&place).unwrap_or_default();
            let Some((port, path)) = text.split_once('\n').filter(|(_, path)| !path.is_empty()) else {
                return false;
            };
            let stream = TcpStream::connect(("127.0.0.1", port.parse().unwrap())).unwrap();
            stream.set_read_timeout(Some(PATIENCE)).unwrap();
            socket = Some(tungstenite::client(format!("ws://127.0.0.1:{port}{path}"), stream).unwrap().0);
            true
        });
        let (session, events) = (String::new(), Vec::new());
        let mut browser =
            Self { child, socket: socket.unwrap(), session, last_id: 0, events, _folder: folder };
        let targets = browser.call("Target.getTargets", json!({}));
        let pages = targets["targetInfos"].as_array().unwrap().iter();
        let page = pages.clone().find(|target| target["type"] == "page").expect("a page")["targetId"].clone();
        let attached = browser.call("Target.attachToTarget", json!({ "targetId": page, "flatten": true }));
        attached["sessionId"].as_str().unwrap().clone_into(&mut browser.session);
        browser.call("Page.enable", json!({}));
        browser.call("Network.enable", json!({}));
        browser
    }

    /// The result of a command.
    pub(crate) fn call(&mut self, method: &str, params: Value) -> Value {
        let mut heard = self.answer(method, params);
        assert!(heard.get("error").is_none(), "{method}: {heard}");
        heard["result"].take()
    }

    /// What a command is answered, be it an error.
    fn answer(&mut self, method: &str, params: Value) -> Value {
        self.last_id += 1;
        let mut told = json!({ "id": self.last_id, "method": method, "params": params });
        if !self.session.is_empty() {
            told["sessionId"] = json!(self.session);
        }
        self.socket.send(Message::text(told.to_string())).unwrap();
        loop {
            let Message::Text(text) = self.socket.read().expect("an answer in time") else { continue };
            let heard: Value = serde_json::from_str(&text).unwrap();
            if heard["id"] == json!(self.last_id) {
                return heard;
            }
            self.events.push(heard);
        }
    }

    /// Opens an address, and waits until the page is loaded.
    pub(crate) fn open(&mut self, url: &str) {
        self.call("Page.navigate", json!({ "url": url }));
        self.wait_for(&format!("location.href === {url:?} && document.readyState === 'complete'"));
    }

    /// The value of an expression in the page.
    pub(crate) fn evaluate(&mut self, expression: &str) -> Value {
        let params = json!({ "expression": expression, "returnByValue": true });
        self.call("Runtime.evaluate", params)["result"]["value"].take()
    }

    /// Waits until an expression is true in the page, which may be on its way to another one meanwhile.
    pub(crate) fn wait_for(&mut self, expression: &str) {
        let params = json!({ "expression": expression, "returnByValue": true });
        wait_until(expression, || {
            let heard = self.answer("Runtime.evaluate", params.clone());
            let is_leaving = heard["error"]["message"].as_str().is_some_and(|why| why.contains("navigated"));
            assert!(heard.get("error").is_none() || is_leaving, "{expression}: {heard}");
            heard["result"]["result"]["value"] == true
        });
    }

    /// Has all of its processes get a signal.
    pub(crate) fn signal(&self, signal: Signal) {
        killpg(Pid::from_raw(i32::try_from(self.child.id()).unwrap()), signal).unwrap();
    }

    /// Presses Enter, as somebody at the page would.
    pub(crate) fn press(&mut self) {
        for kind in ["keyDown", "keyUp"] {
            let key = json!({ "type": kind, "key": "Enter", "code": "Enter", "windowsVirtualKeyCode": 13 });
            self.call("Input.dispatchKeyEvent", key);
        }
    }

    /// What it shows.
    pub(crate) fn picture(&mut self) -> Picture {
        let taken = self.call("Page.captureScreenshot", json!({ "format": "png" }));
        Picture::read(&BASE64.decode(taken["data"].as_str().unwrap().as_bytes()).unwrap())
    }

    /// Every address that was asked for.
    pub(crate) fn asked(&self) -> Vec<&str> {
        let asked = self.events.iter().filter_map(|event| match event["method"].as_str() {
            Some("Network.requestWillBeSent") => event["params"]["request"]["url"].as_str(),
            Some("Network.webSocketCreated") => event["params"]["url"].as_str(),
            _ => None,
        });
        asked.collect()
    }
}

impl Drop for Browser {
    fn drop(&mut self) {
        let group = Pid::from_raw(i32::try_from(self.child.id()).unwrap());
        let _gone = killpg(group, Signal::SIGKILL).is_ok() && self.child.wait().is_ok();
    }
}

//! The page that shows stimuli, in a real browser: the right pixels, when it says so, and nobody else's.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::mpsc;
use std::thread::JoinHandle;

use serde_json::json;
use settle::output::Output;
use settle::review::patch::{Coding, Patch};
use settle::stimulus::page::{Manner, Page, View};
use settle::stimulus::way::Pause;
use settle::stimulus::{NotShown, Screen};
use settled_protocol::stage::Range;

use crate::support::browser::Browser;
use crate::support::daemon::{PATIENCE, wait_until};

const CODING: Coding = Coding { bits: 8, range: Range::Full };

/// What the page's side is asked.
enum Ask {
    Show(Patch, mpsc::Sender<Result<(), NotShown>>),
    Disturbed(mpsc::Sender<Option<String>>),
    View(mpsc::Sender<Option<View>>),
    End(mpsc::Sender<()>),
}

/// The client's side of the page, on a thread of its own.
struct Side {
    asks: Option<tokio::sync::mpsc::Sender<Ask>>,
    url: String,
    thread: Option<JoinHandle<()>>,
}

impl Side {
    fn open() -> Self {
        let (asks, mut asked) = tokio::sync::mpsc::channel(4);
        let (sender, url) = mpsc::channel();
        let thread = std::thread::spawn(move || {
            let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
            runtime.block_on(async {
                let manner = Manner { address: None, patience: PATIENCE, pause: Pause::default() };
                let mut page = Page::open(Output { json: true, ..Output::default() }, &manner).await.unwrap();
                sender.send(page.url().to_owned()).unwrap();
                while let Some(ask) = asked.recv().await {
                    match ask {
                        Ask::Show(patch, answer) => answer.send(page.show(&patch, CODING).await).unwrap(),
                        Ask::Disturbed(answer) => answer.send(page.disturbed()).unwrap(),
                        Ask::View(answer) => answer.send(page.view()).unwrap(),
                        Ask::End(answer) => {
                            page.end().await;
                            answer.send(()).unwrap();
                        }
                    }
                }
            });
        });
        Self { asks: Some(asks), url: url.recv().unwrap(), thread: Some(thread) }
    }

    fn ask<T>(&self, ask: impl FnOnce(mpsc::Sender<T>) -> Ask) -> mpsc::Receiver<T> {
        let (sender, answer) = mpsc::channel();
        self.asks.as_ref().unwrap().blocking_send(ask(sender)).unwrap();
        answer
    }

    /// Begins to show; the answer comes once it is shown.
    fn begin_to_show(&self, patch: &Patch) -> mpsc::Receiver<Result<(), NotShown>> {
        self.ask(|answer| Ask::Show(patch.clone(), answer))
    }

    fn show(&self, patch: &Patch) -> View {
        shown(&self.begin_to_show(patch));
        self.view().expect("how it was drawn")
    }

    fn view(&self) -> Option<View> {
        self.ask(Ask::View).recv().unwrap()
    }

    fn disturbed(&self) -> Option<String> {
        self.ask(Ask::Disturbed).recv().unwrap()
    }

    /// Where it listens: `127.0.0.1:PORT`.
    fn authority(&self) -> &str {
        self.url.strip_prefix("http://").unwrap().split('/').next().unwrap()
    }

    /// The path with the token.
    fn path(&self) -> &str {
        self.url.strip_prefix("http://").unwrap().strip_prefix(self.authority()).unwrap()
    }
}

impl Drop for Side {
    fn drop(&mut self) {
        self.asks = None;
        let _ended = self.thread.take().is_some_and(|thread| thread.join().is_ok());
    }
}

/// Waits until what was begun is shown.
fn shown(answer: &mpsc::Receiver<Result<(), NotShown>>) {
    answer.recv_timeout(2 * PATIENCE).expect("an answer in time").unwrap();
}

fn patch(codes: [u16; 3], background: [u16; 3], window_percent: f64) -> Patch {
    Patch {
        name: format!("{codes:?} on {background:?}, {window_percent} %"),
        codes,
        background,
        window_percent,
    }
}

/// A page that somebody has begun.
fn begun(side: &Side, more: &[&str]) -> Browser {
    let mut browser = Browser::start(more);
    browser.open(&side.url);
    begin(&mut browser);
    browser
}

fn begin(browser: &mut Browser) {
    browser.wait_for("socket !== null && socket.readyState === WebSocket.OPEN");
    browser.press();
    browser.wait_for("begun");
}

/// Every pixel is that of the window or that of the background, and the window is where it should be, to a pixel on each side.
fn assert_is(browser: &mut Browser, patch: &Patch, view: View) {
    let picture = browser.picture();
    let View { width, height, left, top, window_width, window_height, .. } = view;
    assert_eq!((picture.width, picture.height), (width, height), "{}", patch.name);
    assert_eq!(
        (2 * left + window_width, 2 * top + window_height),
        (width, height),
        "{} is centred",
        patch.name
    );
    let share = (patch.window_percent / 100.0).sqrt();
    for (side, of) in [(window_width, width), (window_height, height)] {
        let wanted = f64::from(of) * share;
        assert!(
            (f64::from(side) - wanted).abs() <= 1.0 + 1e-9,
            "{}: {side} of {of} is not {wanted}",
            patch.name
        );
    }
    let colour = |codes: [u16; 3]| codes.map(|code| u8::try_from(code).unwrap());
    let (window, background) = (colour(patch.codes), colour(patch.background));
    for y in 0..height {
        for x in 0..width {
            let is_inside =
                (left..left + window_width).contains(&x) && (top..top + window_height).contains(&y);
            let expected = if is_inside { window } else { background };
            assert_eq!(picture.at(x, y), expected, "{} at {x},{y}", patch.name);
        }
    }
}

#[test]
fn the_page_shows_every_stimulus_in_its_pixels_and_asks_nobody_else_for_anything() {
    let side = Side::open();
    let mut browser = begun(&side, &[]);
    let white = [255; 3];
    for patch in [
        patch(white, [0; 3], 10.0),
        patch([0; 3], white, 10.0),
        patch([1, 2, 3], [4, 5, 6], 25.0),
        patch([255, 0, 0], [0; 3], 50.0),
        patch([0, 254, 0], [0, 0, 1], 2.0),
        patch([0, 0, 128], [127, 0, 0], 18.0),
        patch([17, 34, 51], white, 100.0),
        patch([200; 3], [64; 3], 99.9),
        patch(white, [0; 3], 0.1),
    ] {
        let view = side.show(&patch);
        assert!(view.fills && view.exact, "{view:?}");
        assert_is(&mut browser, &patch, view);
        assert_eq!(side.disturbed(), None);
    }
    // Each code value that there is, in each channel, in the window or in the rest.
    for code in 0..128_u16 {
        let patch = patch([code; 3], [code + 128; 3], 25.0);
        let view = side.show(&patch);
        let picture = browser.picture();
        let found = [(view.width / 2, view.height / 2), (1, 1)].map(|(x, y)| picture.at(x, y).map(u16::from));
        assert_eq!(found, [patch.codes, patch.background]);
    }
    let ours = [format!("http://{}/", side.authority()), format!("ws://{}/", side.authority())];
    let asked: Vec<&str> = browser.asked().into_iter().filter(|url| *url != "about:blank").collect();
    assert!(asked.len() >= 4, "{asked:?}");
    assert!(asked.iter().all(|url| ours.iter().any(|ours| url.starts_with(ours))), "{asked:?}");
    side.ask(Ask::End).recv().unwrap();
    browser.wait_for("over && document.body.className === ''");
}

#[test]
fn on_a_display_with_more_pixels_than_the_page_its_windows_are_whole_pixels() {
    let side = Side::open();
    let mut browser = begun(&side, &["--force-device-scale-factor=1.5"]);
    for percent in [10.0, 33.0, 1.0] {
        let patch = patch([250, 10, 130], [3, 60, 9], percent);
        let view = side.show(&patch);
        assert!((view.ratio - 1.5).abs() < 1e-9 && view.exact, "{view:?}");
        assert_is(&mut browser, &patch, view);
    }
}

#[test]
fn a_stimulus_is_said_to_be_shown_only_two_frames_after_it_was_drawn() {
    let side = Side::open();
    let mut browser = Browser::start(&[]);
    // Frames come when the test lets them, and what the page says is kept.
    browser.call(
        "Page.addScriptToEvaluateOnNewDocument",
        json!({ "source": "globalThis.frames_ = []; globalThis.said = [];
            globalThis.requestAnimationFrame = (frame) => frames_.push(frame);
            const send = WebSocket.prototype.send;
            WebSocket.prototype.send = function (text) { said.push(JSON.parse(text).event); send.call(this, text); };" }),
    );
    browser.open(&side.url);
    begin(&mut browser);
    let answer = side.begin_to_show(&patch([255; 3], [0; 3], 10.0));
    let is_drawn =
        "frames_.length > 0 && pen.getImageData(canvas.width / 2, canvas.height / 2, 1, 1).data[0] === 255";
    browser.wait_for(is_drawn);
    // Whatever else the page has drawn meanwhile, filling the screen say, only the latest counts.
    browser.evaluate("for (const frame of frames_.splice(0)) { frame(0); }");
    assert_eq!(browser.evaluate("said.includes('shown')"), false);
    assert!(answer.try_recv().is_err());
    browser.wait_for(
        "(() => { for (const frame of frames_.splice(0)) { frame(0); } return said.includes('shown'); })()",
    );
    shown(&answer);
}

#[test]
fn a_page_that_is_loaded_anew_shows_the_stimulus_again_and_that_is_told() {
    let side = Side::open();
    let mut browser = begun(&side, &[]);
    let (first, second) = (patch([255, 0, 0], [0; 3], 25.0), patch([0, 255, 0], [0; 3], 25.0));
    side.show(&first);
    browser.open("about:blank");
    browser.open(&side.url);
    // Nothing is asked of it: what is to be shown is shown as soon as somebody has begun.
    begin(&mut browser);
    browser.wait_for("order !== null && order.window[0] === 255");
    wait_until("it is drawn", || browser.picture().at(400, 300) == [255, 0, 0]);
    let told = side.disturbed().expect("that it was gone");
    assert!(["the page was gone", "loaded anew"].iter().any(|words| told.contains(words)), "{told}");
    assert_eq!(side.disturbed(), None, "it is told once");
    // The same while something is asked of it.
    browser.open("about:blank");
    let answer = side.begin_to_show(&second);
    browser.open(&side.url);
    begin(&mut browser);
    shown(&answer);
    let view = side.view().unwrap();
    assert_is(&mut browser, &second, view);
    assert_eq!(side.disturbed(), None);
}

#[test]
fn a_page_whose_size_changes_draws_anew_and_that_is_told() {
    let side = Side::open();
    let mut browser = begun(&side, &[]);
    let patch = patch([20, 40, 60], [80, 100, 120], 10.0);
    let before = side.show(&patch);
    let size = json!({ "width": 640, "height": 480, "deviceScaleFactor": 1, "mobile": false });
    browser.call("Emulation.setDeviceMetricsOverride", size);
    wait_until("it has told", || side.view().is_some_and(|view| (view.width, view.height) == (640, 480)));
    let told = side.disturbed().expect("that it was changed");
    assert!(told.contains(&format!("from {} × {}", before.width, before.height)), "{told}");
    let view = side.show(&patch);
    assert_is(&mut browser, &patch, view);
}

#[test]
fn the_page_that_comes_last_shows_and_the_one_before_does_not_come_back() {
    let side = Side::open();
    let mut first = begun(&side, &[]);
    let mut second = begun(&side, &[]);
    first.wait_for("over");
    let patch = patch([9, 99, 199], [0; 3], 25.0);
    let view = side.show(&patch);
    assert_is(&mut second, &patch, view);
    assert!(first.evaluate("order === null && words.textContent.includes('Another page')") == true);
}

#[test]
fn a_page_that_hears_nothing_any_more_takes_the_stimulus_away_and_comes_back() {
    let side = Side::open();
    let mut browser = Browser::start(&[]);
    // The timer that goes off when nothing is heard goes off when the test says so; messages come late while the test holds them.
    browser.call(
        "Page.addScriptToEvaluateOnNewDocument",
        json!({ "source": "globalThis.silences = 0; globalThis.silent = null;
            const later = globalThis.setTimeout;
            globalThis.setTimeout = (what, ms) => {
                if (ms < 20000) { return later(what, ms); }
                silences += 1; silent = what; return null;
            };" }),
    );
    browser.open(&side.url);
    begin(&mut browser);
    browser.evaluate("silences = 0");
    let patch = patch([255; 3], [0; 3], 100.0);
    side.show(&patch);
    assert!(browser.evaluate("silences > 0") == true, "what is heard winds the timer up anew");
    let lost = browser.evaluate(
        "const line = socket; silent(); [order === null, document.body.classList.contains('showing'), line.readyState > 1]",
    );
    assert_eq!(lost, json!([true, false, true]));
    wait_until("that is told", || {
        side.disturbed().is_some_and(|words| words.contains("the page was gone") || words.contains("anew"))
    });
    // Nobody has to begin anew: it shows again what there is to show.
    browser.wait_for("order !== null && document.body.classList.contains('showing')");
    wait_until("it is drawn", || browser.picture().at(400, 300) == [255; 3]);
}

/// What a request gets: the whole answer, headers included.
fn request(side: &Side, path: &str, headers: &[(&str, &str)]) -> String {
    let mut stream = TcpStream::connect(side.authority()).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    let headers: String = headers.iter().map(|(name, value)| format!("{name}: {value}\r\n")).collect();
    write!(stream, "GET {path} HTTP/1.1\r\n{headers}Connection: close\r\n\r\n").unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}

/// Whether a WebSocket is given.
fn line(side: &Side, path: &str, host: &str, origin: Option<&str>) -> Result<(), u16> {
    let request = tungstenite::http::Request::builder()
        .uri(format!("ws://{}{path}line", side.authority()))
        .header("Host", host)
        .header("Connection", "Upgrade")
        .header("Upgrade", "websocket")
        .header("Sec-WebSocket-Version", "13")
        .header("Sec-WebSocket-Key", tungstenite::handshake::client::generate_key());
    let request = match origin {
        Some(origin) => request.header("Origin", origin),
        None => request,
    };
    let stream = TcpStream::connect(side.authority()).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    match tungstenite::client(request.body(()).unwrap(), stream) {
        Ok(_) => Ok(()),
        Err(tungstenite::HandshakeError::Failure(tungstenite::Error::Http(answer))) => {
            Err(answer.status().as_u16())
        }
        Err(other) => panic!("{other}"),
    }
}

#[test]
fn who_was_led_here_comes_from_another_page_or_does_not_know_the_token_is_refused() {
    let side = Side::open();
    let (host, path) = (side.authority(), side.path());
    let whole = request(&side, path, &[("Host", host)]);
    assert!(whole.starts_with("HTTP/1.1 200") && whole.contains("<canvas"), "{whole}");
    for expected in [
        "content-security-policy: default-src 'none'; script-src 'self'; style-src 'self'",
        "referrer-policy: no-referrer",
        "cache-control: no-store",
        "x-content-type-options: nosniff",
    ] {
        assert!(whole.contains(expected), "{expected} is not in {whole}");
    }
    let script = format!("{path}page.js");
    let foreign = ("Origin", "http://display.example.org");
    for (path, headers, status) in [
        (path, vec![("Host", "display.example.org")], 403),
        (path, vec![], 403),
        (&script, vec![("Host", host), foreign], 403),
        ("/", vec![("Host", host)], 404),
        ("/00112233445566778899aabbccddeeff/", vec![("Host", host)], 404),
        ("/page.js", vec![("Host", host)], 404),
    ] {
        let answer = request(&side, path, &headers);
        let expected = format!("HTTP/1.1 {status}");
        // Without a host it is no request at all.
        let is_refused =
            answer.starts_with(&expected) || (headers.is_empty() && answer.starts_with("HTTP/1.1 400"));
        assert!(is_refused && !answer.contains("<canvas"), "{path} {headers:?}: {answer}");
    }
    let own = format!("http://{host}");
    assert_eq!(line(&side, path, host, Some(&own)), Ok(()));
    assert_eq!(line(&side, path, host, None), Err(403));
    assert_eq!(line(&side, path, host, Some("http://display.example.org")), Err(403));
    assert_eq!(line(&side, path, host, Some("null")), Err(403));
    assert_eq!(line(&side, path, "display.example.org", Some("http://display.example.org")), Err(403));
    assert_eq!(line(&side, "/", host, Some(&own)), Err(404));
    assert_eq!(line(&side, "/00112233445566778899aabbccddeeff/", host, Some(&own)), Err(404));
}

//! The page's files: they are in the program. None of them holds anything of a meter, so they are given without the token, which a browser
//! keeps to itself until a script has read it.

use std::hash::{DefaultHasher, Hash, Hasher};

use hyper::Request;
use hyper::header::{HeaderValue, IF_NONE_MATCH};

use super::answer::{self, Answer};

const HTML: &str = "text/html; charset=utf-8";
const CSS: &str = "text/css; charset=utf-8";
const SCRIPT: &str = "text/javascript; charset=utf-8";

macro_rules! files {
    ($($path:literal, $kind:expr, $file:literal;)*) => {
        [$(($path, $kind, include_bytes!(concat!("web/", $file)) as &[u8])),*]
    };
}

/// Each with its path.
const FILES: [(&str, &str, &[u8]); 20] = files! {
    "/", HTML, "index.html";
    "/page.css", CSS, "page.css";
    "/main.js", SCRIPT, "main.js";
    "/token.js", SCRIPT, "token.js";
    "/wire.js", SCRIPT, "wire.js";
    "/clock.js", SCRIPT, "clock.js";
    "/words.js", SCRIPT, "words.js";
    "/parts.js", SCRIPT, "parts.js";
    "/meter.js", SCRIPT, "meter.js";
    "/history.js", SCRIPT, "history.js";
    "/past.js", SCRIPT, "past.js";
    "/verdict.js", SCRIPT, "verdict.js";
    "/proof.js", SCRIPT, "proof.js";
    "/announce.js", SCRIPT, "announce.js";
    "/series.js", SCRIPT, "series.js";
    "/curve.js", SCRIPT, "curve.js";
    "/runs.js", SCRIPT, "runs.js";
    "/events.js", SCRIPT, "events.js";
    "/vendor/uPlot.iife.min.js", SCRIPT, "vendor/uPlot.iife.min.js";
    "/vendor/uPlot.min.css", CSS, "vendor/uPlot.min.css";
};

/// The file at a path, if there is one; without its bytes for a browser that has the very same.
pub(super) fn file<B>(request: &Request<B>) -> Option<Answer> {
    let (_, kind, bytes) = FILES.into_iter().find(|(path, ..)| *path == request.uri().path())?;
    let tag = tag(bytes)?;
    let known = request.headers().get_all(IF_NONE_MATCH).iter().any(|known| *known == tag);
    Some(answer::file(kind, &tag, (!known).then_some(bytes)))
}

/// Tells all files of one program from those of another.
pub(super) fn together() -> String {
    let mut hasher = DefaultHasher::new();
    FILES.hash(&mut hasher);
    format!("{:016x}", hasher.finish())
}

/// Tells files apart, as an entity tag (RFC 9110, 8.8.3).
fn tag(bytes: &[u8]) -> Option<HeaderValue> {
    let mut hasher = DefaultHasher::new();
    bytes.hash(&mut hasher);
    HeaderValue::from_str(&format!("\"{:016x}\"", hasher.finish())).ok()
}

#[cfg(test)]
mod tests {
    use hyper::StatusCode;
    use hyper::header::ETAG;

    use super::*;

    #[test]
    fn a_browser_that_has_a_file_is_not_given_it_again() {
        let first = file(&Request::builder().uri("/main.js").body(()).unwrap()).unwrap();
        assert_eq!(first.status(), StatusCode::OK);
        let tag = &first.headers()[ETAG];
        let again = Request::builder().uri("/main.js").header(IF_NONE_MATCH, tag).body(()).unwrap();
        assert_eq!(file(&again).unwrap().status(), StatusCode::NOT_MODIFIED);
        let other = Request::builder().uri("/page.css").header(IF_NONE_MATCH, tag).body(()).unwrap();
        assert_eq!(file(&other).unwrap().status(), StatusCode::OK);
        assert!(file(&Request::builder().uri("/web/main.js").body(()).unwrap()).is_none());
    }

    #[test]
    fn no_script_looks_behind_for_which_browsers_of_before_2023_leave_it_out() {
        for (path, _, bytes) in FILES.into_iter().filter(|(_, kind, _)| *kind == SCRIPT) {
            let script = std::str::from_utf8(bytes).unwrap();
            assert!(!script.contains("(?<=") && !script.contains("(?<!"), "{path}");
        }
    }

    #[test]
    fn the_whole_page_is_smaller_than_300_kb_less_a_days_bins() {
        let bytes: usize = FILES.iter().map(|(.., bytes)| bytes.len()).sum();
        assert!(bytes < 180_000, "{bytes}");
    }

    #[test]
    fn every_file_of_the_folder_is_given_or_says_why_it_is_there() {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/src/page/web");
        let given = |name: &str| {
            name == "index.html"
                || FILES.iter().any(|(path, ..)| path.strip_prefix('/') == Some(name))
                || name.ends_with("README.md")
                || name.ends_with("LICENSE")
        };
        for (within, prefix) in [("", ""), ("/vendor", "vendor/")] {
            for entry in std::fs::read_dir(format!("{folder}{within}")).unwrap() {
                let name = entry.unwrap().file_name().into_string().unwrap();
                assert!(name == "vendor" || given(&format!("{prefix}{name}")), "{name}");
            }
        }
    }
}

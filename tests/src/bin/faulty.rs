//! A plugin for tests that goes wrong as it is told.
//!
//! `faulty` measures a light that is brighter by 1 cd/m² at every exposure. `faulty WHEN WHAT` does WHAT at the `start`, or instead of answering
//! `hello` or `open`, or once it is `opened`. A file `order` in its folder is an order for the next exposure, and is deleted: `WHAT` instead of the answer,
//! or `after WHAT`.
//!
//! | WHAT | |
//! |---|---|
//! | `crash`, `exit`, `hang`, `stop` | aborts, exits with 1, never answers, stops itself |
//! | `flood`, `endless`, `complain`, `chatter` | a gigabyte of lines, of one line, of standard error; three hundred lines of that |
//! | `nonsense`, `wrong_id`, `twice`, `nothing`, `unasked`, `gone` | lines that fit nothing, or the wrong thing |
//! | `nan`, `beyond`, `missing`, `undeclared`, `spectrum`, `dark` | answers with a value that is none |
//! | `memory`, `fork`, `environment` | takes a gigabyte; leaves a child that holds its streams; tells what it sees of its environment |

use std::io::{BufRead, Write, stderr, stdin, stdout};
use std::process::{Command, exit};

use nix::sys::signal::{Signal, raise};
use serde_json::{Value, json};

type Failure = Box<dyn std::error::Error>;

/// How much is too much, in bytes.
const FLOOD: usize = 1 << 30;

fn main() -> Result<(), Failure> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let told = |when: &str| {
        arguments.first().filter(|first| *first == when).and(arguments.get(1)).cloned().unwrap_or_default()
    };
    act(&told("start"), 0)?;
    let mut exposures = 0;
    for line in stdin().lock().lines() {
        let request: Value = serde_json::from_str(&line?)?;
        let id = request["id"].as_i64().unwrap_or_default();
        match request["method"].as_str().unwrap_or_default() {
            "hello" => answer_or(&told("hello"), id, &json!({"protocol": 1}))?,
            "meter.open" => {
                answer_or(&told("open"), id, &about())?;
                act(&told("opened"), id)?;
            }
            _ => {
                exposures += 1;
                let order = std::fs::read_to_string("order").unwrap_or_default();
                if !order.is_empty() {
                    std::fs::remove_file("order")?;
                }
                let (instead, after) = match order.trim().split_once(' ') {
                    Some((_, after)) => ("", after),
                    None => (order.trim(), ""),
                };
                answer_or(instead, id, &json!({"luminance_cd_m2": 100 + exposures}))?;
                act(after, id)?;
            }
        }
    }
    Ok(())
}

fn about() -> Value {
    json!({"model": "Made-up faulty meter", "kind": "photometer", "quantities": ["luminance"],
        "integration_s": {"min": 0.01, "max": 1}, "deadline_s": 1, "deadline_factor": 2})
}

fn say(line: &str) -> Result<(), Failure> {
    let mut stdout = stdout().lock();
    writeln!(stdout, "{line}")?;
    Ok(stdout.flush()?)
}

fn answer(id: i64, result: &str) -> Result<(), Failure> {
    say(&format!(r#"{{"jsonrpc":"2.0","id":{id},"result":{result}}}"#))
}

fn answer_or(what: &str, id: i64, result: &Value) -> Result<(), Failure> {
    act(what, id)?;
    if ["", "chatter", "stop", "environment"].contains(&what) {
        answer(id, &result.to_string())?;
    }
    Ok(())
}

/// Does it; comes back only if the plugin is to go on.
fn act(what: &str, id: i64) -> Result<(), Failure> {
    match what {
        "" => {}
        "crash" => std::process::abort(),
        "exit" => {
            writeln!(stderr(), "something is\x1b[2J missing")?;
            exit(1);
        }
        "hang" => loop {
            std::thread::park();
        },
        "stop" => raise(Signal::SIGSTOP)?,
        "flood" | "endless" | "complain" => flood(what)?,
        "chatter" => (0..300).try_for_each(|n| writeln!(stderr(), "chatter {n}"))?,
        "fork" => {
            let child = Command::new("sleep").arg("1000").spawn()?;
            std::fs::write("forked", child.id().to_string())?;
            exit(1);
        }
        "memory" => {
            let hoard = vec![1_u8; 1 << 30];
            writeln!(stderr(), "got {} bytes", hoard.iter().filter(|byte| **byte == 1).count())?;
        }
        "environment" => {
            let names: Vec<String> =
                std::env::vars_os().map(|(name, _)| name.to_string_lossy().into_owned()).collect();
            std::fs::write("environment", names.join("\n"))?;
        }
        _ => misspeak(what, id)?,
    }
    Ok(())
}

fn flood(what: &str) -> Result<(), Failure> {
    let piece = match what {
        "flood" => "{\"jsonrpc\":\"2.0\",\"id\":0,\"result\":{}}\n".repeat(1000),
        "endless" => "x".repeat(40_000),
        _ => "it hurts\n".repeat(4000),
    };
    let mut written = 0;
    while written < FLOOD {
        match what {
            "complain" => stderr().write_all(piece.as_bytes())?,
            _ => stdout().write_all(piece.as_bytes())?,
        }
        written += piece.len();
    }
    Ok(())
}

fn misspeak(what: &str, id: i64) -> Result<(), Failure> {
    match what {
        "nonsense" => say("good evening"),
        "wrong_id" => answer(id + 1, "{}"),
        "twice" => answer(id, "{}").and_then(|()| answer(id, "{}")),
        "nothing" => answer(id, "null"),
        "unasked" => say(r#"{"jsonrpc":"2.0","method":"meter.sings","params":{}}"#),
        "gone" => say(r#"{"jsonrpc":"2.0","method":"meter.gone","params":{"reason":"unplugged"}}"#),
        "nan" => answer(id, r#"{"luminance_cd_m2":NaN}"#),
        "beyond" => answer(id, r#"{"luminance_cd_m2":1e999}"#),
        "missing" => answer(id, "{}"),
        "undeclared" => answer(id, r#"{"xyz":[1,2,3]}"#),
        "spectrum" => {
            let values = vec!["1"; 100_000].join(",");
            answer(id, &format!(r#"{{"spectrum":{{"start_nm":380,"step_nm":0.001,"values":[{values}]}}}}"#))
        }
        "dark" => say(&format!(
            r#"{{"jsonrpc":"2.0","id":{id},"error":{{"code":1,"message":"too dark","data":{{"kind":"below_range"}}}}}}"#
        )),
        other => Err(format!("no fault {other:?}").into()),
    }
}

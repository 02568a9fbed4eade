//! A process that is told what to do: a line on its standard input, and one on its standard output once that is done.

use std::io::{BufRead, BufReader, Write};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

/// A running one. It ends when this is dropped.
pub(crate) struct Obedient {
    child: Child,
    orders: Option<ChildStdin>,
    answers: BufReader<ChildStdout>,
}

impl Obedient {
    /// Starts one, and waits for its first words. `missing` says what to do if there is no such program.
    pub(crate) fn start(mut command: Command, missing: &str) -> (Self, String) {
        let spawned = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn();
        let mut child = spawned.expect(missing);
        let (orders, answers) = (child.stdin.take(), BufReader::new(child.stdout.take().unwrap()));
        let mut started = Self { child, orders, answers };
        let ready = started.hear();
        (started, ready)
    }

    pub(crate) fn pid(&self) -> u32 {
        self.child.id()
    }

    fn hear(&mut self) -> String {
        let mut line = String::new();
        self.answers.read_line(&mut line).unwrap();
        line.trim().to_owned()
    }

    /// Gives an order, and waits until it is in force.
    pub(crate) fn order(&mut self, order: &str) -> String {
        writeln!(self.orders.as_mut().unwrap(), "{order}").unwrap();
        let answer = self.hear();
        assert!(!answer.is_empty(), "it died of {order:?}");
        answer
    }
}

impl Drop for Obedient {
    fn drop(&mut self) {
        self.orders = None;
        let _gone = self.child.wait().is_ok();
    }
}

//! Writes the protocol reference of the guide to standard output.

#![expect(clippy::print_stdout, reason = "it is what this program is for")]

use settled_protocol::openrpc::{document, reference::reference};

fn main() {
    print!("{}", reference(&document()));
}

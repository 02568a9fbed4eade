//! Writes the OpenRPC document to standard output.

#![expect(clippy::print_stdout, reason = "it is what this program is for")]

fn main() {
    println!("{:#}", settled_protocol::openrpc::document());
}

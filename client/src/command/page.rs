//! `settle page`: where the daemon's local page is to be had.

use settled_protocol::method::{Nothing, PageAddress};
use settled_protocol::status::PageAddressed;

use super::{Context, Exit, Failure};

pub(super) async fn run(context: &Context) -> Result<Exit, Failure> {
    let told = context.connect().await?.call::<PageAddress>(&Nothing {}).await?;
    if context.output.json {
        context.output.object(&told)?;
        return Ok(Exit::Done);
    }
    let PageAddressed { address, port } = &told;
    context.output.line(address)?;
    context.output.aside(&format!(
        "Keep it as a password is kept. From another machine, a phone say: ssh -L {port}:127.0.0.1:{port} HOST, then open it there."
    ));
    Ok(Exit::Done)
}

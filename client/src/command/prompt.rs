//! Someone at the display: asked to do something, and waited for.

use super::Failure;
use crate::asking;
use crate::output::Output;

pub(super) use crate::asking::{agrees, line};

/// Says what is to be done, and waits for Enter.
pub(super) async fn enter(output: Output, words: &str) -> Result<(), Failure> {
    asking::enter(output, words).await.map_err(|unattended| Failure::Input(unattended.to_string()))
}

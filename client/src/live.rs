//! `settle live`: how the light gets on, on the whole screen of a terminal.
//!
//! News and keys change a [`state`], of which a [`view`] is made, which is [drawn](draw) into cells; only those that changed are
//! written to the [`screen`]. All but the ends of that is pure: no clock, no terminal, no daemon.
//!
//! | module | idea |
//! |---|---|
//! | [`feed`] | what the daemon tells, as news |
//! | [`state`] | what is known, and how news and keys change it |
//! | [`gauge`] | one meter as it is watched |
//! | [`curve`] | its light, in bounded memory |
//! | [`judging`] | what the daemon's engine makes of it |
//! | [`view`] | what is to be seen, in words and numbers |
//! | [`draw`](mod@draw) | the same in cells, at any size |
//! | [`pen`] | words into cells, within what the terminal can show |
//! | [`keys`] | keys out of bytes |
//! | [`screen`] | the terminal, taken over and given back |
//! | [`show`](mod@show) | the loop around all of it |

pub mod curve;
pub mod draw;
pub mod feed;
pub mod gauge;
pub mod judging;
pub mod keys;
pub mod pen;
pub mod screen;
pub mod show;
pub mod state;
pub mod view;

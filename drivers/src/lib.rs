//! Drivers for light meters: the two traits, the links, the built-in drivers, and a conformance suite that each passes.
//!
//! | module | idea |
//! |---|---|
//! | [`driver`] | a configured instrument that can be opened, and the registry of drivers |
//! | [`meter`] | one open instrument, and the contract it keeps |
//! | [`sample`] | what a driver saw in one exposure |
//! | [`fault`] | the few ways an instrument fails |
//! | [`clock`] | the time that simulated instruments live in |
//! | [`nearest`] | the word that was probably meant |
//! | [`settings`] | TOML tables read strictly, every mistake reported at once |
//! | [`link`] | bytes to and from an instrument |
//! | [`profile`] | any instrument that answers text lines, described in TOML |
//! | [`iio`] | light sensors that the Linux kernel knows |
//! | [`plugin`] | any executable that speaks the meter half of JSON-RPC |
//! | [`simulated`] | a display and a meter that looks at it, as a physical model |
//! | [`recording`] | what passed on a link and what came of it, kept in a file |
//! | [`replay`] | recordings played back as meters |
//! | [`conformance`] | what every driver must do, as a suite |

pub mod clock;
pub mod conformance;
pub mod driver;
pub mod fault;
pub mod iio;
pub mod link;
pub mod meter;
pub mod nearest;
pub mod plugin;
pub mod profile;
pub mod recording;
pub mod replay;
pub mod sample;
pub mod settings;
pub mod simulated;

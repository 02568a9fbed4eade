//! Measuring a display: which stimuli, in which order, how long each is waited for, and what was measured.
//!
//! | module | idea |
//! |---|---|
//! | [`patch`] | what is shown, in code values |
//! | [`plan`] | which sequences a review has, from a TOML file |
//! | [`chart`] | colours to show: the built-in grid, or a file's |
//! | [`light`] | how much light a signal stands for, about |
//! | [`saturation`] | colours at even steps of saturation |
//! | [`expand`] | from a sequence to what is shown, step by step |
//! | [`order`] | in which order the steps are shown |
//! | [`itinerary`] | what of a plan is still to be measured |
//! | [`criteria`] | how long each stimulus is waited for |
//! | [`pace`] | how long what is left takes |
//! | [`caution`] | what whoever starts a review should know |
//! | [`ready`] | plans that come along |
//! | [`record`] | what was measured: a file that a review can be resumed from, and figures are made of |
//! | [`evaluation`] | a record evaluated: the figures of every sequence, and all verdicts |
//! | [`compare`] | two reviews side by side |
//! | [`figures`] | what it comes to: figures and verdicts of each sequence |

pub mod caution;
pub mod chart;
pub mod compare;
pub mod criteria;
pub mod evaluation;
pub mod expand;
pub mod figures;
pub mod itinerary;
pub mod light;
pub mod order;
pub mod pace;
pub mod patch;
pub mod plan;
pub mod ready;
pub mod record;
pub mod saturation;

//! The bench of a three-tank formant voice: circuit, response, render, tune, board, and the pictures of them.
//!
//! ```text
//!   arguments ──► unit (board, knobs, codes) ──┬─► circuit    the element list
//!                                              ├─► preset     a patch for hosts of the VST3 plugin
//!                                              ├─► response   small-signal curves and peaks ──► picture
//!               WAV, score, song ──────────────┼─► render     exactly the plugin's engine, offline
//!                     score ───────────────────┴─► gates      the lines as voltages and as MIDI notes
//!   L, C, f, Q, rate ─► tune                                  sums on paper, parts from the series
//! ```
//! The binary is a thin shell around these rooms, so that other programs of the house can call them.

pub mod bench;
pub mod command;
pub mod drawer;
pub mod fault;
pub mod gates;
pub mod picture;
pub mod plan;
pub mod preset;
pub mod render;
pub mod response;
pub mod rf64;
pub mod score;
pub mod series;
pub mod sheet;
pub mod song;
pub mod sound;
pub mod spread;
pub mod tune;
pub mod unit;
pub mod whole_file;

//! The circuit of a three-tank formant voice, solved sample by sample.
//!
//! ```text
//!   board ──► circuit ──► response            (what is soldered, and what it does to small signals)
//!     │
//!     └─────► instrument: lines → exciter → stage 1 → stage 2 → stage 3 → mixer
//! ```
//! All voltages in volts; 1.0 is 1 V. Arithmetic only: nothing here knows a file, a host, a clock or a thread, and
//! nothing allocates once an [`instrument::Instrument`] is built.

pub mod board;
pub mod chain;
pub mod circuit;
mod controls;
pub mod device;
mod engine;
pub mod exciter;
pub mod factory;
mod feed;
mod follower;
pub mod gate_input;
pub mod instrument;
pub mod keys;
pub mod knobs;
mod lanes;
pub mod limiter;
pub mod lines;
pub mod mixer;
pub mod oversample;
mod pace;
pub mod patch;
pub mod pattern;
pub mod processor;
pub mod quartet;
pub mod radau;
pub mod response;
mod rest;
pub mod stage;
mod switching;
mod text;
pub mod value;

//! A small CLAP host: loads the plugin, turns its parameters, and calls it with whatever ports a host may give.
//!
//! ```text
//!   rig          the plugin, loaded as a host does or linked into the test
//!   performance  audio in, events at their frames, blocks of any size, ports given or not
//!   calls        a performance cut into process calls
//!   reference    the instrument itself under the same performance, and what differs
//!   patched      a unit on which every port is heard
//!   presets      what a host finds by preset discovery
//! ```
#![allow(dead_code, unreachable_pub, unused_imports)] // Each test file uses its own part.

mod calls;
pub mod patched;
mod performance;
pub mod presets;
mod reference;
mod rig;

pub use calls::{Memory, Prepared, claimed, memory, play, pointers};
pub use performance::{Event, Expression, Given, Heard, INS, OUTS, Performance, Ports, TRANSPORT_RATE_HZ, written};
pub use reference::{assert_same, difference_db, directly, instrument};
pub use rig::{Asked, Listed, Processor, Rig, number};

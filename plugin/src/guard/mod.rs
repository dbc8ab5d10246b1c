//! Between host and framework: what a host left out is lent, and a broken state is refused.
//!
//! ```text
//!   host's process call          lent                            framework
//!   ───────────────────          ────                            ─────────
//!   Input        ▓▓ ▓▓      ──►  as they are                ──►  ▓▓ ▓▓
//!   Stage 2 in   (nothing)  ──►  silence                    ──►  ·· ··
//!   Tap 2        ▓▓ null    ──►  one channel of scrap       ──►  ▓▓ ░░
//!   Tap 3        (nothing)  ──►  two channels of scrap      ──►  ░░ ░░
//! ```
//! The framework (0.4.2) does not call the plugin at all when a channel of any output is missing, and hosts leave the
//! ports that nobody patched inactive: an insert would pass its input through. Its VST3 side also looks for side input n
//! only if there are n outputs, and both sides read one port beyond the host's list. With every port lent, none of
//! these paths is reached.
//!
//! It also takes any state that is well-formed, whatever stands in it, and answers that it was loaded. Here the state
//! is read first, and the host is told the truth.

// The formats count with signed numbers; what is counted here is a handful of ports or a few kilobytes.
#![allow(clippy::cast_possible_wrap)]

pub mod clap;
mod lend;
pub mod vst3;

pub use lend::{Given, Lender};

use nice_plug::prelude::{Plugin, PluginState};
use std::path::Path;

/// A plugin that can say whether a state is one of its own before anything is changed.
pub trait CheckedState: Plugin {
    /// Whether this state can be loaded.
    ///
    /// # Errors
    /// What is wrong, where, and what is allowed, on one line.
    fn check_state(state: &PluginState) -> Result<(), String>;

    /// The state of a patch.
    ///
    /// # Errors
    /// What is wrong, where, and what is allowed, on one line.
    fn preset(place: Place<'_>) -> Result<PluginState, String>;
}

/// Where a patch lies.
#[derive(Clone, Copy, Debug)]
pub enum Place<'a> {
    /// In the plugin, under a key.
    Plugin(&'a str),
    /// In a file.
    File(&'a Path),
}

/// Largest state that is read: a thousand times a usual one.
const STATE_BYTES: usize = 16 << 20;

/// Reads the framework's envelope and checks what is in it.
fn check_envelope<P: CheckedState>(json: &[u8]) -> Result<(), String> {
    let state: PluginState = serde_json::from_slice(json).map_err(|error| {
        format!("given {} bytes that are not a state ({error}), allowed is what this plugin saved", json.len())
    })?;
    P::check_state(&state)
}

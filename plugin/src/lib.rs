//! The thin shell around [`tritank_dsp::instrument::Instrument`]: CLAP, VST3, parameters, ports and state.
//!
//! ```text
//!   host ──► entry ──► guard ──► framework ──► shell ──► instrument
//!              │         │                       │
//!              │         │                       ├── panel     knobs of the table as host parameters; state
//!              │         │                       ├── workshop  builds and scraps units off the audio thread
//!              │         │                       ├── keyboard  notes, bend, pedals
//!              │         │                       ├── cables    gates and control voltages in, lines out
//!              │         │                       └── denormals flushed while we run
//!              │         └── lends what the host left out, refuses a broken state
//!              └── `clap_entry`, `GetPluginFactory`
//! ```
//! Nothing here knows a circuit, and nothing in the circuit knows a host.
//!
//! # Real-time considerations
//! `process` allocates nothing, takes no lock and makes no system call. A change of oversampling or of board needs a new
//! unit: another thread, which looks for orders by itself, builds it and hands it over through a lock-free slot. Only an
//! offline render builds in place, so that it is the same every time.

pub mod cables;
pub mod denormals;
pub mod entry;
pub mod guard;
pub mod keyboard;
pub mod pages;
pub mod panel;
pub mod presets;
pub mod shell;
pub mod workshop;

pub use shell::Shell;

/// The plugin as CLAP hosts get it: notes, bend and controllers.
pub type ClapShell = Shell<true>;

/// The plugin as VST3 hosts get it: notes only. Every controller would cost that format a parameter per MIDI channel,
/// 2080 in all, which some hosts take half a minute to list.
pub type Vst3Shell = Shell<false>;

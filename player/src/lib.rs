//! The unit without a host: everything of `tritank-standalone` but the sound card itself.
//!
//! ```text
//!   arguments ──► session ──► machine (a sound card, or a test's) ──► deck, on the audio thread
//!                   │  opens, meters, opens again                      │
//!                   └───────────────────── wires ──────────────────────┘  MIDI and sound in; peaks and counts out
//! ```
//! # Real-time considerations
//! The deck allocates nothing, takes no lock and makes no system call: what other threads send it or want to know of it
//! goes through the wires, which are atomics and lock-free queues.

pub mod arguments;
pub mod deck;
pub mod machine;
pub mod session;
pub mod wires;

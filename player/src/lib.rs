//! The unit without a host: everything of `tritank-standalone` but the sound card itself.
//!
//! ```text
//!   arguments ──► session ──► machine (a sound card, JACK, or a test's) ──► inlet, deck, on the audio threads
//!                   │  opens, meters, opens again                              │
//!                   └─────────────────────────── wires ────────────────────────┘  MIDI and sound in; peaks, counts out
//! ```
//! # Real-time considerations
//! Deck and inlet allocate nothing, take no lock and make no system call: what other threads send them or want to know of them
//! goes through the wires, which are atomics and lock-free queues.

pub mod arguments;
pub mod deck;
pub mod inlet;
pub mod machine;
pub mod session;
pub mod wires;

//! From formants to a bank: which fixed capacitor and which switched ones bring every target nearest.
//!
//! ```text
//!   board ─► tank (what is soldered about the bank, as one admittance) ─┐
//!   targets, hertz ─────────────────────────────────────────────────────┼─► parallel: every bank that could be the best
//!   values to be had, farads ───────────────────────────────────────────┘      └─► exact peaks ─► the best, proved
//! ```
//! A plan is judged by the peaks of the very circuit that it will become: the tank's admittance is taken from the whole element
//! list, about its operating point, with on-resistance, coil loss, driver, follower and C12 in it.

pub mod parallel;
pub mod select;
pub mod tank;
pub mod vowels;

/// Interval from one frequency to another, cents: 1200 to the octave.
pub fn cents(from_hz: f64, to_hz: f64) -> f64 {
    1200.0 * (to_hz / from_hz).log2()
}

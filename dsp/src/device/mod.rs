//! Laws of the parts that bend: transistor, channel, junction, and what temperature does to them.

pub mod channel;
pub mod junction;
pub mod thermal;
pub mod transistor;

pub use channel::Channel;
pub use transistor::{Currents, Law};

/// Saturation current of a small MOSFET's body diode at 25 °C, amperes (order of magnitude: common practice).
pub const BODY_DIODE_SATURATION: f64 = 1e-14;

//! Laws of the parts that bend: transistor, channel, junction, and what temperature does to them.

mod channel;
mod junction;
pub mod thermal;
mod transistor;

pub(crate) use channel::Channel;
pub(crate) use transistor::{Currents, Law};

/// Saturation current of a small MOSFET's body diode at 25 °C, amperes (order of magnitude: common practice).
pub const BODY_DIODE_SATURATION: f64 = 1e-14;

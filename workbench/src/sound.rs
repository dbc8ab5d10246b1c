//! Sound in memory: channels of samples at one rate, 1.0 = 1 V.

/// Channels of equal length at one sample rate.
#[derive(Clone, Debug, PartialEq)]
pub struct Sound {
    /// Samples a second.
    pub rate_hz: u32,
    /// Volts, channel by channel, all of the same length.
    pub channels: Vec<Vec<f64>>,
}

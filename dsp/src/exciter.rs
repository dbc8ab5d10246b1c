//! The two-transistor astable (signatures first; the arithmetic follows).

use crate::board;

/// What drives the exciter in one internal step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drive {
    /// Bias from the knob, a control voltage or [`bias_for_rate`], volts.
    pub bias_volts: f64,
    /// Supply, volts.
    pub supply_volts: f64,
    /// Temperature, °C.
    pub celsius: f64,
    /// Soft gate: pulls the bias to 0 V.
    pub soft: bool,
    /// Hard gate: cuts the pulse.
    pub hard: bool,
}

/// The astable with its gates.
#[derive(Clone, Debug)]
pub struct Exciter {}

impl Exciter {
    /// At rest: the pause begins, no pulse.
    pub fn new(_part: &board::Exciter, _internal_rate_hz: f64) -> Self {
        Self {}
    }

    /// As new.
    pub fn reset(&mut self) {}

    /// One internal step: the pulse at its three nodes, volts.
    pub fn step(&mut self, _drive: &Drive) -> [f64; 3] {
        [0.0; 3]
    }
}

/// Base–emitter voltage at which a half ends, volts.
pub fn base_emitter_volts(part: &board::Exciter, _celsius: f64) -> f64 {
    part.base_emitter
}

/// Length of a half, seconds.
pub fn half_period(rc: f64, bias: f64, supply: f64, vbe: f64, vsat: f64) -> f64 {
    rc * ((bias + supply - vbe - vsat) / (bias - vbe)).ln()
}

/// Rate under a bias, hertz.
pub fn rate_hz(_part: &board::Exciter, _bias_volts: f64, _supply_volts: f64, _celsius: f64) -> f64 {
    0.0
}

/// Bias that gives a rate, volts; no more than the board's limit.
pub fn bias_for_rate(part: &board::Exciter, _rate_hz: f64, _supply_volts: f64, _celsius: f64) -> f64 {
    part.bias_limit
}

/// Pitch of a key with bend, hertz.
pub fn key_hz(note: f64, bend_semitones: f64) -> f64 {
    440.0 * ((note + bend_semitones - 69.0) / 12.0).exp2()
}

/// Pitch under a control voltage of 1 V/octave, hertz.
pub fn volts_hz(zero_volt_hz: f64, control_volts: f64) -> f64 {
    zero_volt_hz * control_volts.exp2()
}

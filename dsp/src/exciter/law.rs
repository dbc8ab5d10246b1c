//! The astable in closed form: what a bias does to the rate, and the other way round.
//!
//! ```text
//!   half = RC · ln((V_bias + V_cc − V_be − V_sat)/(V_bias − V_be))      T = half(pause) + half(pulse)
//!   V_bias = V_be + (V_cc − V_sat)/(e^{T/ΣRC} − 1)
//! ```
//! Both halves have the same logarithm, so the law inverts in one line.

use crate::board;

/// Base–emitter voltage falls by this for each kelvin (common practice).
const BASE_EMITTER_VOLTS_PER_KELVIN: f64 = -2e-3;

/// Least base–emitter voltage that the model keeps when a hot board would have none left, volts.
const BASE_EMITTER_LEAST_VOLTS: f64 = 0.01;

/// Base–emitter voltage at which a half ends, volts.
pub fn base_emitter_volts(part: &board::Exciter, celsius: f64) -> f64 {
    (part.base_emitter + BASE_EMITTER_VOLTS_PER_KELVIN * (celsius - 25.0)).max(BASE_EMITTER_LEAST_VOLTS)
}

/// Length of a half, seconds, of timing constant `rc` (seconds) under voltages in volts; infinite when the bias does
/// not reach the base–emitter voltage.
pub fn half_period(rc: f64, bias: f64, supply: f64, base_emitter: f64, saturation: f64) -> f64 {
    if bias > base_emitter { rc * ((supply - saturation) / (bias - base_emitter)).ln_1p() } else { f64::INFINITY }
}

/// Rate under a bias, hertz; zero when the bias starves it.
pub fn rate_hz(part: &board::Exciter, bias_volts: f64, supply_volts: f64, celsius: f64) -> f64 {
    let base_emitter = base_emitter_volts(part, celsius);
    let rc = part.timing * (part.pause + part.pulse);
    1.0 / half_period(rc, bias_volts, supply_volts, base_emitter, part.saturation)
}

/// Bias that gives a rate, volts; no more than the board's limit, and for a rate of zero just the base–emitter voltage.
pub fn bias_for_rate(part: &board::Exciter, rate_hz: f64, supply_volts: f64, celsius: f64) -> f64 {
    let periods = 1.0 / (rate_hz.max(0.0) * part.timing * (part.pause + part.pulse));
    let above = (supply_volts - part.saturation) / periods.exp_m1();
    (base_emitter_volts(part, celsius) + above).min(part.bias_limit)
}

/// Pitch of a key, hertz: 440·2^((n − 69)/12), key numbers as in MIDI 1.0, bent by semitones.
pub fn key_hz(note: f64, bend_semitones: f64) -> f64 {
    440.0 * ((note + bend_semitones - 69.0) / 12.0).exp2()
}

/// Pitch under a control voltage of 1 V/octave (common practice), hertz.
pub fn volts_hz(zero_volt_hz: f64, control_volts: f64) -> f64 {
    zero_volt_hz * control_volts.exp2()
}

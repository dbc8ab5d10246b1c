//! Three taps and the direct signal onto two sides.
//!
//! ```text
//!   tap ──||──┬── level · polarity · pan ──► left, right ──┐
//!         1 µF│                                            ├──► output level ──► out
//!            10 kΩ                 direct ── level ────────┘
//! ```
//! Each tap comes through a coupling capacitor, `v' = (x − v)/RC`, out `x − v`: −3 dB at 1/(2πRC) = 16 Hz, below any
//! formant. Between two frames x is a straight line and v is solved exactly on it. Pan is of constant power (common
//! practice):
//! `left = cos(π(p + 1)/4)`, `right = sin(π(p + 1)/4)`, −3 dB on both sides in the middle.

use crate::knobs::{Knob, Settings};
use std::f64::consts::FRAC_PI_4;

/// Coupling capacitor, farads, and the resistance that it works into, ohms.
const COUPLING: (f64, f64) = (1e-6, 10e3);

/// Time constant of a gain's way to where its knob stands, seconds.
const GLIDE_SECONDS: f64 = 5e-3;

/// Gains from tap and direct signal to left and right, output level included.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Gains {
    /// Per tap: to left, to right.
    pub taps: [[f64; 2]; 3],
    /// Direct signal, each side to its own.
    pub direct: f64,
}

impl Gains {
    /// From where the knobs stand.
    pub fn of(settings: &Settings) -> Self {
        const TAPS: [[Knob; 3]; 3] = [
            [Knob::Tap1Level, Knob::Tap1Pan, Knob::Tap1Invert],
            [Knob::Tap2Level, Knob::Tap2Pan, Knob::Tap2Invert],
            [Knob::Tap3Level, Knob::Tap3Pan, Knob::Tap3Invert],
        ];
        let output = 10_f64.powf(settings.get(Knob::OutputLevel) / 20.0);
        let taps = TAPS.map(|[level, pan, invert]| {
            let polarity = if settings.is_on(invert) { -1.0 } else { 1.0 };
            let (right, left) = (FRAC_PI_4 * (settings.get(pan) + 1.0)).sin_cos();
            [left, right].map(|side| output * settings.get(level) * polarity * side)
        });
        Self { taps, direct: output * settings.get(Knob::DirectLevel) }
    }

    /// Coefficient of [`Gains::glide`] for a time constant of 5 ms at `rate_hz` calls a second.
    pub fn coefficient(rate_hz: f64) -> f64 {
        -(-1.0 / (GLIDE_SECONDS * rate_hz)).exp_m1()
    }

    /// Moves by `coefficient` (0 to 1) of the way to `target`.
    #[inline]
    pub fn glide(&mut self, target: &Self, coefficient: f64) {
        for tap in 0..3 {
            for side in 0..2 {
                self.taps[tap][side] += coefficient * (target.taps[tap][side] - self.taps[tap][side]);
            }
        }
        self.direct += coefficient * (target.direct - self.direct);
    }
}

/// Three coupling capacitors and a summing point.
#[derive(Clone, Debug)]
pub struct Mixer {
    /// v₁ = decay·v₀ + lines[0]·x₀ + lines[1]·x₁.
    decay: f64,
    lines: [f64; 2],
    last: [f64; 3],
    capacitors: [f64; 3],
}

impl Mixer {
    /// At `rate_hz` frames a second, capacitors empty.
    pub fn new(rate_hz: f64) -> Self {
        let frame = 1.0 / (rate_hz * COUPLING.0 * COUPLING.1);
        let charged = -(-frame).exp_m1();
        let lag = charged / frame;
        Self { decay: 1.0 - charged, lines: [lag - (1.0 - charged), 1.0 - lag], last: [0.0; 3], capacitors: [0.0; 3] }
    }

    /// Charges the capacitors to these taps, so that nothing thumps.
    pub fn settle(&mut self, taps: [f64; 3]) {
        self.last = taps;
        self.capacitors = taps;
    }

    /// One frame. A tap that is not a finite number counts as its last value.
    #[inline]
    pub fn mix(&mut self, taps: [f64; 3], direct: [f64; 2], gains: &Gains) -> [f64; 2] {
        let mut out = direct.map(|x| x * gains.direct);
        for tap in 0..3 {
            let x = if taps[tap].is_finite() { taps[tap] } else { self.last[tap] };
            let v = self.decay * self.capacitors[tap] + self.lines[0] * self.last[tap] + self.lines[1] * x;
            self.capacitors[tap] = v;
            self.last[tap] = x;
            for side in 0..2 {
                out[side] += gains.taps[tap][side] * (x - v);
            }
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::Board;
    use std::f64::consts::{FRAC_1_SQRT_2, TAU};

    const RATE: f64 = 48_000.0;
    const THROUGH: Gains = Gains { taps: [[1.0, 0.0], [0.0, 1.0], [0.0, 0.0]], direct: 0.0 };

    fn settings() -> Settings {
        let mut settings = Settings::of(&Board::built_in());
        for (knob, value) in [(Knob::Tap1Level, 2.0), (Knob::Tap2Level, 0.5), (Knob::Tap3Level, 0.0)] {
            settings.set(knob, value);
        }
        settings
    }

    #[test]
    fn pan_keeps_the_power_and_its_ends_are_silent_on_the_other_side() {
        let mut settings = settings();
        for (pan, left, right) in [(-1.0, 2.0, 0.0), (0.0, 2.0 * FRAC_1_SQRT_2, 2.0 * FRAC_1_SQRT_2), (1.0, 0.0, 2.0)] {
            settings.set(Knob::Tap1Pan, pan);
            let [l, r] = Gains::of(&settings).taps[0];
            approx::assert_abs_diff_eq!(l, left, epsilon = 1e-15);
            approx::assert_abs_diff_eq!(r, right, epsilon = 1e-15);
        }
        for step in 0..=20 {
            settings.set(Knob::Tap1Pan, f64::from(step) / 10.0 - 1.0);
            let [l, r] = Gains::of(&settings).taps[0];
            approx::assert_relative_eq!(l * l + r * r, 4.0, max_relative = 1e-14);
        }
    }

    #[test]
    fn levels_polarity_and_output_are_as_the_knobs_say() {
        let mut settings = settings();
        let plain = Gains::of(&settings);
        settings.set(Knob::Tap2Invert, 1.0);
        settings.set(Knob::DirectLevel, 3.0);
        settings.set(Knob::OutputLevel, -20.0);
        let gains = Gains::of(&settings);
        for side in 0..2 {
            approx::assert_relative_eq!(gains.taps[0][side], 0.1 * plain.taps[0][side], max_relative = 1e-14);
            approx::assert_relative_eq!(gains.taps[1][side], -0.1 * plain.taps[1][side], max_relative = 1e-14);
            assert_eq!(gains.taps[2][side], 0.0);
        }
        approx::assert_relative_eq!(gains.direct, 0.3, max_relative = 1e-14);
        let [left, right] = Mixer::new(RATE).mix([0.0; 3], [1.0, -2.0], &gains);
        approx::assert_relative_eq!(left, 0.3, max_relative = 1e-14);
        approx::assert_relative_eq!(right, -0.6, max_relative = 1e-14);
    }

    #[test]
    fn a_coupling_capacitor_passes_what_its_closed_form_says() {
        // |H| = ωRC/√(1 + (ωRC)²); −3 dB at 1/(2πRC).
        for hz in [2.0, 1.0 / (TAU * 0.01), 50.0, 1000.0] {
            let mut mixer = Mixer::new(RATE);
            mixer.settle([9.0, -9.0, 9.0]);
            let turns = (hz * 4.0).ceil();
            let frames = (turns / hz * RATE) as usize;
            let (mut real, mut imaginary) = (0.0, 0.0);
            for n in 0..2 * frames {
                let phase = TAU * hz * n as f64 / RATE;
                let out = mixer.mix([phase.sin(), 0.0, 0.0], [0.0; 2], &THROUGH)[0];
                if n >= frames {
                    real += 2.0 * out * phase.sin() / frames as f64;
                    imaginary += 2.0 * out * phase.cos() / frames as f64;
                }
            }
            let w = TAU * hz * 0.01;
            approx::assert_relative_eq!(f64::hypot(real, imaginary), w / w.hypot(1.0), max_relative = 2e-4);
        }
    }

    #[test]
    fn a_step_decays_with_the_time_constant() {
        let mut mixer = Mixer::new(RATE);
        mixer.settle([1.0; 3]);
        // The line from 1 V to 3 V within the first frame, then e^{−t/10 ms}.
        let first = mixer.mix([3.0, 1.0, 1.0], [0.0; 2], &THROUGH)[0];
        let mut last = first;
        for _ in 0..480 {
            last = mixer.mix([3.0, 1.0, 1.0], [0.0; 2], &THROUGH)[0];
        }
        approx::assert_relative_eq!(first, 2.0, max_relative = 2e-3);
        approx::assert_relative_eq!(last / first, (-1.0_f64).exp(), max_relative = 1e-9);
    }

    #[test]
    fn a_settled_mixer_does_not_thump() {
        let mut mixer = Mixer::new(RATE);
        let rest = [-0.03, 2.9, 0.5];
        mixer.settle(rest);
        for _ in 0..1000 {
            for side in mixer.mix(rest, [0.0; 2], &THROUGH) {
                approx::assert_abs_diff_eq!(side, 0.0, epsilon = 1e-12);
            }
        }
        let out = mixer.mix([f64::NAN, f64::INFINITY, 0.5], [0.0; 2], &THROUGH);
        approx::assert_abs_diff_eq!(out[0], 0.0, epsilon = 1e-12);
        approx::assert_abs_diff_eq!(out[1], 0.0, epsilon = 1e-12);
    }

    #[test]
    fn a_gain_is_two_thirds_of_the_way_after_five_milliseconds() {
        let mut gains = Gains { taps: [[0.0; 2]; 3], direct: 0.0 };
        let target = Gains::of(&settings());
        let coefficient = Gains::coefficient(RATE);
        for _ in 0..240 {
            gains.glide(&target, coefficient);
        }
        approx::assert_relative_eq!(
            gains.taps[0][0],
            (1.0 - (-1.0_f64).exp()) * target.taps[0][0],
            max_relative = 1e-12
        );
        for _ in 0..24_000 {
            gains.glide(&target, coefficient);
        }
        approx::assert_relative_eq!(gains.taps[1][1], target.taps[1][1], max_relative = 1e-12);
    }
}

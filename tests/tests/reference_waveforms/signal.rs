//! Inputs as formulas: those of `tests/reference/formulas.py`.

use serde_json::Value;
use std::f64::consts::{PI, TAU};
use tritank_dsp::instrument::Instrument;
use tritank_dsp::knobs::Knob;

/// An input over time, volts.
pub(crate) enum Signal {
    /// `fade(t)·Σ volts·sin(2π(hz·t + turns))`; the fade rises between two instants, and may fall between two more.
    Partials { partials: Vec<[f64; 3]>, fade: Vec<[f64; 2]> },
    /// Straight lines between \[seconds, volts\].
    Lines(Vec<[f64; 2]>),
}

impl Signal {
    pub(crate) fn of(spec: &Value) -> Self {
        let rows = |key: &str| spec[key].as_array().unwrap_or_else(|| panic!("{key}"));
        let number = |value: &Value| value.as_f64().expect("a number");
        if spec["knots"].is_array() {
            return Self::Lines(rows("knots").iter().map(|row| std::array::from_fn(|n| number(&row[n]))).collect());
        }
        let partials = rows("partials").iter().map(|row| std::array::from_fn(|n| number(&row[n]))).collect();
        let fade = rows("fade").chunks_exact(2).map(|pair| std::array::from_fn(|n| number(&pair[n]))).collect();
        Self::Partials { partials, fade }
    }

    pub(crate) fn at(&self, seconds: f64) -> f64 {
        match self {
            Self::Partials { partials, fade } => {
                let rise =
                    |[from, to]: [f64; 2]| 0.5 - 0.5 * (PI * ((seconds - from) / (to - from)).clamp(0.0, 1.0)).cos();
                let up = rise(fade[0]) * fade.get(1).map_or(1.0, |down| 1.0 - rise(*down));
                up * partials.iter().map(|[hz, volts, turns]| volts * (TAU * (hz * seconds + turns)).sin()).sum::<f64>()
            }
            Self::Lines(knots) => {
                let next = knots.partition_point(|[at, _]| *at <= seconds);
                let [start, from] = knots[next.max(1) - 1];
                let [end, to] = knots[next.min(knots.len() - 1)];
                if end > start && seconds > start {
                    from + (to - from) * (seconds - start) / (end - start)
                } else {
                    from
                }
            }
        }
    }
}

/// A turned knob follows with this time constant, frame by frame; a moving sweep is turned so that it comes out right.
const GLIDE_SECONDS: f64 = 3e-3;

/// A sweep gate that follows a formula on top of where its knob rests.
pub(crate) struct Sweep {
    knob: Knob,
    signal: Signal,
    rest: f64,
    volts: f64,
}

impl Sweep {
    pub(crate) fn new(knob: Knob, signal: Signal, rest: f64) -> Self {
        Self { knob, signal, rest, volts: rest }
    }

    /// Turns the knob so that its glide reaches the formula's value at `seconds`, one frame from where it was.
    pub(crate) fn turn(&mut self, instrument: &mut Instrument, rate_hz: f64, seconds: f64) {
        let share = -(-1.0 / (GLIDE_SECONDS * rate_hz)).exp_m1();
        let wanted = self.rest + self.signal.at(seconds);
        let goal = self.volts + (wanted - self.volts) / share;
        let (low, high) = self.knob.range();
        assert!((low..=high).contains(&goal), "{} cannot move so fast at {seconds} s", self.knob.id());
        instrument.set(self.knob, goal);
        self.volts = wanted;
    }
}

#[test]
fn formulas_are_those_that_were_solved() {
    let partials = Signal::of(&serde_json::json!({"partials": [[0.0, 2.0, 0.25]], "fade": [1.0, 2.0, 4.0, 6.0]}));
    for (seconds, volts) in [(0.5, 0.0), (1.5, 1.0), (3.0, 2.0), (5.0, 1.0), (6.5, 0.0)] {
        approx::assert_abs_diff_eq!(partials.at(seconds), volts, epsilon = 1e-12);
    }
    let lines = Signal::of(&serde_json::json!({"knots": [[1.0, 0.5], [2.0, 1.5], [4.0, -0.5]]}));
    for (seconds, volts) in [(0.0, 0.5), (1.0, 0.5), (1.25, 0.75), (2.0, 1.5), (3.0, 0.5), (4.0, -0.5), (9.0, -0.5)] {
        approx::assert_abs_diff_eq!(lines.at(seconds), volts, epsilon = 1e-12);
    }
}

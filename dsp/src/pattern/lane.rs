//! A lane: which steps one line is pulled in, and when exactly.
//!
//! ```text
//!   steps      x       .       x       x          offset 0, gate ½, swing 60 %
//!   line   ▁▁▁████▁▁▁▁▁▁▁▁▁▁▁▁▁████▁▁▁▁▁▁███▁▁▁▁
//!              │◄── 2s ──►│◄2−2s►│◄── 2s ──►│
//! ```
//! Steps go in pairs; swing s is the part of a pair that its first step takes. Step k begins at k/2 pairs, or 2s steps
//! later when it is odd, and its gate is a part of its own length. A step that is on is drawn for: the lot hangs on its
//! number and the seed alone. So the whole lane is a function of the place in time, forwards, backwards and in loops.

use super::draw::lot;
use super::rate::Rate;
use super::steps::{MOST_STEPS, Steps};

/// What one line does in time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lane {
    /// The row, which goes round.
    pub steps: Steps,
    /// How long a step is.
    pub rate: Rate,
    /// Part of a pair of steps that the first of them takes, ¼ to ¾; ½ is straight.
    pub swing: f64,
    /// How probably a step that is on sounds, 0 to 1.
    pub probability: f64,
    /// Seed of the lots; lanes of one seed draw alike.
    pub seed: u32,
    /// Step of the row on which it begins.
    pub offset: u8,
    /// Part of a step for which it pulls, above 0, to 1. With 1, neighbours join.
    pub gate: f64,
}

/// What swing is allowed.
pub const SWING: std::ops::RangeInclusive<f64> = 0.25..=0.75;
/// Shortest gate.
pub const SHORTEST_GATE: f64 = 0.001;

/// Where in a lane it is: in the gate of a step, or behind it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Cursor {
    step: i64,
    in_gate: bool,
}

impl Lane {
    /// Straight sixteenths, half a step long, every one of them played.
    pub fn new(steps: Steps) -> Self {
        Self {
            steps,
            rate: Rate::Note(16, super::rate::Feel::Plain),
            swing: 0.5,
            probability: 1.0,
            seed: 0,
            offset: 0,
            gate: 0.5,
        }
    }

    /// What is out of range, as the field, what was given and what is allowed.
    ///
    /// # Errors
    /// The first such field.
    pub fn check(&self) -> Result<(), (&'static str, String)> {
        let number = |name, given: f64, low: f64, high: f64| {
            let good = (low..=high).contains(&given);
            if good { Ok(()) } else { Err((name, format!("given {given}, allowed is {low} to {high}"))) }
        };
        number("swing", self.swing, *SWING.start(), *SWING.end())?;
        number("probability", self.probability, 0.0, 1.0)?;
        number("gate", self.gate, SHORTEST_GATE, 1.0)?;
        number("offset", f64::from(self.offset), 0.0, MOST_STEPS as f64 - 1.0)?;
        match self.rate {
            Rate::Hertz(rate) => number("rate", rate, *super::rate::HERTZ.start(), *super::rate::HERTZ.end()),
            Rate::Note(parts, _) if super::rate::PARTS.contains(&parts) => Ok(()),
            Rate::Note(parts, _) => Err(("rate", format!("given 1/{parts}, allowed are 1/1 1/2 1/4 1/8 1/16 1/32"))),
        }
    }

    /// Whether the line is pulled at a place: in quarters, or in seconds for a rate in hertz.
    pub fn is_on_at(&self, place: f64) -> bool {
        self.is_on(self.locate(place))
    }

    /// The edges from a place on, up to but not on another, with the state from then on. For drawing and for checks.
    pub fn edges(&self, from: f64, to: f64) -> impl Iterator<Item = (f64, bool)> + '_ {
        let mut before = self.locate_before(from);
        let mut next = self.after(before);
        // What lies below by rounding alone belongs to the interval before: intervals side by side hold every edge once.
        while next.0 < from {
            before = next.1;
            next = self.after(before);
        }
        let mut on = self.is_on(before);
        std::iter::from_fn(move || {
            while next.0 < to {
                let (place, cursor) = next;
                next = self.after(cursor);
                if self.is_on(cursor) != on {
                    on = !on;
                    return Some((place, on));
                }
            }
            None
        })
    }

    /// Whether a step sounds: it is on, and its lot falls so.
    pub fn sounds(&self, step: i64) -> bool {
        self.steps.is_on(step + i64::from(self.offset))
            && (self.probability >= 1.0 || lot(step, self.seed) < self.probability)
    }

    pub(super) fn is_on(&self, cursor: Cursor) -> bool {
        cursor.in_gate && self.sounds(cursor.step)
    }

    /// Where a place lies; an edge from which it is no further than its own rounding has happened.
    pub(super) fn locate(&self, place: f64) -> Cursor {
        self.locate_steps(self.in_steps(place) + rounding(self.in_steps(place)))
    }

    /// Where a place lies, when an edge on it has not happened yet.
    fn locate_before(&self, place: f64) -> Cursor {
        self.locate_steps(self.in_steps(place) - rounding(self.in_steps(place)))
    }

    fn in_steps(&self, place: f64) -> f64 {
        let (above, below) = self.rate.fraction();
        place * below / above
    }

    fn locate_steps(&self, steps: f64) -> Cursor {
        let pair = (steps / 2.0).floor();
        let odd = steps - 2.0 * pair >= 2.0 * self.swing;
        let step = 2 * pair as i64 + i64::from(odd);
        Cursor { step, in_gate: self.gate >= 1.0 || steps < self.end(step) }
    }

    /// Where a step begins, in straight steps.
    fn begin(&self, step: i64) -> f64 {
        let pair = step.div_euclid(2) as f64;
        2.0 * pair + if step.rem_euclid(2) == 1 { 2.0 * self.swing } else { 0.0 }
    }

    /// Where a step's gate ends.
    fn end(&self, step: i64) -> f64 {
        let begin = self.begin(step);
        begin + self.gate * (self.begin(step + 1) - begin)
    }

    /// Where it may change next, and what it is then.
    pub(super) fn after(&self, cursor: Cursor) -> (f64, Cursor) {
        let (above, below) = self.rate.fraction();
        let (steps, next) = if cursor.in_gate && self.gate < 1.0 {
            (self.end(cursor.step), Cursor { in_gate: false, ..cursor })
        } else {
            (self.begin(cursor.step + 1), Cursor { step: cursor.step + 1, in_gate: true })
        };
        (steps * above / below, next)
    }
}

/// Steps by which a place may be off through rounding: of its own size, and of a host that counts in single steps of 2⁻³¹.
fn rounding(steps: f64) -> f64 {
    1e-8 + 4.0 * f64::EPSILON * steps.abs()
}

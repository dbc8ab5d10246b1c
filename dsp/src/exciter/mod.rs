//! The pulse exciter: a two-transistor astable whose rate hangs on a bias voltage.
//!
//! ```text
//!   bias ──[ gate_series ]──┬── V_bias ──[ timing R ]──┬── u         pulse: across the load of the transistor
//!                           │                          │                    that conducts in the short half
//!                     gate_capacitor             pause C / pulse C
//!
//!   u' = (V_bias − u)/RC      from V_be − (V_cc − V_sat), kicked down, up to V_be: then the other half begins
//! ```
//! - **Soft gate** pulls the line to 0 V through the same resistor: `V_bias` sinks, the pitch falls, and below
//!   `V_be` no base current is left. Neither transistor conducts, the pulse is over, and u never reaches `V_be`.
//!   Released, `V_bias` rises, the pause goes on and the pitch glides back. So the pitch is hit at both edges.
//! - **Hard gate** cuts the pulse dead; the astable runs on behind it.
//! - `V_be` falls by 2 mV/K. Pulse height is `V_cc` − `V_sat` as it was when the pulse began.
//!
//! `V_bias` is exact at the ends of a step and held as a straight line between them; on that line u is solved exactly,
//! `u(t) = V_bias(t) − σRC + (u₀ − V_bias(0) + σRC) e^{−t/RC}`, σ the line's slope, and so is the instant of each edge
//! (a logarithm, then Newton when σ ≠ 0). The timing resistors are taken as a light load on the gate resistor.
//! Edges are band-limited, see [`EDGE_DELAY_STEPS`]. At most four edges a step; a board that is faster runs slower.

mod edges;
mod law;

pub use law::{base_emitter_volts, bias_for_rate, half_period, key_hz, rate_hz, volts_hz};

use crate::board;
use edges::Edges;

/// Internal steps from the instant of an edge to its middle.
pub const EDGE_DELAY_STEPS: f64 = edges::WIDTH as f64 / 2.0;

/// Ends of a half in one step.
const MOST_HALVES_A_STEP: usize = 4;
const _: () = assert!(MOST_HALVES_A_STEP < edges::MOST_A_STEP, "the hard gate adds one more");

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

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Half {
    Pause,
    Pulse,
}

/// The astable with its gates.
#[derive(Clone, Debug)]
pub struct Exciter {
    part: board::Exciter,
    step_seconds: f64,
    /// Part of its way that the gate capacitor goes in a step.
    gate_part: f64,
    /// e^{−h/RC} of pause and pulse.
    decays: [f64; 2],
    /// False until the first step has put the capacitors where its drive holds them.
    begun: bool,
    bias: f64,
    u: f64,
    half: Half,
    /// Where the last edge leads.
    level: f64,
    edges: Edges,
    /// The last node that was given.
    last: f64,
}

impl Exciter {
    /// At rest: the pause begins, no pulse, the gate capacitor charged to the bias of the first step.
    pub fn new(part: &board::Exciter, internal_rate_hz: f64) -> Self {
        let step_seconds = 1.0 / internal_rate_hz;
        Self {
            part: *part,
            step_seconds,
            gate_part: -(-step_seconds / (part.gate_series * part.gate_capacitor)).exp_m1(),
            decays: [part.pause, part.pulse].map(|farads| (-step_seconds / (part.timing * farads)).exp()),
            begun: false,
            bias: 0.0,
            u: 0.0,
            half: Half::Pause,
            level: 0.0,
            edges: Edges::new(),
            last: 0.0,
        }
    }

    /// As new.
    pub fn reset(&mut self) {
        self.begun = false;
        self.half = Half::Pause;
        self.level = 0.0;
        self.edges.reset();
        self.last = 0.0;
    }

    /// The internal steps of a frame, three nodes each. Returns false, and leaves them alone, when the pulse stays where it
    /// was throughout.
    #[inline(always)]
    pub(crate) fn frame(&mut self, drive: &Drive, nodes: &mut [f64]) -> bool {
        let (steps, _) = nodes.as_chunks_mut::<3>();
        if let Some(u) = self.charged(drive, steps.len()) {
            self.u = u;
            if self.edges.settled() == self.last {
                return false;
            }
            steps.fill([self.edges.settled(); 3]);
        } else {
            let mut moves = false;
            for step in &mut *steps {
                *step = self.step(drive);
                moves |= *step != [self.last; 3];
            }
            // Behind a hard gate it runs on unheard.
            if !moves {
                return false;
            }
        }
        self.last = nodes[nodes.len() - 1];
        true
    }

    /// u after steps in which nothing happens but that it goes on; `None` when something else might.
    #[inline(always)]
    fn charged(&self, drive: &Drive, steps: usize) -> Option<f64> {
        let base_emitter = base_emitter_volts(&self.part, drive.celsius);
        let bias_rests = self.bias + (line(drive) - self.bias) * self.gate_part == self.bias;
        let pulse = self.half == Half::Pulse;
        let gate_rests = if drive.hard { self.level == 0.0 } else { !pulse || self.level != 0.0 };
        let starved = pulse && self.bias <= base_emitter;
        if !self.begun || !self.edges.are_over() || !bias_rests || !gate_rests || starved {
            return None;
        }
        let decay = self.decays[self.half as usize];
        let u = (0..steps).fold(self.u, |u, _| self.bias + (u - self.bias) * decay);
        (u < base_emitter).then_some(u)
    }

    /// One internal step: the pulse at its three nodes, volts.
    #[inline]
    pub fn step(&mut self, drive: &Drive) -> [f64; 3] {
        let base_emitter = base_emitter_volts(&self.part, drive.celsius);
        let swing = (drive.supply_volts - self.part.saturation).max(0.0);
        let line = line(drive);
        if !self.begun {
            self.begun = true;
            self.bias = line;
            self.u = base_emitter - swing;
        }
        let from = self.bias;
        self.bias += (line - from) * self.gate_part;
        if drive.hard {
            self.aim(0.0, 0.0);
        } else if self.half == Half::Pulse && self.level == 0.0 {
            self.aim(swing, 0.0);
        }
        self.charge(from, base_emitter, if drive.hard { 0.0 } else { swing }, swing);
        self.edges.step()
    }

    /// Lets u run through the step while `V_bias` goes from `from` to where it now stands.
    #[inline]
    fn charge(&mut self, from: f64, base_emitter: f64, height: f64, swing: f64) {
        let h = self.step_seconds;
        let slope = (self.bias - from) / h;
        let mut passed = 0.0;
        let mut decay = self.decays[self.half as usize];
        for _ in 0..MOST_HALVES_A_STEP {
            let rc = self.rc();
            let lag = slope * rc;
            let bias = from + slope * passed;
            let away = self.u - bias + lag;
            let end = self.bias - lag + away * decay;
            let starved = self.bias <= base_emitter;
            if starved && self.half == Half::Pulse {
                // From the instant at which the bias falls to V_be on, nothing holds the pulse.
                let when = if slope < 0.0 { ((base_emitter - from) / slope).clamp(passed, h) } else { passed };
                self.u = (from + slope * when - lag + away * ((passed - when) / rc).exp()).min(base_emitter);
                self.half = Half::Pause;
                self.aim(0.0, when / h);
                passed = when;
            } else if starved || end < base_emitter {
                self.u = end.min(base_emitter);
                return;
            } else {
                passed += crossing(bias, slope, away, self.u, base_emitter, rc, h - passed);
                self.u = base_emitter - swing;
                self.half = if self.half == Half::Pause { Half::Pulse } else { Half::Pause };
                self.aim(if self.half == Half::Pulse { height } else { 0.0 }, passed / h);
            }
            decay = ((passed - h) / self.rc()).exp();
        }
    }

    fn rc(&self) -> f64 {
        self.part.timing * if self.half == Half::Pause { self.part.pause } else { self.part.pulse }
    }

    /// The output leads to `level` from `instant` (a part of the step) on.
    #[inline]
    fn aim(&mut self, level: f64, instant: f64) {
        if level != self.level {
            self.edges.add(level - self.level, instant);
            self.level = level;
        }
    }
}

/// What the bias strives for, volts.
#[inline]
fn line(drive: &Drive) -> f64 {
    if drive.soft { 0.0 } else { drive.bias_volts }
}

/// Time until u, now `away` from its asymptote, crosses `V_be`; known to lie within `most`.
fn crossing(bias: f64, slope: f64, away: f64, u: f64, base_emitter: f64, rc: f64, most: f64) -> f64 {
    let mean = bias + 0.5 * slope * most;
    let guess = rc * ((mean - u) / (mean - base_emitter)).ln();
    let mut time = if guess.is_finite() { guess.clamp(0.0, most) } else { most };
    if slope != 0.0 {
        for _ in 0..4 {
            let decayed = away * (-time / rc).exp();
            let excess = bias - slope * rc + slope * time + decayed - base_emitter;
            let rise = slope - decayed / rc;
            if rise > 0.0 {
                time = (time - excess / rise).clamp(0.0, most);
            }
        }
    }
    time
}

#[cfg(test)]
mod tests;

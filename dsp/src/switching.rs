//! From codes to switches: which capacitor's switch stands at which conductance, step by step.
//!
//! ```text
//!   code ──► [zero wait] ──► closed or open, by position ──► [soft edge] ──► siemens (bleed included)
//! ```
//! The click treatments, each off by default:
//! - **zero wait** holds an edge, at most one period of the tank, until the tank voltage crosses zero;
//! - **soft edge** lets ln R of a switch glide from one end to the other over a time;
//! - **bleed** puts a resistor across every switch, which keeps idle capacitors near the tank voltage.

use crate::board::{Board, Stage};

/// Most positions of a bank.
const POSITIONS: usize = 16;

/// The switches of one stage.
#[derive(Clone, Debug)]
pub(crate) struct Switching {
    positions: usize,
    closed_by: Vec<u16>,
    on: f64,
    off: f64,
    bleed: f64,
    /// Charge that a closing switch pushes, by position, coulombs; none where there is no capacitor.
    charges: [f64; POSITIONS],
    /// Period of the tank by code, seconds.
    periods: [f64; 16],
    code: u8,
    wanted: u8,
    /// How long the wanted code has been waiting, seconds.
    waited: f64,
    /// The tank's voltage at the step before, while a code is waiting.
    last_volts: Option<f64>,
    /// How far each switch is closed, 0 to 1 on the scale of ln R.
    closed: [f64; POSITIONS],
    siemens: [f64; POSITIONS],
    gliding: bool,
    bleeding: bool,
}

/// Where the click knobs stand.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Treatment {
    pub(crate) bleed: bool,
    pub(crate) zero_wait: bool,
    /// Length of a soft edge, seconds; zero for none.
    pub(crate) soft_edge: f64,
}

/// What a stage's switches do at the start of a step.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Edge {
    /// Whether any conductance has changed.
    pub(crate) changed: bool,
    /// Whether a switch has gone over at once, not gliding.
    pub(crate) hard: bool,
    /// Charge pushed into the tank, coulombs.
    pub(crate) charge: f64,
}

impl Switching {
    pub(crate) fn new(board: &Board, stage: &Stage) -> Self {
        let bank = &stage.bank;
        let positions = bank.capacitors.len();
        let closed_by = (0..positions)
            .map(|position| {
                (0..16u8).filter(|&code| bank.closed(position, code)).fold(0, |mask, code| mask | 1 << code)
            })
            .collect();
        let periods = std::array::from_fn(|code| {
            let switched: f64 =
                (0..positions).filter(|&n| bank.closed(n, code as u8)).map(|n| bank.capacitors[n]).sum();
            std::f64::consts::TAU * (stage.coil.inductance * (stage.fixed + switched)).sqrt()
        });
        let mut switching = Self {
            positions,
            closed_by,
            on: bank.on,
            off: bank.off,
            bleed: board.click.bleed,
            charges: std::array::from_fn(|n| match bank.capacitors.get(n) {
                Some(farads) if *farads > 0.0 => bank.charge,
                _ => 0.0,
            }),
            periods,
            code: 0,
            wanted: 0,
            waited: 0.0,
            last_volts: None,
            closed: [0.0; POSITIONS],
            siemens: [0.0; POSITIONS],
            gliding: false,
            bleeding: false,
        };
        switching.rest(0, Treatment::default());
        switching
    }

    /// Stands at a code at once, as when the unit is switched on.
    pub(crate) fn rest(&mut self, code: u8, treatment: Treatment) {
        self.code = code;
        self.wanted = code;
        self.waited = 0.0;
        self.last_volts = None;
        self.gliding = false;
        self.bleeding = treatment.bleed;
        for n in 0..self.positions {
            self.closed[n] = self.target(n);
        }
        self.set_siemens();
    }

    /// The line's code from now on; whether it is another.
    pub(crate) fn want(&mut self, code: u8) -> bool {
        let another = code != self.wanted;
        if another {
            if self.wanted == self.code {
                // Nothing has looked at the tank since the edge before.
                self.last_volts = None;
            }
            self.wanted = code;
            self.waited = 0.0;
        }
        another
    }

    /// Conductance by position, siemens.
    pub(crate) fn siemens(&self) -> &[f64; POSITIONS] {
        &self.siemens
    }

    /// Whether nothing would happen in a step.
    #[inline]
    pub(crate) fn is_idle(&self, treatment: Treatment) -> bool {
        self.code == self.wanted && !self.gliding && self.bleeding == treatment.bleed
    }

    /// Goes on by one step of `step` seconds with the tank at `volts`.
    pub(crate) fn advance(&mut self, treatment: Treatment, volts: f64, step: f64) -> Edge {
        let mut edge = Edge::default();
        if self.bleeding != treatment.bleed {
            self.bleeding = treatment.bleed;
            edge.changed = true;
        }
        if self.code != self.wanted && self.may_go(treatment, volts, step) {
            for n in 0..self.positions {
                let before = self.target_of(n, self.code);
                let after = self.target_of(n, self.wanted);
                edge.charge += self.charges[n] * (after - before);
            }
            self.code = self.wanted;
            self.waited = 0.0;
            self.gliding = true;
            edge.hard = treatment.soft_edge <= 0.0;
        }
        self.last_volts = Some(volts);
        if self.gliding {
            let most = if treatment.soft_edge > 0.0 { step / treatment.soft_edge } else { 1.0 };
            self.gliding = false;
            for n in 0..self.positions {
                let target = self.target(n);
                let left = target - self.closed[n];
                if left.abs() <= most {
                    self.closed[n] = target;
                } else {
                    self.closed[n] += most * left.signum();
                    self.gliding = true;
                }
            }
            edge.changed = true;
        }
        if edge.changed {
            self.set_siemens();
        }
        edge
    }

    fn may_go(&mut self, treatment: Treatment, volts: f64, step: f64) -> bool {
        let crossed = volts == 0.0 || self.last_volts.is_some_and(|last| (volts < 0.0) != (last < 0.0));
        self.waited += step;
        !treatment.zero_wait || crossed || self.waited > self.periods[usize::from(self.code & 15)]
    }

    fn target(&self, position: usize) -> f64 {
        self.target_of(position, self.code)
    }

    fn target_of(&self, position: usize, code: u8) -> f64 {
        f64::from(self.closed_by[position] >> code & 1)
    }

    fn set_siemens(&mut self) {
        let bleed = if self.bleeding { 1.0 / self.bleed } else { 0.0 };
        for n in 0..self.positions {
            let ohms = match self.closed[n] {
                0.0 => self.off,
                1.0 => self.on,
                between => self.off * (self.on / self.off).powf(between),
            };
            self.siemens[n] = 1.0 / ohms + bleed;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn switching() -> Switching {
        let board = Board::built_in();
        Switching::new(&board, &board.stage1)
    }

    #[test]
    fn a_plain_edge_goes_over_in_one_step() {
        let mut switching = switching();
        switching.want(0b0101);
        let edge = switching.advance(Treatment::default(), 1.0, 1e-5);
        assert!(edge.changed && edge.hard);
        assert_eq!(switching.siemens()[..4], [0.01, 1e-9, 0.01, 1e-9]);
        assert!(switching.is_idle(Treatment::default()));
    }

    #[test]
    fn zero_wait_holds_the_edge_until_the_crossing_and_a_period_at_most() {
        let wait = Treatment { zero_wait: true, ..Treatment::default() };
        let mut switching = switching();
        switching.rest(0, wait);
        switching.want(1);
        assert!(!switching.advance(wait, 0.3, 1e-5).changed);
        assert!(switching.advance(wait, -0.1, 1e-5).hard);
        // A tank that never crosses: one period of code 1, 98 nF on 0.5 H.
        switching.want(0);
        let period = std::f64::consts::TAU * (0.5f64 * 98e-9).sqrt();
        let mut waited = 0.0;
        while !switching.advance(wait, -0.2, 1e-5).hard {
            waited += 1e-5;
            assert!(waited < 1.01 * period);
        }
        assert!(waited > 0.98 * period);
    }

    /// Edges at any time on a tank that rings: none goes by how the voltage stood at the edge before it.
    #[test]
    fn zero_wait_goes_by_the_crossing_that_comes_not_by_one_long_past() {
        const STEP: f64 = 1e-5;
        let wait = Treatment { zero_wait: true, ..Treatment::default() };
        let volts = |n: usize| (std::f64::consts::TAU * 5000.0 * STEP * n as f64).sin();
        let mut switching = switching();
        let mut code = 0;
        for n in 0..20_000 {
            if n % 331 == 0 {
                code ^= 1;
                switching.want(code);
            }
            if !switching.is_idle(wait) && switching.advance(wait, volts(n), STEP).hard {
                let crossed = volts(n) == 0.0 || (volts(n) < 0.0) != (volts(n - 1) < 0.0);
                assert!(crossed, "step {n}: {} V", volts(n));
            }
        }
        assert!(switching.is_idle(wait));
    }

    #[test]
    fn a_soft_edge_glides_in_the_ratio_of_resistances() {
        let soft = Treatment { soft_edge: 1e-3, ..Treatment::default() };
        let mut switching = switching();
        switching.want(0b1000);
        let mut steps = 0;
        let mut last = switching.siemens()[3];
        loop {
            let edge = switching.advance(soft, 0.0, 1e-5);
            assert!(edge.changed && !edge.hard);
            steps += 1;
            let now = switching.siemens()[3];
            if switching.is_idle(soft) {
                break;
            }
            approx::assert_relative_eq!(now / last, 1e7f64.powf(0.01), max_relative = 1e-9);
            last = now;
        }
        assert!((100..=101).contains(&steps), "{steps}");
        assert_eq!(switching.siemens()[3], 0.01);
    }

    #[test]
    fn bleed_shunts_every_switch_and_charge_has_the_sign_of_the_edge() {
        let mut board = Board::built_in();
        board.stage1.bank.charge = 2e-12;
        let mut switching = Switching::new(&board, &board.stage1);
        let bleed = Treatment { bleed: true, ..Treatment::default() };
        assert!(switching.advance(bleed, 0.0, 1e-5).changed);
        assert_eq!(switching.siemens()[0], 1e-9 + 1e-6);
        switching.want(0b0011);
        assert_eq!(switching.advance(bleed, 0.0, 1e-5).charge, 4e-12);
        switching.want(0b0001);
        assert_eq!(switching.advance(bleed, 0.0, 1e-5).charge, -2e-12);
    }
}

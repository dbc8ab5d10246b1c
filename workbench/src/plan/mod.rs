//! From formants to a bank: which fixed capacitor and which switched ones bring every target nearest.
//!
//! ```text
//!   board ─► tank (what is soldered about the bank, as one admittance) ─┐
//!   targets, hertz ─────────────────────────────────────────────────────┼─► parallel: every bank that could be the best
//!   values to be had, farads ───────────────────────────────────────────┘      └─► exact peaks ─► the best, proved
//! ```
//! A plan is judged by the peaks of the very circuit that it will become: the tank's admittance is taken from the whole element
//! list, about its operating point, with on-resistance, coil loss, driver, follower and C12 in it.

pub mod aim;
pub mod found;
pub mod parallel;
mod reckon;
pub mod select;
pub mod stock;
pub mod tank;
pub mod targets;
pub mod vowels;

use crate::fault::Fault;
use aim::{Aim, Measure, Unit};
use found::{Choice, Found};
use stock::Stock;
use tank::TankAlone;
use targets::Target;
use tritank_dsp::board::{BankKind, Board};
use tritank_dsp::knobs::Settings;
use tritank_dsp::response::{Peak, Response};

/// Positions of a multiplexer.
const POSITIONS: usize = 16;
/// Boxes that a search of parallel lines takes at most, some ten seconds' worth.
const MOST_BOXES: u64 = 15_000_000;

/// What is asked of a plan.
#[derive(Clone, Debug)]
pub struct Wish {
    /// How the lines choose.
    pub kind: BankKind,
    /// What is to be smallest.
    pub measure: Measure,
    /// In what it is counted.
    pub unit: Unit,
    /// What can be soldered, in all stages together.
    pub stock: Stock,
    /// Two parts at a position, in parallel or in series, where one alone is not as near.
    pub pairs: bool,
}

/// One stage's bank.
#[derive(Clone, Debug)]
pub struct StagePlan {
    /// What was found.
    pub found: Found,
    /// Fixed capacitor, farads.
    pub fixed: f64,
    /// Switched capacitors, line or position 0 first, farads.
    pub bank: Vec<f64>,
    /// Error of the target that is farthest off, cents.
    pub worst: f64,
    /// Whether no bank of these values has a smaller score.
    pub proved: bool,
    /// The code for each target.
    pub codes: Vec<u8>,
    /// The stage under each code.
    pub peaks: Vec<Peak>,
}

/// A plan for the three stages of a board.
#[derive(Clone, Debug)]
pub struct Plan {
    /// The board with the planned capacitors.
    pub board: Board,
    /// By stage.
    pub stages: [StagePlan; 3],
}

impl Plan {
    /// The best banks on a board's coils, drivers and follower, its knobs as set.
    ///
    /// # Errors
    /// A board without an operating point, a target that a coil cannot reach, or values that come near none.
    ///
    /// # Panics
    /// Never: every search runs to its end.
    pub fn of(board: &Board, settings: &Settings, targets: &[Target], wish: &Wish) -> Result<Self, Fault> {
        let mut board = board.clone();
        let positions = if wish.kind == BankKind::Select { POSITIONS } else { parallel::LINES };
        for stage in board.stages_mut() {
            stage.bank.kind = wish.kind;
            stage.bank.capacitors = vec![0.0; positions];
        }
        let fixed = wish.stock.singles();
        let position = if wish.pairs { wish.stock.pairs() } else { fixed.clone() };
        let choice =
            Choice { stock: wish.stock.clone(), fixed, position, kept_fixed: None, kept: vec![None; positions] };
        let (board, choice) = (&board, &choice);
        let found = std::thread::scope(|scope| {
            let of = |stage: usize| {
                scope.spawn(move || {
                    let tank = TankAlone::of(board, settings, [0; 3], stage)?;
                    let aims: Vec<Aim> = targets
                        .iter()
                        .map(|target| {
                            let hertz = target.hertz[stage];
                            Aim { hertz, weight: wish.unit.of_a_cent(hertz) }
                        })
                        .collect();
                    match wish.kind {
                        BankKind::Parallel => parallel::best(&tank, &aims, wish.measure, choice, MOST_BOXES),
                        BankKind::Select => select::best(&tank, &aims, wish.measure, choice),
                    }
                    .map_err(|error| Fault::new(format!("stage {}: {error}", stage + 1)))
                })
            };
            [0, 1, 2].map(of).map(|running| running.join().expect("a search runs to its end"))
        });
        let mut planned = board.clone();
        let mut stages = Vec::with_capacity(3);
        for (found, place) in found.into_iter().zip(planned.stages_mut()) {
            let found = found?;
            place.fixed = found.fixed.farads;
            place.bank.capacitors = found.bank.iter().map(|place| place.farads).collect();
            let bank = place.bank.capacitors.clone();
            place.bank.capacitors.resize(bank.len().next_power_of_two(), 0.0);
            stages.push(StagePlan {
                fixed: found.fixed.farads,
                bank,
                worst: found.worst(),
                proved: found.proved(),
                codes: found.codes.clone(),
                peaks: Vec::new(),
                found,
            });
        }
        // What the report says is what the whole circuit does, code by code.
        for (n, stage) in stages.iter_mut().enumerate() {
            for code in 0..stage.bank.len().max(1 << planned.stages()[n].bank.lines()) as u8 {
                let mut codes = [0; 3];
                codes[n] = code;
                stage.peaks.push(Response::of(&planned, settings, codes).map_err(Fault::new)?.peak(n));
            }
        }
        let stages = stages.try_into().expect("three stages");
        Ok(Self { board: planned, stages })
    }
}

/// Interval from one frequency to another, cents: 1200 to the octave.
pub fn cents(from_hz: f64, to_hz: f64) -> f64 {
    1200.0 * (to_hz / from_hz).log2()
}

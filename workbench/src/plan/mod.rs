//! From formants to a bank: which fixed capacitor and which switched ones bring every target nearest.
//!
//! ```text
//!   board ─► tank (what is soldered about the bank, as one admittance) ─┐
//!   targets, hertz ─────────────────────────────────────────────────────┼─► parallel: every bank that could be the best
//!   values to be had, farads ───────────────────────────────────────────┘      └─► exact peaks ─► the best, proved
//! ```
//! A plan is judged by the peaks of the very circuit that it will become: the tank's admittance is taken from the whole element
//! list, about its operating point, with on-resistance, coil loss, driver, follower and C12 in it.

pub mod parallel;
pub mod select;
pub mod tank;
pub mod targets;
pub mod vowels;

use crate::fault::Fault;
use tank::TankAlone;
use targets::Target;
use tritank_dsp::board::{BankKind, Board};
use tritank_dsp::knobs::Settings;
use tritank_dsp::response::{Peak, Response};

/// Positions of a multiplexer.
const POSITIONS: usize = 16;

/// What can be soldered, farads, in any number each.
#[derive(Clone, Debug)]
pub struct Values {
    /// For one part at a position.
    pub single: Vec<f64>,
    /// For as many as a position may take: one, or two in parallel or in series.
    pub position: Vec<f64>,
}

/// One stage's bank.
#[derive(Clone, Debug)]
pub struct StagePlan {
    /// Fixed capacitor, farads.
    pub fixed: f64,
    /// Switched capacitors, line or position 0 first, farads.
    pub bank: Vec<f64>,
    /// Error of the target that is farthest off, cents.
    pub worst: f64,
    /// Whether no bank of these values has a smaller one.
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
    /// The best banks of a kind on a board's coils, drivers and follower, its knobs as set.
    ///
    /// # Errors
    /// A board without an operating point, a target that a coil cannot reach, or values that come near none.
    ///
    /// # Panics
    /// Never: every search runs to its end.
    pub fn of(
        board: &Board,
        settings: &Settings,
        kind: BankKind,
        targets: &[Target],
        values: &Values,
    ) -> Result<Self, Fault> {
        let mut board = board.clone();
        for stage in board.stages_mut() {
            stage.bank.kind = kind;
            stage.bank.capacitors = vec![0.0; if kind == BankKind::Select { POSITIONS } else { parallel::LINES }];
        }
        let board = &board;
        let found = std::thread::scope(|scope| {
            let of = |stage: usize| {
                scope.spawn(move || {
                    let tank = TankAlone::of(board, settings, [0; 3], stage)?;
                    let hertz: Vec<f64> = targets.iter().map(|target| target.hertz[stage]).collect();
                    let fault = |error| Fault::new(format!("stage {}: {error}", stage + 1));
                    Ok(match kind {
                        BankKind::Parallel => {
                            let best = parallel::best(&tank, &hertz, &values.single).map_err(fault)?;
                            (best.fixed, best.bank.to_vec(), best.worst, best.proved, best.codes)
                        }
                        BankKind::Select => {
                            let best = select::best(&tank, &hertz, &values.single, &values.position, POSITIONS)
                                .map_err(fault)?;
                            (best.fixed, best.bank, best.worst, true, best.codes)
                        }
                    })
                })
            };
            [0, 1, 2].map(of).map(|running| running.join().expect("a search runs to its end"))
        });
        let mut planned = board.clone();
        let mut stages = Vec::with_capacity(3);
        for (found, place) in found.into_iter().zip(planned.stages_mut()) {
            let (fixed, bank, worst, proved, codes) = found?;
            place.fixed = fixed;
            place.bank.capacitors.clone_from(&bank);
            place.bank.capacitors.resize(place.bank.capacitors.len().next_power_of_two(), 0.0);
            stages.push(StagePlan { fixed, bank, worst, proved, codes, peaks: Vec::new() });
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

//! From formants to a bank: which fixed capacitor and which switched ones bring every target nearest.
//!
//! ```text
//!   board ─► tank (what is soldered about the bank, as one admittance) ─┐
//!   targets, hertz ─────────────────────────────────────────────────────┼─► parallel: every bank that could be the best
//!   values to be had, farads ───────────────────────────────────────────┘      └─► exact peaks ─► the best, proved
//! ```
//! A plan is judged by the peaks of the very circuit that it will become: the tank's admittance is taken from the whole element
//! list, about its operating point, with on-resistance, coil loss, driver, follower and C12 in it.

pub mod assign;
pub mod choose;
pub mod coils;
pub mod parallel;
pub mod reach;
pub mod select;
pub mod switches;
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

/// What a bank is planned for, and from what.
#[derive(Clone, Copy, Debug)]
pub struct Asked<'a> {
    /// How the lines choose.
    pub kind: BankKind,
    /// Where the stages are to peak.
    pub targets: &'a [Target],
    /// What can be soldered.
    pub values: &'a Values,
    /// Pins and wiring across each tank, farads.
    pub wiring: f64,
}

impl Asked<'_> {
    /// Where stage 0 to 2 is to peak, hertz.
    fn hertz(&self, stage: usize) -> Vec<f64> {
        self.targets.iter().map(|target| target.hertz[stage]).collect()
    }
}

/// One stage's bank.
#[derive(Clone, Debug)]
pub struct StagePlan {
    /// Fixed capacitor to solder, farads.
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
    /// The board with the planned capacitors; its fixed ones are with wiring.
    pub board: Board,
    /// Pins and wiring across each tank, farads.
    pub wiring: f64,
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
    pub fn of(board: &Board, settings: &Settings, asked: Asked<'_>) -> Result<Self, Fault> {
        let found = std::thread::scope(|scope| {
            let of = |stage: usize| scope.spawn(move || search(board, settings, asked, stage));
            [0, 1, 2].map(of).map(|running| running.join().expect("a search runs to its end"))
        });
        let mut planned = without_banks(board, asked.kind);
        let mut stages = Vec::with_capacity(3);
        for (found, place) in found.into_iter().zip(planned.stages_mut()) {
            let stage = found?;
            place.fixed = stage.fixed + asked.wiring;
            place.bank.capacitors.clone_from(&stage.bank);
            place.bank.capacitors.resize(place.bank.capacitors.len().next_power_of_two(), 0.0);
            stages.push(stage);
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
        Ok(Self { board: planned, wiring: asked.wiring, stages })
    }
}

fn without_banks(board: &Board, kind: BankKind) -> Board {
    let mut board = board.clone();
    for stage in board.stages_mut() {
        stage.bank.kind = kind;
        stage.bank.capacitors = vec![0.0; if kind == BankKind::Select { POSITIONS } else { parallel::LINES }];
    }
    board
}

/// The best bank of one stage, its peaks still to be found.
fn search(board: &Board, settings: &Settings, asked: Asked<'_>, stage: usize) -> Result<StagePlan, Fault> {
    let Asked { kind, values, wiring, .. } = asked;
    let (board, hertz) = (&without_banks(board, kind), asked.hertz(stage));
    reach::check(board, settings, stage, &reach::Parts::of(values, kind, wiring), &hertz)?;
    let tank = TankAlone::of(board, settings, [0; 3], stage)?.with_wiring(wiring);
    let fault = |error| Fault::new(format!("stage {}: {error}", stage + 1));
    let (fixed, bank, worst, proved, codes) = match kind {
        BankKind::Parallel => {
            let best = parallel::best(&tank, &hertz, &values.single).map_err(fault)?;
            (best.fixed, best.bank.to_vec(), best.worst, best.proved, best.codes)
        }
        BankKind::Select => {
            let best = select::best(&tank, &hertz, &values.single, &values.position, POSITIONS).map_err(fault)?;
            (best.fixed, best.bank, best.worst, true, best.codes)
        }
    };
    Ok(StagePlan { fixed, bank, worst, proved, codes, peaks: Vec::new() })
}

/// Interval from one frequency to another, cents: 1200 to the octave.
pub fn cents(from_hz: f64, to_hz: f64) -> f64 {
    1200.0 * (to_hz / from_hz).log2()
}

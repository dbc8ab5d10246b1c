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
mod around;
pub mod assign;
mod boxes;
pub mod choose;
pub mod coils;
pub mod found;
pub mod parallel;
pub mod reach;
mod reckon;
pub mod select;
mod share;
pub mod stock;
pub mod switches;
pub mod tank;
pub mod targets;
pub mod vowels;

use crate::fault::Fault;
use aim::{Aim, Measure, Unit};
use found::{Choice, Found};
use stock::{Place, Stock};
use tank::TankAlone;
use targets::Target;
use tritank_dsp::board::{BankKind, Board};
use tritank_dsp::knobs::Settings;
use tritank_dsp::response::{Peak, Response};

/// Positions of a multiplexer.
const POSITIONS: usize = 16;
/// Boxes that a search of parallel lines takes at most, some ten seconds' worth.
const MOST_BOXES: u64 = 15_000_000;
/// A peak of the whole circuit that is farther from what the search took it for than this, cents, proves nothing.
const SAME: f64 = 0.1;

/// What can be soldered.
#[derive(Clone, Debug)]
pub struct Values {
    /// All parts.
    pub stock: Stock,
    /// What may stand as a fixed capacitor: one part.
    pub single: Vec<Place>,
    /// What may stand at a line or position: one part, or two in parallel or in series.
    pub position: Vec<Place>,
    /// Whether two may.
    pub pairs: bool,
}

impl Values {
    /// Of a stock, with one part at a position, or up to two.
    pub fn of(stock: Stock, pairs: bool) -> Self {
        let single = stock.singles();
        let position = if pairs { stock.pairs() } else { single.clone() };
        Self { stock, single, position, pairs }
    }
}

/// What is soldered in one stage and stays.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Kept {
    /// Fixed capacitor, without wiring, farads.
    pub fixed: Option<f64>,
    /// By line or position, farads; those that are not in it are free.
    pub bank: Vec<Option<f64>>,
}

/// What a bank is planned for, and from what.
#[derive(Clone, Copy, Debug)]
pub struct Asked<'a> {
    /// How the lines choose.
    pub kind: BankKind,
    /// Where the stages are to peak.
    pub targets: &'a [Target],
    /// What can be soldered, in all stages together.
    pub values: &'a Values,
    /// What is to be smallest.
    pub measure: Measure,
    /// What an error is counted in.
    pub unit: Unit,
    /// Pins and wiring across each tank, farads.
    pub wiring: f64,
    /// What stays, by stage.
    pub kept: Option<&'a [Kept; 3]>,
}

impl<'a> Asked<'a> {
    /// The target that is farthest off to be nearest, in cents; no wiring, nothing kept.
    pub fn of(kind: BankKind, targets: &'a [Target], values: &'a Values) -> Self {
        Self { kind, targets, values, measure: Measure::Worst, unit: Unit::Cents, wiring: 0.0, kept: None }
    }

    /// Where stage 0 to 2 is to peak, hertz.
    fn hertz(&self, stage: usize) -> Vec<f64> {
        self.targets.iter().map(|target| target.hertz[stage]).collect()
    }

    /// The targets of a stage, a cent where it counts most taken for one, so that a twentieth of it is that for all; and what such
    /// a cent counts for.
    fn aims(&self, stage: usize) -> (Vec<Aim>, f64) {
        let cent = |target: &Target| self.unit.of_a_cent(target.hertz[stage]);
        let heard = self.targets.iter().map(cent).fold(f64::MIN_POSITIVE, f64::max);
        // A mean does not change with the scale of the weights.
        let weight = match self.measure {
            Measure::Rms => 1.0,
            Measure::Worst => self.targets.iter().map(|target| target.weight).fold(f64::MIN_POSITIVE, f64::max),
        };
        let aim =
            |target: &Target| Aim::of(target.hertz[stage], target.weight / weight, cent(target) / heard, self.measure);
        (self.targets.iter().map(aim).collect(), weight * heard)
    }

    fn positions(&self) -> usize {
        if self.kind == BankKind::Select { POSITIONS } else { parallel::LINES }
    }
}

/// One stage's bank.
#[derive(Clone, Debug)]
pub struct StagePlan {
    /// What the search found.
    pub found: Found,
    /// Fixed capacitor to solder, farads.
    pub fixed: f64,
    /// Switched capacitors, line or position 0 first, farads.
    pub bank: Vec<f64>,
    /// Error of the target that is farthest off, cents.
    pub worst: f64,
    /// Whether no bank of these values is better, beside what the other stages take.
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
    /// A board without an operating point, a target that a coil cannot reach, values that come near none, or too few parts.
    ///
    /// # Panics
    /// Never: every search runs to its end.
    pub fn of(board: &Board, settings: &Settings, asked: Asked<'_>) -> Result<Self, Fault> {
        let found = share::out(&asked, |stage, stock, pairs| search(board, settings, asked, stage, stock, pairs))?;
        let mut planned = without_banks(board, asked.kind);
        for (found, place) in found.iter().zip(planned.stages_mut()) {
            place.fixed = found.fixed.farads + asked.wiring;
            place.bank.capacitors = found.bank.iter().map(|place| place.farads).collect();
            place.bank.capacitors.resize(found.bank.len().next_power_of_two().max(2), 0.0);
        }
        planned.check().map_err(Fault::new)?;
        let planned = &planned;
        let stages = std::thread::scope(|scope| {
            let of = |(stage, found)| scope.spawn(move || StagePlan::of(planned, settings, &asked, stage, found));
            let running: Vec<_> = found.into_iter().enumerate().map(of).collect();
            running.into_iter().map(|stage| stage.join().expect("a response ends")).collect::<Result<Vec<_>, _>>()
        })?;
        let stages = stages.try_into().expect("three stages");
        Ok(Self { board: planned.clone(), wiring: asked.wiring, stages })
    }
}

impl StagePlan {
    /// What the report says is what the whole circuit does, code by code.
    fn of(
        planned: &Board,
        settings: &Settings,
        asked: &Asked<'_>,
        stage: usize,
        mut found: Found,
    ) -> Result<Self, Fault> {
        let bank: Vec<f64> = found.bank.iter().map(|place| place.farads).collect();
        let mut peaks = Vec::new();
        for code in 0..bank.len().max(1 << planned.stages()[stage].bank.lines()) as u8 {
            let mut codes = [0; 3];
            codes[stage] = code;
            peaks.push(Response::of(planned, settings, codes).map_err(Fault::new)?.peak(stage));
        }
        let off: Vec<f64> = asked
            .targets
            .iter()
            .zip(&found.codes)
            .map(|(target, code)| cents(target.hertz[stage], peaks[usize::from(*code)].frequency))
            .collect();
        if off.iter().zip(&found.cents).any(|(whole, found)| (whole - found).abs() >= SAME) {
            let (aims, cent) = asked.aims(stage);
            let score = cent * found::score(asked.measure, &aims, &off);
            found = Found { cents: off.clone(), score, bound: 0.0, proved: false, ..found };
        }
        Ok(Self {
            fixed: found.fixed.farads,
            bank,
            worst: off.iter().map(|cents| cents.abs()).fold(0.0, f64::max),
            proved: found.proved,
            codes: found.codes.clone(),
            peaks,
            found,
        })
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

/// The best bank of one stage, of what there is in `stock`.
fn search(
    board: &Board,
    settings: &Settings,
    asked: Asked<'_>,
    stage: usize,
    stock: &Stock,
    pairs: bool,
) -> Result<Found, Fault> {
    let board = &without_banks(board, asked.kind);
    let kept = asked.kept.map(|kept| kept[stage].clone()).unwrap_or_default();
    let hertz = asked.hertz(stage);
    if kept == Kept::default() {
        reach::check(board, settings, stage, &reach::Parts::of(asked.values, asked.kind, asked.wiring), &hertz)?;
    }
    let tank = TankAlone::of(board, settings, [0; 3], stage)?.with_wiring(asked.wiring);
    let there = |places: &[Place]| -> Vec<Place> {
        let fits = |place: &&Place| stock.fits(&place.parts().collect::<Vec<_>>());
        places.iter().filter(fits).copied().collect()
    };
    let lowest = hertz.iter().copied().fold(f64::INFINITY, f64::min);
    let mut position = there(if pairs { &asked.values.position } else { &asked.values.single });
    // Where not even the lowest target meets more reactance than the switch has resistance, it is no capacitor.
    position.retain(|place| std::f64::consts::TAU * lowest * tank.on() * place.farads < 1.0);
    let mut bank = kept.bank;
    bank.resize(asked.positions(), None);
    let choice = Choice {
        stock: stock.clone(),
        fixed: there(&asked.values.single),
        position,
        kept_fixed: kept.fixed,
        kept: bank,
    };
    let (aims, cent) = asked.aims(stage);
    let found = match asked.kind {
        BankKind::Parallel if pairs => {
            // Pairs are many: what one part at a line can do is a good beginning.
            let one_part = |place: &&Place| place.parts().count() == 1;
            let one = choice.position.iter().filter(one_part).copied().collect();
            let one = Choice { position: one, ..choice.clone() };
            let first = parallel::best(&tank, &aims, asked.measure, &one, None, MOST_BOXES).ok();
            parallel::best(&tank, &aims, asked.measure, &choice, first, MOST_BOXES)
        }
        BankKind::Parallel => parallel::best(&tank, &aims, asked.measure, &choice, None, MOST_BOXES),
        BankKind::Select => select::best(&tank, &aims, asked.measure, &choice),
    }
    .map_err(|error| Fault::new(format!("stage {}: {error}", stage + 1)))?;
    Ok(Found { score: cent * found.score, bound: cent * found.bound, ..found })
}

/// Interval from one frequency to another, cents: 1200 to the octave.
pub fn cents(from_hz: f64, to_hz: f64) -> f64 {
    1200.0 * (to_hz / from_hz).log2()
}

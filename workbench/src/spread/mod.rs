//! What becomes of a board when it is built: a great many units, every part drawn within its tolerance.
//!
//! ```text
//!   seed, n ─► draw: unit n, part by part ─► rest: junctions, conductances ─► tank: peak and Q of every code
//!                                                                               └─► quantiles; what is kept, and what matters
//! ```
//! Every unit is solved as the whole circuit is, to a tenth of a cent, without its matrices: the operating point does not depend
//! on a tank's capacitors, drivers store no charge, and so a tank is one admittance in closed form. Ten thousand units take about as
//! long as the search for their bank (`tritank plan --units 10000 --json` tells both).
//! What unit n is depends on the seed and on n alone, and sums are taken in one order: threads change nothing.

mod draw;
mod keep;
mod newton;
mod rest;
mod tank;
#[cfg(test)]
mod tests;

pub use draw::{Kind, Part, Tolerances, WIDEST, WIDEST_KELVIN};
pub use keep::{Aim, Cause, Kept, WITHIN, by_kind};

use crate::fault::Fault;
use rayon::prelude::*;
use rest::{Rest, Standing};
use tank::{Near, Resonance, Tank};
use tritank_dsp::board::{BankKind, Board};
use tritank_dsp::knobs::Settings;
use tritank_dsp::response::Response;

/// Most units at a time: half a kilobyte is kept of each.
pub const MOST_UNITS: usize = 1_000_000;
/// Units that one thread takes at a time.
const BLOCK: usize = 64;

/// So many in a hundred lie below.
pub const PERCENTS: [f64; 5] = [0.5, 5.0, 50.0, 95.0, 99.5];

/// Values below which [`PERCENTS`] of the units lie, rising; not numbers when no unit has a value.
pub type Quantiles = [f64; 5];

/// A stage under one code.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CodeSpread {
    /// Peak of the board as it is written, hertz.
    pub nominal_hz: f64,
    /// Peak, hertz.
    pub peak_hz: Quantiles,
    /// Loaded Q.
    pub q: Quantiles,
}

/// A node at rest.
#[derive(Clone, Debug, PartialEq)]
pub struct NodeSpread {
    /// As the element list names it.
    pub node: String,
    /// Volts on the board as it is written.
    pub nominal_volts: f64,
    /// Volts against ground.
    pub volts: Quantiles,
}

/// Many units of one board.
#[derive(Clone, Debug)]
pub struct Spread {
    /// Units drawn.
    pub units: usize,
    /// Those among them that found no operating point; they are in no quantile.
    pub failed: usize,
    /// By stage, by code.
    pub stages: [Vec<CodeSpread>; 3],
    /// At rest.
    pub nodes: Vec<NodeSpread>,
    lot: Lot,
    /// Unit after unit: peaks, Qs, volts.
    table: Vec<f32>,
}

/// Draws and solves so many units of a board with its knobs as set. `progress` hears of every few units that are done. With C12
/// the neighbour's tank is under code 0, as in a plan.
///
/// # Errors
/// No units or too many, a tolerance that is none, or a board that finds no operating point as it is written. A drawn unit
/// without one is counted.
pub fn of(
    board: &Board,
    settings: &Settings,
    tolerances: &Tolerances,
    units: usize,
    seed: u64,
    progress: &(dyn Fn(usize) + Sync),
) -> Result<Spread, Fault> {
    if !(1..=MOST_UNITS).contains(&units) {
        return Err(Fault::new(format!("units: given {units}, allowed is 1 to {MOST_UNITS}")));
    }
    for kind in Kind::ALL {
        let (given, most) = (tolerances.get(kind), if kind == Kind::Temperature { WIDEST_KELVIN } else { WIDEST });
        if !(0.0..=most).contains(&given) {
            let word = kind.word();
            return Err(Fault::new(format!("tolerance of {word}: given {given}, allowed is 0 to {most}")));
        }
    }
    Ok(Spread::of(Lot::of(board, settings, tolerances, seed)?, units, progress))
}

impl Spread {
    fn of(lot: Lot, units: usize, progress: &(dyn Fn(usize) + Sync)) -> Self {
        let width = lot.width();
        let mut table = vec![f32::NAN; units * width];
        table.par_chunks_mut(width * BLOCK).enumerate().for_each(|(block, rows)| {
            let first = block * BLOCK;
            rows.chunks_mut(width).enumerate().for_each(|(n, row)| lot.fill((first + n) as u64, row));
            progress(rows.len() / width);
        });
        let column = |n: usize| quantiles(table.iter().skip(n).step_by(width).copied());
        let columns: Vec<Quantiles> = (0..width).into_par_iter().map(column).collect();
        let codes: usize = lot.nominal.iter().map(Vec::len).sum();
        let mut place = 0;
        let stages = lot.nominal.each_ref().map(|stage| {
            let of = |near: &Near| {
                place += 1;
                CodeSpread { nominal_hz: near.hertz, peak_hz: columns[place - 1], q: columns[codes + place - 1] }
            };
            stage.iter().map(of).collect()
        });
        let nodes = rest::nodes(&lot.settings).into_iter().zip(&lot.rest.volts).zip(&columns[2 * codes..]);
        let nodes =
            nodes.map(|((node, volts), quantiles)| NodeSpread { node, nominal_volts: *volts, volts: *quantiles });
        let failed = table.chunks(width).filter(|row| row[2 * codes].is_nan()).count();
        Self { units, failed, stages, nodes: nodes.collect(), table, lot }
    }
}

/// A board, how far its parts may be off, and a seed.
#[derive(Clone, Debug)]
struct Lot {
    board: Board,
    settings: Settings,
    tolerances: Tolerances,
    seed: u64,
    /// In the order in which they are drawn.
    parts: Vec<Part>,
    /// The board as it is written.
    rest: Rest,
    /// Its peaks, by stage, by code.
    nominal: [Vec<Near>; 3],
}

impl Lot {
    fn of(board: &Board, settings: &Settings, tolerances: &Tolerances, seed: u64) -> Result<Self, Fault> {
        let whole = Response::of(board, settings, [0; 3]).map_err(Fault::new)?;
        let rest = Rest::of(board, settings, &Standing::of(whole.operating_point()));
        let rest = rest.ok_or_else(|| Fault::new("DC operating point: found, but not again part by part"))?;
        let nominal = [0, 1, 2].map(|stage| {
            let mut tank = Tank::of(board, settings, &rest, stage);
            let codes = 0..codes(board, stage) as u8;
            codes.map(|code| tank.under(board, settings, stage, code).near()).collect()
        });
        let mut parts = Vec::new();
        draw::vary(&mut board.clone(), &mut settings.clone(), |part| {
            parts.push(part);
            0.0
        });
        let (board, tolerances) = (board.clone(), *tolerances);
        Ok(Self { board, settings: *settings, tolerances, seed, parts, rest, nominal })
    }

    /// Numbers that are kept of a unit.
    fn width(&self) -> usize {
        2 * self.nominal.iter().map(Vec::len).sum::<usize>() + self.rest.volts.len()
    }

    /// Unit n, part by part; those that `exact` says are as written.
    fn unit(&self, n: u64, exact: impl Fn(&Part) -> bool) -> (Board, Settings) {
        let (mut board, mut settings) = (self.board.clone(), self.settings);
        let mut number = draw::numbers(self.seed, n);
        draw::vary(&mut board, &mut settings, |part| {
            let x = number();
            if exact(&part) { 0.0 } else { x * self.tolerances.get(part.kind) }
        });
        (board, settings)
    }

    /// A unit at rest. Where Newton does not settle part by part, the whole circuit is asked.
    fn at_rest(&self, board: &Board, settings: &Settings) -> Option<Rest> {
        Rest::of(board, settings, &self.rest.standing).or_else(|| {
            let whole = Response::of(board, settings, [0; 3]).ok()?;
            Rest::of(board, settings, &Standing::of(whole.operating_point()))
        })
    }

    /// Peaks, Qs and volts of unit n; left as it is where there is no operating point.
    fn fill(&self, n: u64, row: &mut [f32]) {
        let (board, settings) = self.unit(n, |_| false);
        let Some(rest) = self.at_rest(&board, &settings) else { return };
        let codes: usize = self.nominal.iter().map(Vec::len).sum();
        let (peaks, others) = row.split_at_mut(codes);
        let (qs, volts) = others.split_at_mut(codes);
        let mut place = 0;
        for (stage, nominal) in self.nominal.iter().enumerate() {
            let mut tank = Tank::of(&board, &settings, &rest, stage);
            for (code, near) in (0..).zip(nominal) {
                let Resonance { hertz, q } = tank.under(&board, &settings, stage, code).resonance(near);
                (peaks[place], qs[place]) = (hertz as f32, q as f32);
                place += 1;
            }
        }
        for (place, volts) in volts.iter_mut().zip(rest.volts) {
            *place = volts as f32;
        }
    }
}

/// Codes that a stage's bank knows.
fn codes(board: &Board, stage: usize) -> usize {
    let bank = &board.stages()[stage].bank;
    match bank.kind {
        BankKind::Parallel => 1 << bank.lines(),
        BankKind::Select => bank.capacitors.len().max(1),
    }
}

/// Quantiles of a sample, between two neighbours on the straight line: definition 7 of R. J. Hyndman and Y. Fan, "Sample quantiles
/// in statistical packages", The American Statistician 50 (1996) 361–365 (from memory).
fn quantiles(sample: impl Iterator<Item = f32>) -> Quantiles {
    let mut sample: Vec<f32> = sample.filter(|value| !value.is_nan()).collect();
    sample.sort_unstable_by(f32::total_cmp);
    PERCENTS.map(|percent| {
        let Some(last) = sample.len().checked_sub(1) else { return f64::NAN };
        let place = percent / 100.0 * last as f64;
        let below = place as usize;
        let [low, high] = [below, (below + 1).min(last)].map(|n| f64::from(sample[n]));
        low + (place - below as f64) * (high - low)
    })
}

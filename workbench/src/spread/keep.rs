//! What a lot keeps of a plan, and which part is to blame for the rest.
//!
//! A part's share is its squared correlation with the logarithm of the peak, less what chance gives (Ezekiel's adjustment). Parts are
//! drawn independently and a peak is all but straight in each of them; then this is the first-order share of variance, Sobol's
//! index (A. Saltelli et al., Global Sensitivity Analysis: The Primer, 2008, sections 1.2.5 and 4.2, from memory). What would be
//! kept were a part exact is not reckoned from shares: the same units are solved again with that part as written.

use super::tank::Tank;
use super::{BLOCK, Kind, Lot, Part, Spread, draw};
use rayon::prelude::*;

/// Codes of a bank at most.
const MOST_CODES: usize = 16;
/// Units whose sums are taken together.
const SUMMED: usize = 1024;

/// A target is kept within this fraction, either way: what one speaker's own repeats differ by in F1 (Peterson and Barney 1952,
/// median).
pub const WITHIN: f64 = 0.05;

/// A target and the code that is meant for it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Aim {
    /// By stage.
    pub hertz: [f64; 3],
    /// By stage.
    pub codes: [u8; 3],
}

/// Units that keep a target, as shares of those drawn; one without an operating point keeps none.
#[derive(Clone, Debug, PartialEq)]
pub struct Kept {
    /// Each target by stage.
    pub stages: Vec<[f64; 3]>,
    /// Each target on all three stages.
    pub together: Vec<f64>,
    /// Every target, by stage.
    pub every: [f64; 3],
    /// Every target on all three stages: units that are right throughout.
    pub throughout: f64,
}

impl Kept {
    /// Over all targets, by stage.
    pub fn mean(&self) -> [f64; 3] {
        [0, 1, 2].map(|n| self.stages.iter().map(|kept| kept[n]).sum::<f64>() / self.stages.len() as f64)
    }

    /// Over all targets, all three stages together.
    pub fn mean_together(&self) -> f64 {
        self.together.iter().sum::<f64>() / self.together.len() as f64
    }
}

/// A part and its share of the variance of a stage's peaks, over the codes that are aimed with.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cause {
    /// The part.
    pub part: Part,
    /// 0 to 1.
    pub share: f64,
}

/// How many units kept what.
#[derive(Clone)]
struct Tally {
    stages: Vec<[usize; 3]>,
    together: Vec<usize>,
    every: [usize; 3],
    throughout: usize,
}

impl Tally {
    fn none(aims: usize) -> Self {
        Self { stages: vec![[0; 3]; aims], together: vec![0; aims], every: [0; 3], throughout: 0 }
    }

    /// One unit more, whose peak for an aim on a stage is told.
    fn and(mut self, aims: &[Aim], peak: impl Fn(usize, u8) -> f32) -> Self {
        let mut every = [true; 3];
        for (n, aim) in aims.iter().enumerate() {
            let keeps = [0, 1, 2].map(|stage| {
                let off = (f64::from(peak(stage, aim.codes[stage])) / aim.hertz[stage]).ln();
                off.abs() <= (1.0 + WITHIN).ln()
            });
            for stage in 0..3 {
                self.stages[n][stage] += usize::from(keeps[stage]);
                every[stage] &= keeps[stage];
            }
            self.together[n] += usize::from(keeps == [true; 3]);
        }
        for stage in 0..3 {
            self.every[stage] += usize::from(every[stage]);
        }
        self.throughout += usize::from(every == [true; 3]);
        self
    }

    /// Whole numbers: in whatever order.
    fn plus(mut self, other: &Self) -> Self {
        let pairs = self.stages.iter_mut().zip(&other.stages);
        pairs.for_each(|(a, b)| a.iter_mut().zip(b).for_each(|(a, b)| *a += b));
        self.together.iter_mut().zip(&other.together).for_each(|(a, b)| *a += b);
        self.every.iter_mut().zip(&other.every).for_each(|(a, b)| *a += b);
        self.throughout += other.throughout;
        self
    }

    fn of(self, units: usize) -> Kept {
        let share = |count: usize| count as f64 / units as f64;
        Kept {
            stages: self.stages.into_iter().map(|counts| counts.map(share)).collect(),
            together: self.together.into_iter().map(share).collect(),
            every: self.every.map(share),
            throughout: share(self.throughout),
        }
    }
}

impl Spread {
    /// How many units keep each target.
    ///
    /// # Panics
    /// When an aim's code is none of its bank's.
    pub fn kept(&self, aims: &[Aim]) -> Kept {
        let (starts, none) = (self.lot.starts(), || Tally::none(aims.len()));
        let rows = self.table.par_chunks(self.lot.width());
        let tally = rows.fold(none, |tally, row| tally.and(aims, |stage, code| row[starts[stage] + usize::from(code)]));
        tally.reduce(none, |a, b| a.plus(&b)).of(self.units)
    }

    /// How many would on some of the stages, were the parts that `exact` names as they are written: the same units, solved again.
    /// The other stages keep nothing. `progress` hears of every unit that is done.
    ///
    /// # Panics
    /// When an aim's code is none of its bank's.
    pub fn kept_were(
        &self,
        aims: &[Aim],
        stages: &[usize],
        exact: impl Fn(&Part) -> bool + Sync,
        progress: &(dyn Fn(usize) + Sync),
    ) -> Kept {
        let (lot, none) = (&self.lot, || Tally::none(aims.len()));
        let mut cells = cells(aims);
        cells.retain(|cell| stages.contains(&cell.stage));
        let tally = (0..self.units).into_par_iter().with_min_len(BLOCK).fold(none, |tally, n| {
            let peaks = lot.peaks(n as u64, &cells, &exact);
            progress(1);
            tally.and(aims, |stage, code| peaks[stage][usize::from(code)])
        });
        tally.reduce(none, |a, b| a.plus(&b)).of(self.units)
    }

    /// The parts that move a stage's peaks, over the codes that are aimed with, the one that matters most first; those without a
    /// share are left out.
    ///
    /// # Panics
    /// When an aim's code is none of its bank's.
    pub fn causes(&self, aims: &[Aim]) -> [Vec<Cause>; 3] {
        let (lot, cells) = (&self.lot, cells(aims));
        let (parts, starts, width) = (lot.parts.len(), lot.starts(), lot.width());
        let blocks = self.table.par_chunks(width * SUMMED).enumerate().map(|(block, rows)| {
            let mut sums = Sums::none(parts, cells.len());
            let (mut x, mut y) = (vec![0.0; parts], vec![0.0; cells.len()]);
            for (n, row) in rows.chunks(width).enumerate() {
                for (place, cell) in y.iter_mut().zip(&cells) {
                    let code = usize::from(cell.code);
                    let nominal = lot.nominal[cell.stage][code].hertz;
                    *place = (f64::from(row[starts[cell.stage] + code]) / nominal).ln();
                }
                if y.iter().all(|y| y.is_finite()) {
                    let mut number = draw::numbers(lot.seed, (block * SUMMED + n) as u64);
                    x.fill_with(&mut number);
                    sums.add(&x, &y);
                }
            }
            sums
        });
        // Block after block, whatever threads took them.
        let blocks: Vec<Sums> = blocks.collect();
        let sums = blocks.into_iter().fold(Sums::none(parts, cells.len()), |sums, block| sums.plus(&block));
        [0, 1, 2].map(|stage| {
            let here = || cells.iter().enumerate().filter(|(_, cell)| cell.stage == stage);
            let whole: f64 = here().map(|(n, cell)| cell.times * sums.variance(n)).sum();
            let share = |part: usize| here().map(|(n, cell)| cell.times * sums.explained(part, n)).sum::<f64>() / whole;
            let shares = lot.parts.iter().enumerate().map(|(n, part)| Cause { part: *part, share: share(n) });
            let varies = |cause: &Cause| cause.share > 0.0 && lot.tolerances.get(cause.part.kind) > 0.0;
            let mut causes: Vec<Cause> = shares.filter(varies).collect();
            causes.sort_by(|a, b| b.share.total_cmp(&a.share));
            causes
        })
    }
}

/// Shares of some causes by kind, the greatest first.
pub fn by_kind(causes: &[Cause]) -> Vec<(Kind, f64)> {
    let share = |kind: Kind| causes.iter().filter(|cause| cause.part.kind == kind).map(|cause| cause.share).sum();
    let mut kinds: Vec<(Kind, f64)> = Kind::ALL.into_iter().map(|kind| (kind, share(kind))).collect();
    kinds.retain(|(_, share)| *share > 0.0);
    kinds.sort_by(|a, b| b.1.total_cmp(&a.1));
    kinds
}

impl Lot {
    /// Where each stage's peaks begin in a unit's row.
    fn starts(&self) -> [usize; 3] {
        let [a, b, _] = self.nominal.each_ref().map(Vec::len);
        [0, a, a + b]
    }

    /// Peaks of unit n by stage and code, those asked for; the others, and all without an operating point, are not numbers.
    fn peaks(&self, n: u64, cells: &[Cell], exact: impl Fn(&Part) -> bool) -> [[f32; MOST_CODES]; 3] {
        let mut peaks = [[f32::NAN; MOST_CODES]; 3];
        let (board, settings) = self.unit(n, exact);
        let Some(rest) = self.at_rest(&board, &settings) else { return peaks };
        let mut tanks = [0, 1, 2].map(|stage| Tank::of(&board, &settings, &rest, stage));
        for &Cell { stage, code, .. } in cells {
            let near = &self.nominal[stage][usize::from(code)];
            peaks[stage][usize::from(code)] = tanks[stage].under(&board, &settings, stage, code).peak(near) as f32;
        }
        peaks
    }
}

/// A code that is aimed with, and how often.
struct Cell {
    stage: usize,
    code: u8,
    times: f64,
}

fn cells(aims: &[Aim]) -> Vec<Cell> {
    let mut cells: Vec<Cell> = Vec::new();
    for aim in aims {
        for (stage, &code) in aim.codes.iter().enumerate() {
            match cells.iter_mut().find(|cell| cell.stage == stage && cell.code == code) {
                Some(cell) => cell.times += 1.0,
                None => cells.push(Cell { stage, code, times: 1.0 }),
            }
        }
    }
    cells
}

/// Sums from which variances come, over units.
struct Sums {
    units: f64,
    x: Vec<[f64; 2]>,
    y: Vec<[f64; 2]>,
    xy: Vec<f64>,
}

impl Sums {
    fn none(parts: usize, cells: usize) -> Self {
        Self { units: 0.0, x: vec![[0.0; 2]; parts], y: vec![[0.0; 2]; cells], xy: vec![0.0; parts * cells] }
    }

    fn add(&mut self, x: &[f64], y: &[f64]) {
        self.units += 1.0;
        for (sums, values) in [(&mut self.x, x), (&mut self.y, y)] {
            for (sum, value) in sums.iter_mut().zip(values) {
                sum[0] += value;
                sum[1] += value * value;
            }
        }
        for (row, x) in self.xy.chunks_mut(y.len()).zip(x) {
            row.iter_mut().zip(y).for_each(|(sum, y)| *sum += x * y);
        }
    }

    fn plus(mut self, other: &Self) -> Self {
        self.units += other.units;
        for (sums, others) in [(&mut self.x, &other.x), (&mut self.y, &other.y)] {
            sums.iter_mut().zip(others).for_each(|(a, b)| *a = [a[0] + b[0], a[1] + b[1]]);
        }
        self.xy.iter_mut().zip(&other.xy).for_each(|(a, b)| *a += b);
        self
    }

    /// Of one sample, about its own mean.
    fn spread(&self, [sum, squares]: [f64; 2]) -> f64 {
        (squares - sum * sum / self.units) / self.units
    }

    fn variance(&self, cell: usize) -> f64 {
        self.spread(self.y[cell])
    }

    /// The variance of a cell that goes with a part.
    fn explained(&self, part: usize, cell: usize) -> f64 {
        let (x, y) = (self.x[part], self.y[cell]);
        let joint = (self.xy[part * self.y.len() + cell] - x[0] * y[0] / self.units) / self.units;
        let (x, y) = (self.spread(x), self.spread(y));
        let square = joint * joint / (x * y);
        let adjusted = 1.0 - (1.0 - square) * (self.units - 1.0) / (self.units - 2.0);
        // Too few units, or a peak that nothing moves.
        if adjusted > 0.0 && adjusted.is_finite() { adjusted * y } else { 0.0 }
    }
}

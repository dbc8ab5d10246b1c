//! The best bank of parallel lines: a fixed capacitor and up to four switched ones, every target's nearest code counted.
//!
//! ```text
//!   box: from–to among the values, for each capacitor
//!   target ± what is allowed ─► window of sums ─► which codes could still serve it, anywhere in the box
//!   small boxes              ─► the peaks of their two corners, code by code, between which every other lies
//!     a target without a code ─► the whole box is ruled out
//!     else                    ─► cut the widest capacitor's range in two, and look at both
//!   a box of one bank: what is allowed shrinks to its score
//! ```
//! Branch and bound (A. H. Land and A. G. Doig, Econometrica 28 (1960) 497–520, from memory). Nothing is left to luck: a window holds
//! every sum whose peak could come so near, whatever the switches lose (`reckon.rs`), and a peak falls as any capacitor grows,
//! so that a box that is ruled out has no better bank in it. What is allowed begins small and grows until something passes; what was
//! ruled out before is the bound when a search is given up.

use super::aim::{Aim, Measure, shares};
use super::around::Around;
pub use super::boxes::LINES;
use super::boxes::{Boxes, Corner, FIXED, Ranges};
use super::cents;
use super::found::{Choice, Found, GAP, NoPlan, score};
use super::reckon::{FARTHEST, Reckoning};
use super::stock::Place;
use super::tank::{KNOWN_HZ, TankAlone};
use std::f64::consts::TAU;

const CODES: usize = 1 << LINES;
/// What is allowed at first, cents, and by what ratio more is allowed until something passes.
const FIRST: f64 = 4.0;
const MORE: f64 = 1.4;
/// A box is small when its capacitors together span no more than so many times what the windows allow for losses.
const SMALL: f64 = 1.5;
/// A peak falls as a capacitor grows, as long as its reactance is so many times the switch's resistance: then its conductance, its
/// susceptance and their slopes over frequency all grow.
const WELL_ABOVE: f64 = 2.5;
/// Part of a tank's capacitance that open switches may add unheard: a hundredth of a cent.
const LEAKY: f64 = 1e-5;
/// A small box takes about as long as so many others; with the sum of squares, as so many more.
const SMALL_COSTS: u64 = 2;
const SQUARES_COST: u64 = 20;

/// Finds the bank with the smallest score; `first` is one that is known. A search that takes more than `most` boxes ends with the
/// best so far and a bound below it.
///
/// # Errors
/// See [`NoPlan`].
pub fn best(
    tank: &TankAlone,
    aims: &[Aim],
    measure: Measure,
    choice: &Choice,
    first: Option<Found>,
    most: u64,
) -> Result<Found, NoPlan> {
    if let Some(aim) = aims.iter().find(|aim| tank.farads(aim.hertz) <= 0.0) {
        return Err(NoPlan::OutOfReach { hertz: aim.hertz });
    }
    let mut search = Search::new(tank, aims, measure, choice, most);
    let all = search.boxes.all().ok_or(NoPlan::Nothing)?;
    search.dive(all);
    search.best = search.best.take().into_iter().chain(first).min_by(|a, b| a.score.total_cmp(&b.score));
    let heaviest = aims.iter().map(|aim| aim.weight).fold(f64::MIN_POSITIVE, f64::max);
    let (mut allowed, mut bound) = (FIRST * heaviest, 0.0);
    loop {
        let least = search.best.as_ref().map_or(FARTHEST * heaviest, |best| best.score);
        let whole = allowed >= least;
        search.allow(allowed.min(least));
        search.go(all, 0);
        let improved = search.best.as_ref().is_some_and(|best| best.score < least);
        if search.looked_at >= most || improved || whole {
            let best = search.best.take().ok_or(NoPlan::Nothing)?;
            let bound = if search.looked_at >= most { bound } else { (best.score - GAP).max(0.0) };
            return Ok(best.bound_by(bound));
        }
        (bound, allowed) = ((allowed - GAP).max(0.0), MORE * allowed);
    }
}

/// One target.
struct Target {
    aim: Aim,
    reckoning: Reckoning,
    /// What each candidate of a line counts for at that frequency, and which counts most of all.
    counts: Vec<f64>,
    crest: u32,
    /// Window of sums.
    sums: [f64; 2],
    /// The tank about the lowest and about the highest peak that is allowed, where it is known there.
    ends: [Option<Around>; 2],
}

struct Search<'a> {
    tank: &'a TankAlone,
    aims: &'a [Aim],
    measure: Measure,
    choice: &'a Choice,
    boxes: Boxes,
    targets: Vec<Target>,
    /// Targets, those that lately ruled out the most first.
    order: Vec<usize>,
    /// By depth and target: the codes that could serve it.
    codes: Vec<Vec<u16>>,
    /// What the windows allow for losses, as a part of the sum, where it is most.
    slack: f64,
    /// Whether what leaks through open switches moves a peak by more than is worth telling.
    leaky: bool,
    /// Largest capacitor that is well above its switch, farads.
    largest: f64,
    allowed: f64,
    best: Option<Found>,
    /// Boxes, weighed by the work that they were.
    looked_at: u64,
    /// Of one box: it grows with the targets.
    cost: u64,
    most: u64,
}

impl<'a> Search<'a> {
    fn new(tank: &'a TankAlone, aims: &'a [Aim], measure: Measure, choice: &'a Choice, most: u64) -> Self {
        let boxes = Boxes::of(choice);
        let mut parts: Vec<f64> = boxes.lines.iter().map(|place| place.farads).collect();
        parts.sort_by(f64::total_cmp);
        let targets = aims
            .iter()
            .map(|aim| {
                let counts: Vec<f64> = boxes.lines.iter().map(|place| tank.count(aim.hertz, place.farads)).collect();
                let crest = (0..boxes.positions).max_by(|a, b| counts[*a].total_cmp(&counts[*b])).unwrap_or(0);
                let reckoning = Reckoning::of(tank, aim.hertz, &parts, boxes.places.len());
                Target { aim: *aim, reckoning, counts, crest: crest as u32, sums: [0.0; 2], ends: [None; 2] }
            })
            .collect::<Vec<Target>>();
        let zone = |target: &Target| target.reckoning.window(0.0);
        let slack = targets
            .iter()
            .map(zone)
            .map(|[low, high]| high / low - 1.0)
            .filter(|slack| slack.is_finite())
            .fold(0.0, f64::max);
        let every_code = ((1u32 << (1 << boxes.places.len())) - 1) as u16;
        let lines = boxes.places.len();
        let leaks = |aim: &Aim| lines as f64 * tank.open_count(aim.hertz) > LEAKY * tank.farads(aim.hertz);
        let leaky = aims.iter().any(leaks);
        let highest = aims.iter().map(|aim| aim.hertz).fold(f64::MIN_POSITIVE, f64::max);
        Self {
            tank,
            aims,
            measure,
            choice,
            boxes,
            targets,
            order: (0..aims.len()).collect(),
            slack,
            leaky,
            codes: vec![vec![every_code; aims.len()]],
            largest: 1.0 / (WELL_ABOVE * TAU * highest * tank.on()),
            allowed: f64::INFINITY,
            best: None,
            looked_at: 0,
            cost: 1 + aims.len() as u64 / 20,
            most,
        }
    }

    /// From here on only what is better than `score`.
    fn allow(&mut self, score: f64) {
        self.allowed = score;
        let limit = (score - GAP).max(0.0);
        for (target, alone) in self.targets.iter_mut().zip(self.measure.alone(self.aims, limit)) {
            target.sums = target.reckoning.window(alone);
            let ratio = (alone / 1200.0).exp2();
            target.ends = [1.0 / ratio, ratio].map(|ratio| {
                let hertz = target.aim.hertz * ratio;
                KNOWN_HZ.contains(&hertz).then(|| self.tank.around(hertz))
            });
        }
    }

    /// Looks at every bank of a box whose score could be less than what is allowed.
    fn go(&mut self, ranges: Ranges, depth: usize) {
        // Nothing is better by more than the gap.
        if self.looked_at >= self.most || self.allowed <= GAP {
            return;
        }
        if self.codes.len() < depth + 2 {
            self.codes.push(vec![0; self.aims.len()]);
        }
        self.looked_at += self.cost;
        if !self.sums_could_serve(&ranges, depth) {
            return;
        }
        let widest = self.boxes.widest(&ranges);
        if self.is_small(&ranges) {
            self.looked_at += SMALL_COSTS * self.cost;
            if !self.peaks_could_serve(&ranges, depth + 1) {
                return;
            }
        }
        match widest {
            None => self.look_at(&ranges),
            Some(widest) => {
                for half in self.boxes.halves(ranges, widest).into_iter().rev().flatten() {
                    self.go(half, depth + 1);
                }
            }
        }
    }

    fn is_small(&self, ranges: &Ranges) -> bool {
        let [least, most] = self.boxes.span(ranges);
        most <= least * (1.0 + SMALL * self.slack)
    }

    /// Least and most sum of every code at a target.
    fn sums(&self, ranges: &Ranges, target: &Target) -> [[f64; CODES]; 2] {
        let [from, to] = self.boxes.ends(ranges, FIXED);
        let (mut low, mut high) = ([from; CODES], [to; CODES]);
        for line in 0..self.boxes.places.len() {
            let (from, to) = (ranges.from[line], ranges.to[line]);
            let [a, b] = [from, to].map(|n| target.counts[n as usize]);
            let most =
                if (from..=to).contains(&target.crest) { target.counts[target.crest as usize] } else { a.max(b) };
            let least = a.min(b);
            for code in 0..1 << line {
                low[code | 1 << line] = low[code] + least;
                high[code | 1 << line] = high[code] + most;
            }
        }
        [low, high]
    }

    /// Whether the sums leave every target a code; leaves those one deeper.
    fn sums_could_serve(&mut self, ranges: &Ranges, depth: usize) -> bool {
        let budget = (self.allowed - GAP).max(0.0).powi(2) * shares(self.aims);
        let mut spent = 0.0;
        for place in 0..self.order.len() {
            let n = self.order[place];
            let target = &self.targets[n];
            let [low, high] = self.sums(ranges, target);
            let mut serves = 0u16;
            for code in 0..CODES {
                serves |= u16::from(high[code] >= target.sums[0] && low[code] <= target.sums[1]) << code;
            }
            serves &= self.codes[depth][n];
            self.codes[depth + 1][n] = serves;
            if serves != 0 && self.measure == Measure::Rms {
                spent += target.aim.weight * target.least_error(serves, &low, &high).powi(2);
            }
            if serves == 0 || spent > budget {
                // It is asked first next time.
                self.order[..=place].rotate_right(1);
                return false;
            }
        }
        true
    }

    /// Whether the peaks do: those of the corner of the least and of the most capacitance, between which all others lie.
    fn peaks_could_serve(&mut self, ranges: &Ranges, depth: usize) -> bool {
        let corners = [0, 1].map(|end| self.boxes.corner(ranges, end));
        let falls = self.falling_codes(ranges);
        let mut serving = 0;
        for place in 0..self.order.len() {
            let n = self.order[place];
            let target = &self.targets[n];
            let (asked, mut serves) = (self.codes[depth][n], 0);
            for code in (0..CODES as u16).filter(|code| asked >> code & 1 == 1) {
                let below = |around: &Around, (fixed, bank): &(f64, [f64; LINES])| {
                    around.peaks_below(*fixed, bank, code, [self.tank.on(), self.tank.off()])
                };
                let [lowest, highest] = &target.ends;
                let misses = falls >> code & 1 == 1
                    && (lowest.as_ref().is_some_and(|around| below(around, &corners[0]))
                        || highest.as_ref().is_some_and(|around| !below(around, &corners[1])));
                serves |= u16::from(!misses) << code;
            }
            self.codes[depth][n] = serves;
            serving |= serves;
            if serves == 0 {
                self.order[..=place].rotate_right(1);
                return false;
            }
        }
        self.measure == Measure::Worst || self.squares_could_serve(&corners, falls, serving, depth)
    }

    /// The same for the sum of squares.
    fn squares_could_serve(&mut self, corners: &[Corner; 2], falls: u16, serving: u16, depth: usize) -> bool {
        self.looked_at += SQUARES_COST * self.cost;
        let (mut low, mut high) = ([0.0; CODES], [f64::INFINITY; CODES]);
        for code in (0..CODES as u16).filter(|code| (serving & falls) >> code & 1 == 1) {
            let [least, most] = corners.each_ref().map(|corner| self.peak(corner, code));
            (low[usize::from(code)], high[usize::from(code)]) = (most, least);
        }
        let budget = (self.allowed - GAP).max(0.0).powi(2) * shares(self.aims);
        let mut spent = 0.0;
        for target in 0..self.targets.len() {
            let (serves, aim) = (self.codes[depth][target], self.targets[target].aim);
            let off = (0..CODES).filter(|code| serves >> code & 1 == 1).map(|code| {
                if high[code] < aim.hertz { cents(high[code], aim.hertz) } else { cents(aim.hertz, low[code]).max(0.0) }
            });
            spent += aim.weight * off.fold(f64::INFINITY, f64::min).powi(2);
            if spent > budget {
                return false;
            }
        }
        true
    }

    /// Peak of a corner under a code.
    fn peak(&self, (fixed, bank): &Corner, code: u16) -> f64 {
        // From where the middle target is: any guess will do.
        let guess = self.aims[self.aims.len() / 2].hertz;
        let lines: [(f64, bool); LINES] = std::array::from_fn(|line| (bank[line], code >> line & 1 == 1));
        self.tank.peak_near(guess, *fixed, &lines)
    }

    /// Codes whose peak falls as any capacitor grows: those of settled capacitors, or of such as are not too large. Behind an open
    /// switch that leaks a larger one may count for less.
    fn falling_codes(&self, ranges: &Ranges) -> u16 {
        let settled = (0..self.boxes.places.len()).all(|line| ranges.from[line] == ranges.to[line]);
        if self.leaky && !settled {
            return 0;
        }
        let may_rise =
            |line: &usize| ranges.from[*line] < ranges.to[*line] && self.boxes.ends(ranges, *line)[1] > self.largest;
        let rising: usize = (0..self.boxes.places.len()).filter(may_rise).map(|line| 1 << line).sum();
        (0..CODES).filter(|code| code & rising == 0).map(|code| 1 << code).sum()
    }

    /// A box of one bank; it is kept when it is better than what is allowed, and no more than it is allowed from then on.
    fn look_at(&mut self, ranges: &Ranges) {
        if let Some(found) = self.found(ranges)
            && found.score < self.allowed
        {
            self.allow(found.score);
            // The codes of the way here stand for more than is allowed now, which rules out less and nothing wrongly.
            self.best = Some(found);
        }
    }

    /// What a box of one bank makes of the targets; `None` when there are not enough parts.
    fn found(&self, ranges: &Ranges) -> Option<Found> {
        let (fixed, bank) = self.boxes.bank(ranges);
        let parts: Vec<usize> = bank.iter().chain([&fixed]).flat_map(Place::parts).collect();
        if !self.choice.stock.fits(&parts) {
            return None;
        }
        let codes = 1u16 << self.boxes.places.len();
        let corner = self.boxes.corner(ranges, 0);
        let peaks: Vec<f64> = (0..codes).map(|code| self.peak(&corner, code)).collect();
        let nearest = |aim: &Aim| {
            let off = (0..codes).zip(&peaks).map(|(code, peak)| (self.boxes.in_bank(code), cents(aim.hertz, *peak)));
            off.min_by(|a, b| a.1.abs().total_cmp(&b.1.abs())).expect("there are codes")
        };
        let (codes, off): (Vec<u8>, Vec<f64>) = self.aims.iter().map(nearest).unzip();
        let score = score(self.measure, self.aims, &off);
        Some(Found { fixed, bank, codes, cents: off, score, bound: 0.0, proved: false })
    }

    /// A good bank to begin with: always into the half that promises more, then from neighbour to neighbour.
    fn dive(&mut self, all: Ranges) {
        let mut ranges = all;
        while let Some(widest) = self.boxes.widest(&ranges) {
            let halves = self.boxes.halves(ranges, widest).into_iter().flatten();
            let promise = |half: &Ranges| self.least_score(half);
            ranges = halves.min_by(|a, b| promise(a).total_cmp(&promise(b))).expect("a cut leaves a half");
        }
        let mut best = self.found(&ranges);
        let mut better = true;
        while better {
            better = false;
            for n in self.boxes.movable() {
                for step in (0..all.to[n].max(1).ilog2()).flat_map(|power| [1 << power, -(1 << power)]) {
                    let mut moved = ranges;
                    let place = i64::from(ranges.from[n]) + step;
                    if !(i64::from(all.from[n])..=i64::from(all.to[n])).contains(&place) {
                        continue;
                    }
                    (moved.from[n], moved.to[n]) = (place as u32, place as u32);
                    if let Some(found) = self.found(&moved)
                        && best.as_ref().is_none_or(|best| found.score < best.score)
                    {
                        (ranges, best, better) = (moved, Some(found), true);
                    }
                }
            }
        }
        self.best = best;
    }

    /// No bank of a box has a smaller score.
    fn least_score(&self, ranges: &Ranges) -> f64 {
        let every = self.codes[0][0];
        let least = |target: &Target| {
            let [low, high] = self.sums(ranges, target);
            target.least_error(every, &low, &high)
        };
        self.measure.of(self.aims, self.targets.iter().map(least))
    }
}

impl Target {
    /// Least that it is off by, with sums between these by code.
    fn least_error(&self, serves: u16, low: &[f64; CODES], high: &[f64; CODES]) -> f64 {
        let serving = || (0..CODES).filter(|code| serves >> code & 1 == 1);
        let [zone_low, zone_high] = self.reckoning.window(0.0);
        if serving().any(|code| high[code] >= zone_low && low[code] <= zone_high) {
            return 0.0;
        }
        let below = serving().map(|code| high[code]).filter(|sum| *sum < zone_low).fold(f64::NEG_INFINITY, f64::max);
        let above = serving().map(|code| low[code]).filter(|sum| *sum > zone_high).fold(f64::INFINITY, f64::min);
        self.reckoning.too_high(below).min(self.reckoning.too_low(above))
    }
}

#[cfg(test)]
mod tests;

//! The best bank of parallel lines: a fixed capacitor and up to four switched ones, every target's nearest code counted.
//!
//! ```text
//!   targets ± what is allowed ─► windows of capacitance ─► fixed, 1st, 2nd, 3rd: loops that give up early
//!                                                            4th: every value that serves all targets left, as bits of a word
//!   every bank that passes ─► exact peaks of its 16 codes ─► what is allowed shrinks
//! ```
//! Nothing is left to luck: a bank that is not looked at cannot be better than the best. In the windows a switch only makes its
//! capacitor smaller, C/(1 + (ωRC)²), and loses nothing; how far that is from the exact peak is measured on every bank that
//! passes, and the windows are wider by more than the most that was seen.

use super::cents;
use super::tank::TankAlone;
use std::f64::consts::TAU;

/// Switched capacitors that are searched for.
pub const LINES: usize = 4;
const CODES: usize = 1 << LINES;
/// Most values to choose from: bits of a word.
pub const MOST_VALUES: usize = 128;
/// How much wider than allowed the windows are at first, cents, and by what ratio it is widened when that was too little.
const MARGIN: f64 = 2.0;
const WIDER: f64 = 2.0;
/// What is allowed at first, cents, and by what ratio more is allowed until something passes.
const FIRST: f64 = 15.0;
const MORE: f64 = 1.4;
/// Banks that are reckoned exactly at most, some two seconds' worth: a few targets have a great many banks that are as near as one can
/// hear. Then the best of those stands without a proof.
const MOST_EXACT: usize = 20_000;
/// Margin that is widened no further, cents: the switches spoil the coil.
const WIDEST: f64 = 100.0;
/// Beyond this nothing is near, cents.
const FARTHEST: f64 = 2400.0;

/// A bank and what it makes of the targets.
#[derive(Clone, Debug, PartialEq)]
pub struct Best {
    /// Fixed capacitor, farads.
    pub fixed: f64,
    /// Switched capacitors, line 0 first, the smallest first, farads.
    pub bank: [f64; LINES],
    /// Peak under every code, hertz.
    pub peaks: [f64; CODES],
    /// The code that comes nearest to each target.
    pub codes: Vec<u8>,
    /// Error of the target that is farthest off, cents.
    pub worst: f64,
    /// Banks whose peaks were reckoned exactly.
    pub exact: usize,
    /// Whether no bank can be better.
    pub proved: bool,
    /// Most that an exact peak differed from the windows' reckoning, and how much they allowed for it, cents.
    pub margin: [f64; 2],
}

/// Why there is none.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum NoPlan {
    /// Too many values.
    #[error("values to choose from: given {0}, allowed are at most {MOST_VALUES} different ones")]
    TooMany(usize),
    /// A target that the coil cannot be tuned to.
    #[error("target {hertz} Hz: this coil with its losses peaks there under no capacitor")]
    OutOfReach {
        /// The target.
        hertz: f64,
    },
    /// Not even within two octaves.
    #[error("no bank of these values comes within two octaves of every target")]
    Nothing,
}

/// Finds the bank with the smallest worst error; `values` are what can be soldered, farads, in any number each.
///
/// # Errors
/// See [`NoPlan`].
pub fn best(tank: &TankAlone, targets_hz: &[f64], values: &[f64]) -> Result<Best, NoPlan> {
    let mut values = values.to_vec();
    values.sort_by(f64::total_cmp);
    values.dedup();
    if values.len() > MOST_VALUES {
        return Err(NoPlan::TooMany(values.len()));
    }
    if let Some(hertz) = targets_hz.iter().copied().find(|hertz| tank.farads(*hertz) <= 0.0) {
        return Err(NoPlan::OutOfReach { hertz });
    }
    let (mut margin, mut allowed) = (MARGIN, FIRST);
    loop {
        let mut search = Search::new(tank, targets_hz, &values, margin);
        let found = search.within(allowed);
        let seen = search.seen;
        match found {
            Some(best) if search.exact >= MOST_EXACT => {
                return Ok(Best { exact: search.exact, margin: [seen, margin], ..best });
            }
            _ if seen > 0.8 * margin && margin < WIDEST => margin = WIDER * seen,
            Some(best) => {
                let proved = seen <= 0.8 * margin;
                return Ok(Best { exact: search.exact, proved, margin: [seen, margin], ..best });
            }
            None if allowed > FARTHEST => return Err(NoPlan::Nothing),
            None => allowed *= MORE,
        }
    }
}

/// One search for what lies within an error.
struct Search<'a> {
    tank: &'a TankAlone,
    values: &'a [f64],
    margin: f64,
    /// The farthest apart come first: they rule out the most.
    targets: Vec<Target>,
    allowed: f64,
    best: Option<Best>,
    exact: usize,
    /// Most that an exact peak differed from its reckoning, cents.
    seen: f64,
}

struct Target {
    hertz: f64,
    /// What each value counts for at that frequency, ascending.
    counts: Vec<f64>,
    /// Window of the whole capacitance.
    low: f64,
    high: f64,
    /// Where in the caller's list it stood.
    place: usize,
}

impl<'a> Search<'a> {
    fn new(tank: &'a TankAlone, targets_hz: &[f64], values: &'a [f64], margin: f64) -> Self {
        let count = |hertz: f64, farads: f64| farads / (1.0 + (TAU * hertz * tank.on() * farads).powi(2));
        let mut targets: Vec<Target> = targets_hz
            .iter()
            .enumerate()
            .map(|(place, &hertz)| {
                let counts = values.iter().map(|&farads| count(hertz, farads)).collect();
                Target { hertz, counts, low: 0.0, high: 0.0, place }
            })
            .collect();
        targets.sort_by(|a, b| a.hertz.total_cmp(&b.hertz));
        // Outside in: lowest, highest, second lowest, …
        let mut order = Vec::with_capacity(targets.len());
        let mut rest: std::collections::VecDeque<Target> = targets.into();
        while let Some(target) = rest.pop_front() {
            order.push(target);
            order.extend(rest.pop_back());
        }
        Self { tank, values, margin, targets: order, allowed: 0.0, best: None, exact: 0, seen: 0.0 }
    }

    fn allow(&mut self, cents: f64) {
        self.allowed = cents;
        let ratio = ((cents + self.margin) / 1200.0).exp2();
        for target in &mut self.targets {
            target.low = self.tank.farads(target.hertz * ratio);
            target.high = self.tank.farads(target.hertz / ratio);
        }
    }

    /// The best within so many cents.
    fn within(&mut self, cents: f64) -> Option<Best> {
        self.allow(cents);
        let count = self.values.len();
        for fixed in 0..count {
            // Code 0 is the highest peak: with more than this the highest target is out of reach.
            if self.targets.iter().any(|target| self.values[fixed] > target.high) {
                break;
            }
            for first in (0..count).rev() {
                // All four at most this large: with less the lowest target is out of reach.
                let most = self.values[fixed] + LINES as f64 * self.values[first];
                if self.targets.iter().any(|target| most < target.low) {
                    break;
                }
                for second in (0..=first).rev() {
                    if self.exact >= MOST_EXACT {
                        return self.best.take();
                    }
                    if self.rules_out(fixed, first, second) {
                        continue;
                    }
                    for third in (0..=second).rev() {
                        let mut fits = self.fourths(fixed, [first, second, third]);
                        while fits != 0 {
                            let fourth = fits.trailing_zeros() as usize;
                            fits &= fits - 1;
                            self.look_at(fixed, [fourth, third, second, first]);
                        }
                    }
                }
            }
        }
        self.best.take()
    }

    /// Whether some target is out of reach, however the third and fourth are chosen.
    fn rules_out(&self, fixed: usize, first: usize, second: usize) -> bool {
        let fixed = self.values[fixed];
        self.targets.iter().any(|target| {
            let (a, b) = (target.counts[first], target.counts[second]);
            [fixed, fixed + b, fixed + a, fixed + a + b]
                .iter()
                .all(|sum| *sum > target.high || sum + 2.0 * b < target.low)
        })
    }

    /// The values that, as the fourth and smallest, bring every target within the allowed, as bits.
    fn fourths(&self, fixed: usize, [first, second, third]: [usize; 3]) -> u128 {
        let fixed = self.values[fixed];
        let mut fits = u128::MAX >> (127 - third);
        for target in &self.targets {
            let (a, b, c) = (target.counts[first], target.counts[second], target.counts[third]);
            let sums = [
                fixed,
                fixed + c,
                fixed + b,
                fixed + b + c,
                fixed + a,
                fixed + a + c,
                fixed + a + b,
                fixed + a + b + c,
            ];
            if sums.iter().any(|sum| (target.low..=target.high).contains(sum)) {
                continue;
            }
            let mut serves = 0;
            for sum in sums {
                if sum < target.low && sum + c >= target.low {
                    let from = target.counts[..=third].partition_point(|count| sum + count < target.low);
                    let to = target.counts[..=third].partition_point(|count| sum + count <= target.high);
                    serves |= bits(from, to);
                }
            }
            fits &= serves;
            if fits == 0 {
                break;
            }
        }
        fits
    }

    /// Exact peaks of a bank; the best so far is kept, and no more than it is allowed from then on.
    fn look_at(&mut self, fixed: usize, places: [usize; LINES]) {
        if self.exact >= MOST_EXACT {
            return;
        }
        self.exact += 1;
        let fixed = self.values[fixed];
        let bank = places.map(|place| self.values[place]);
        let peaks: [f64; CODES] = std::array::from_fn(|code| {
            let closed = |n: usize| (bank[n], code >> n & 1 == 1);
            self.tank.peak(fixed, &std::array::from_fn::<_, LINES, _>(closed))
        });
        let mut codes = vec![0; self.targets.len()];
        let mut worst: f64 = 0.0;
        for target in &self.targets {
            let (code, off) = peaks
                .iter()
                .enumerate()
                .map(|(code, peak)| (code, cents(target.hertz, *peak)))
                .min_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
                .expect("there are codes");
            codes[target.place] = code as u8;
            worst = worst.max(off.abs());
            // What the windows take that code for, at this target.
            let sum: f64 = (0..LINES).filter(|n| code >> n & 1 == 1).map(|n| target.counts[places[n]]).sum();
            let reckoned = self.tank.peak(fixed + sum, &[]);
            self.seen = self.seen.max(cents(reckoned, peaks[code]).abs());
        }
        if worst < self.best.as_ref().map_or(self.allowed, |best| best.worst) {
            self.allow(worst);
            self.best = Some(Best { fixed, bank, peaks, codes, worst, exact: 0, proved: false, margin: [0.0; 2] });
        }
    }
}

/// Bits `from` to below `to`.
fn bits(from: usize, to: usize) -> u128 {
    if from >= to { 0 } else { (u128::MAX >> (128 - (to - from))) << from }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tritank_dsp::board::Board;
    use tritank_dsp::knobs::Settings;

    fn tank(stage: usize) -> TankAlone {
        let board = Board::built_in();
        TankAlone::of(&board, &Settings::of(&board), [0; 3], stage).unwrap()
    }

    /// Every bank of a few values, one after another.
    fn brute_force(tank: &TankAlone, targets: &[f64], values: &[f64]) -> f64 {
        let mut least = f64::MAX;
        let count = values.len();
        for number in 0..count.pow(5) {
            let digit = |n: u32| number / count.pow(n) % count;
            if (1..4).any(|n| digit(n) > digit(n + 1)) {
                continue;
            }
            let bank: [f64; LINES] = std::array::from_fn(|n| values[digit(n as u32 + 1)]);
            let peaks: Vec<f64> = (0..CODES)
                .map(|code| {
                    tank.peak(values[digit(0)], &std::array::from_fn::<_, LINES, _>(|n| (bank[n], code >> n & 1 == 1)))
                })
                .collect();
            let off = |hertz: &f64| peaks.iter().map(|peak| cents(*hertz, *peak).abs()).fold(f64::MAX, f64::min);
            least = least.min(targets.iter().map(off).fold(0.0, f64::max));
        }
        least
    }

    /// Small instances against brute force.
    #[test]
    fn nothing_is_better_than_the_best() {
        let mut seed = 7u64;
        let mut random = || {
            seed ^= seed << 13;
            seed ^= seed >> 7;
            seed ^= seed << 17;
            (seed >> 11) as f64 / (1u64 << 53) as f64
        };
        for stage in 0..3 {
            let tank = tank(stage);
            for _ in 0..2 {
                let middle = [500.0, 1700.0, 2800.0][stage];
                let targets: Vec<f64> = (0..6).map(|_| middle * (random() - 0.5).exp2()).collect();
                let whole = tank.farads(middle);
                let values: Vec<f64> = (0..6).map(|_| whole * 0.7 * random().powi(2).max(0.02)).collect();
                let truth = brute_force(&tank, &targets, &values);
                let best = best(&tank, &targets, &values).unwrap();
                println!("stage {}: {truth:.2} cents, {} looked at, margin {:?}", stage + 1, best.exact, best.margin);
                assert!((best.worst - truth).abs() < 1e-9, "{} against {truth}", best.worst);
            }
        }
    }

    /// E24 over three decades for the twenty vowels of men and women, on the built-in coils. A quick random search over ideal
    /// coils came to 6.0, 6.7 and 1.9 %.
    #[test]
    fn the_vowels_of_men_and_women_come_as_near_as_e24_allows() {
        let e24 = [10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91];
        let values: Vec<f64> =
            [1e-10, 1e-9, 1e-8].iter().flat_map(|decade| e24.iter().map(move |n| f64::from(*n) * decade)).collect();
        let vowels: Vec<_> = crate::plan::vowels::table().into_iter().filter(|v| v.group != "children").collect();
        for (stage, percent) in [6.0, 6.7, 1.9].into_iter().enumerate() {
            let targets: Vec<f64> = vowels.iter().map(|vowel| vowel.formants()[stage]).collect();
            let best = best(&tank(stage), &targets, &values).unwrap();
            let worst = 100.0 * ((best.worst / 1200.0).exp2() - 1.0);
            println!("stage {}: {worst:.3} %, {} exact, margin {:?}", stage + 1, best.exact, best.margin);
            assert!(worst < percent, "{worst}");
        }
    }
}

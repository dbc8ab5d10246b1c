//! The best bank of a multiplexer: a fixed capacitor, and one value at each of up to sixteen positions.
//!
//! ```text
//!   targets by frequency ─► neighbours share a position ─► where its peak should lie
//!   for every fixed capacitor: ─► the two values whose peaks lie beside it
//!                              ─► which neighbours: the split with the best score, by dynamic programming
//! ```
//! Only one position is switched in at a time, so that nothing couples one choice with another; the best groups are runs of
//! neighbours, because a value that serves two targets serves every one between them; and the peak falls as a value grows, so
//! that one of the two beside the wanted one is nearest.

use super::aim::{Aim, Measure};
use super::cents;
use super::found::{Choice, Found, GAP, NoPlan, score};
use super::stock::Place;
use super::tank::TankAlone;
use std::cell::Cell;

/// How often a plan is made anew because a part was used that is no longer there.
const REPAIRS: usize = 64;

/// Finds the bank with the smallest score.
///
/// # Errors
/// See [`NoPlan`].
pub fn best(tank: &TankAlone, aims: &[Aim], measure: Measure, choice: &Choice) -> Result<Found, NoPlan> {
    if let Some(aim) = aims.iter().find(|aim| tank.farads(aim.hertz) <= 0.0) {
        return Err(NoPlan::OutOfReach { hertz: aim.hertz });
    }
    let mut order: Vec<usize> = (0..aims.len()).collect();
    order.sort_by(|a, b| aims[*b].hertz.total_cmp(&aims[*a].hertz));
    let falling: Vec<Aim> = order.iter().map(|n| aims[*n]).collect();
    let runs = Runs::of(&falling, measure);
    let fixed = choice.kept_fixed.map_or_else(|| choice.fixed.clone(), |farads| vec![Place::kept(farads)]);

    let (mut best, mut bound) = (None::<Found>, f64::INFINITY);
    for fixed in fixed {
        let limit = best.as_ref().map_or(f64::INFINITY, |best| best.score);
        let mut split = Split::new(tank, &falling, &runs, choice, fixed);
        // As if there were as many of each as one wants: nothing with this fixed capacitor is better.
        let Some(mut groups) = split.best(limit) else { continue };
        bound = bound.min(groups.score);
        for _ in 0..REPAIRS {
            let bank = split.bank(&groups);
            let parts: Vec<usize> = bank.iter().chain([&fixed]).flat_map(Place::parts).collect();
            let Some(short) = parts.iter().find(|part| !choice.stock.fits(&used(&parts, **part))) else {
                let mut found = split.found(&groups, bank);
                if found.score < best.as_ref().map_or(f64::INFINITY, |best| best.score) {
                    // Back to the caller's order.
                    let by = |n: usize| order.iter().position(|place| *place == n).unwrap_or_default();
                    found.codes = (0..aims.len()).map(|n| found.codes[by(n)]).collect();
                    found.cents = (0..aims.len()).map(|n| found.cents[by(n)]).collect();
                    best = Some(found);
                }
                break;
            };
            // Places of the bank that take what is short stay as far as it goes; every other that would take it goes.
            let taken = |place: &Place| place.parts().filter(|part| part == short).count();
            let there = choice.stock.parts[*short].quantity.map_or(usize::MAX, |quantity| quantity as usize);
            let mut left = there.saturating_sub(taken(&fixed));
            let mut stay = Vec::new();
            for place in bank.iter().filter(|place| taken(place) > 0) {
                if let Some(less) = left.checked_sub(taken(place)) {
                    left = less;
                    stay.push(*place);
                }
            }
            split.keep(|place| taken(place) == 0 || stay.contains(place));
            let limit = best.as_ref().map_or(f64::INFINITY, |best| best.score);
            match split.best(limit) {
                Some(next) => groups = next,
                None => break,
            }
        }
    }
    let best = best.ok_or(NoPlan::Nothing)?;
    let bound = (bound.min(best.score) - GAP).max(0.0);
    Ok(best.bound_by(bound))
}

/// As often as it is used.
fn used(parts: &[usize], part: usize) -> Vec<usize> {
    parts.iter().copied().filter(|other| *other == part).collect()
}

/// Of the targets from one to before another: where one peak serves them best, and how well.
struct Runs {
    /// By first and count − 1: hertz, score of that one run as it adds up.
    best: Vec<Vec<[f64; 2]>>,
    measure: Measure,
    /// Cents of each target above the lowest.
    above: Vec<f64>,
    /// Up to each target: Σ w, Σ w·above, Σ w·above².
    sums: Vec<[f64; 3]>,
    weights: Vec<f64>,
    /// Whether all weigh the same.
    even: bool,
}

impl Runs {
    fn of(falling: &[Aim], measure: Measure) -> Self {
        let of = |from: usize| {
            let mut runs = Vec::new();
            let mut worst = (0.0, falling[from].hertz);
            let (mut sum, mut moment, mut square) = (0.0, 0.0, 0.0);
            for (count, aim) in falling[from..].iter().enumerate() {
                let below = cents(falling[from].hertz, aim.hertz);
                runs.push(match measure {
                    Measure::Worst => {
                        // The two that pull the hardest against each other.
                        for other in &falling[from..from + count] {
                            let apart = cents(aim.hertz, other.hertz);
                            let pull = aim.weight * other.weight / (aim.weight + other.weight) * apart;
                            if pull > worst.0 {
                                worst = (pull, aim.hertz * (pull / aim.weight / 1200.0).exp2());
                            }
                        }
                        [worst.1, worst.0]
                    }
                    Measure::Rms => {
                        sum += aim.weight;
                        moment += aim.weight * below;
                        square += aim.weight * below * below;
                        let middle = moment / sum;
                        [falling[from].hertz * (middle / 1200.0).exp2(), (square - moment * middle).max(0.0)]
                    }
                });
            }
            runs
        };
        let lowest = falling.last().map_or(1.0, |aim| aim.hertz);
        let above: Vec<f64> = falling.iter().map(|aim| cents(lowest, aim.hertz)).collect();
        let weights: Vec<f64> = falling.iter().map(|aim| aim.weight).collect();
        let mut sums = vec![[0.0; 3]];
        for (weight, above) in weights.iter().zip(&above) {
            let [w, m, s] = sums[sums.len() - 1];
            sums.push([w + weight, m + weight * above, s + weight * above * above]);
        }
        let even = weights.windows(2).all(|pair| pair[0] == pair[1]);
        Self { best: (0..falling.len()).map(of).collect(), measure, above, sums, weights, even }
    }

    /// What a run adds to the score when it peaks so many cents above the lowest target.
    fn cost(&self, from: usize, to: usize, peak: f64) -> f64 {
        let error = |n: usize| self.weights[n] * (peak - self.above[n]).abs();
        match self.measure {
            Measure::Worst if self.even => error(from).max(error(to - 1)),
            Measure::Worst => (from..to).map(error).fold(0.0, f64::max),
            Measure::Rms => {
                let [w, m, s] = std::array::from_fn(|n| self.sums[to][n] - self.sums[from][n]);
                (peak * (w * peak - 2.0 * m) + s).max(0.0)
            }
        }
    }

    fn at(&self, from: usize, to: usize) -> [f64; 2] {
        self.best[from][to - from - 1]
    }
}

/// One run of a split and what serves it.
#[derive(Clone, Copy)]
struct Group {
    from: usize,
    to: usize,
    server: Server,
}

#[derive(Clone, Copy, Debug)]
enum Server {
    /// A value of one's choice, by its number, at the next free position.
    Free(usize),
    /// Position that is soldered and stays.
    Kept(usize),
}

struct Groups {
    groups: Vec<Group>,
    score: f64,
}

/// With one fixed capacitor.
struct Split<'a> {
    tank: &'a TankAlone,
    falling: &'a [Aim],
    runs: &'a Runs,
    choice: &'a Choice,
    fixed: Place,
    /// What may stand at a position, ascending.
    places: Vec<Place>,
    /// Their peaks, cents above the lowest target; not a number until it is asked for.
    peaks: Vec<Cell<f64>>,
}

impl<'a> Split<'a> {
    fn new(tank: &'a TankAlone, falling: &'a [Aim], runs: &'a Runs, choice: &'a Choice, fixed: Place) -> Self {
        let places = choice.position.clone();
        let peaks = vec![Cell::new(f64::NAN); places.len()];
        Self { tank, falling, runs, choice, fixed, places, peaks }
    }

    /// Leaves only some places.
    fn keep(&mut self, stays: impl Fn(&Place) -> bool) {
        self.places.retain(stays);
        self.peaks = vec![Cell::new(f64::NAN); self.places.len()];
    }

    /// Peak with a capacitor switched in, cents above the lowest target.
    fn peak_with(&self, farads: f64) -> f64 {
        let lowest = self.falling.last().map_or(1.0, |aim| aim.hertz);
        cents(lowest, self.tank.peak_near(lowest, self.fixed.farads, &[(farads, true)]))
    }

    fn peak(&self, place: usize) -> f64 {
        if self.peaks[place].get().is_nan() {
            self.peaks[place].set(self.peak_with(self.places[place].farads));
        }
        self.peaks[place].get()
    }

    /// The value that serves a run best, and what it costs.
    fn serve(&self, from: usize, to: usize) -> Option<(f64, usize)> {
        let lowest = self.falling.last().map_or(1.0, |aim| aim.hertz);
        let wanted = cents(lowest, self.runs.at(from, to)[0]);
        let (mut low, mut high) = (0, self.places.len());
        while low < high {
            let middle = usize::midpoint(low, high);
            if self.peak(middle) > wanted { low = middle + 1 } else { high = middle }
        }
        let beside = low.saturating_sub(1)..(low + 1).min(self.places.len());
        beside.map(|place| (self.runs.cost(from, to, self.peak(place)), place)).min_by(|a, b| a.0.total_cmp(&b.0))
    }

    fn add(&self, before: f64, cost: f64) -> f64 {
        if self.runs.measure == Measure::Worst { before.max(cost) } else { before + cost }
    }

    /// The split with the best score; `None` when none is below the limit.
    fn best(&self, limit: f64) -> Option<Groups> {
        let count = self.falling.len();
        let free = self.choice.kept.iter().filter(|kept| kept.is_none()).count();
        // As the costs add up.
        let limit = match self.runs.measure {
            Measure::Worst => limit,
            Measure::Rms => limit * limit * super::aim::shares(self.falling),
        };
        let kept: Vec<(usize, f64)> = self
            .choice
            .kept
            .iter()
            .enumerate()
            .filter_map(|(position, farads)| Some((position, self.peak_with((*farads)?))))
            .collect();
        // By first and count − 1, as far as a run is below the limit.
        let mut served_by: Vec<Vec<(f64, Server)>> = vec![Vec::new(); count];
        let mut serves: Vec<Vec<Option<(f64, usize)>>> = vec![Vec::new(); count];
        for from in 0..count {
            for to in from + 1..=count {
                let stays = kept.iter().map(|(position, peak)| (self.runs.cost(from, to, *peak), *position));
                let stays = stays.min_by(|a, b| a.0.total_cmp(&b.0));
                let stays = stays.map_or((f64::INFINITY, Server::Kept(0)), |(cost, n)| (cost, Server::Kept(n)));
                // A longer run only gets worse.
                let free_is_out = self.runs.at(from, to)[1] >= limit;
                if free_is_out && stays.0 >= limit {
                    break;
                }
                serves[from].push(if free_is_out { None } else { self.serve(from, to) });
                served_by[from].push(stays);
            }
        }
        let mut least = vec![vec![(f64::INFINITY, None::<Group>); count + 1]; free + 1];
        least[0][0].0 = 0.0;
        for used in 0..=free {
            for to in 1..=count {
                let mut here = (f64::INFINITY, None);
                for from in (0..to).rev() {
                    let mut consider = |before: f64, cost: f64, server: Server| {
                        let whole = self.add(before, cost);
                        if whole < here.0 {
                            here = (whole, Some(Group { from, to, server }));
                        }
                    };
                    let Some((cost, server)) = served_by[from].get(to - from - 1) else { continue };
                    consider(least[used][from].0, *cost, *server);
                    if let Some((cost, place)) = serves[from][to - from - 1].filter(|_| used > 0) {
                        consider(least[used - 1][from].0, cost, Server::Free(place));
                    }
                }
                least[used][to] = here;
            }
        }
        let mut used = (0..=free).min_by(|a, b| least[*a][count].0.total_cmp(&least[*b][count].0))?;
        let whole = least[used][count].0;
        if whole >= limit {
            return None;
        }
        let (mut groups, mut to) = (Vec::new(), count);
        while to > 0 {
            let group = least[used][to].1?;
            used -= usize::from(matches!(group.server, Server::Free(_)));
            to = group.from;
            groups.push(group);
        }
        groups.reverse();
        // Neighbours that take the same value share its position.
        groups.dedup_by(|next, group| {
            let same = matches!((next.server, group.server), (Server::Free(a), Server::Free(b)) if a == b);
            if same {
                group.to = next.to;
            }
            same
        });
        let score = match self.runs.measure {
            Measure::Worst => whole,
            Measure::Rms => (whole / super::aim::shares(self.falling)).sqrt(),
        };
        Some(Groups { groups, score })
    }

    /// Positions in order: what is kept where it is, the others from the highest peak down; free ones that nothing needs are left out
    /// at the end.
    fn bank(&self, groups: &Groups) -> Vec<Place> {
        let mut free = groups.groups.iter().filter_map(|group| match group.server {
            Server::Free(place) => Some(self.places[place]),
            Server::Kept(_) => None,
        });
        let mut bank = Vec::new();
        let last = self.choice.kept.iter().rposition(Option::is_some);
        for (position, kept) in self.choice.kept.iter().enumerate() {
            match kept {
                Some(farads) => bank.push(Place::kept(*farads)),
                None => match free.next() {
                    Some(place) => bank.push(place),
                    // An empty position before one that is kept.
                    None if last > Some(position) => bank.push(Place::kept(0.0)),
                    None => break,
                },
            }
        }
        bank
    }

    fn found(&self, groups: &Groups, bank: Vec<Place>) -> Found {
        let open: Vec<usize> = (0..self.choice.kept.len()).filter(|n| self.choice.kept[*n].is_none()).collect();
        let (mut codes, mut off) = (Vec::new(), Vec::new());
        let mut free = open.into_iter();
        for group in &groups.groups {
            let position = match group.server {
                Server::Free(_) => free.next().unwrap_or_default(),
                Server::Kept(position) => position,
            };
            let lowest = self.falling.last().map_or(1.0, |aim| aim.hertz);
            let peak = lowest * (self.peak_with(bank[position].farads) / 1200.0).exp2();
            for aim in &self.falling[group.from..group.to] {
                codes.push(position as u8);
                off.push(cents(aim.hertz, peak));
            }
        }
        let score = score(self.runs.measure, self.falling, &off);
        Found { fixed: self.fixed, bank, codes, cents: off, score, bound: 0.0, proved: false }
    }
}

#[cfg(test)]
mod tests {
    use super::super::found::free;
    use super::*;
    use crate::series::Series;
    use tritank_dsp::board::Board;
    use tritank_dsp::knobs::Settings;

    fn tank(stage: usize) -> TankAlone {
        let board = Board::built_in();
        TankAlone::of(&board, &Settings::of(&board), [0; 3], stage).unwrap()
    }

    fn aims(hertz: &[f64]) -> Vec<Aim> {
        hertz
            .iter()
            .zip([1.0, 0.7, 1.9, 1.0, 1.3])
            .map(|(&hertz, weight)| Aim { hertz, weight, share: weight })
            .collect()
    }

    /// Every choice of three positions, one after another; with as many of each value as one wants and with one of each.
    #[test]
    fn nothing_is_better_than_the_best() {
        for (stage, hertz) in [(0, [290.0, 310.0, 430.0, 700.0, 850.0]), (1, [900.0, 1100.0, 1700.0, 2290.0, 2700.0])] {
            let (tank, aims) = (tank(stage), aims(&hertz));
            let whole = tank.farads(hertz[2]);
            let values: Vec<f64> = [0.05, 0.15, 0.3, 0.5, 0.8, 1.3, 2.0].iter().map(|part| part * whole).collect();
            for (measure, quantity) in
                [(Measure::Worst, None), (Measure::Rms, None), (Measure::Worst, Some(1)), (Measure::Rms, Some(1))]
            {
                let mut choice = free(&values, false, 3);
                for part in &mut choice.stock.parts {
                    part.quantity = quantity;
                }
                let mut truth = f64::MAX;
                for (f, &fixed) in values.iter().enumerate() {
                    let peaks: Vec<f64> = values.iter().map(|&farads| tank.peak(fixed, &[(farads, true)])).collect();
                    for a in 0..7 {
                        for b in 0..7 {
                            for c in 0..7 {
                                let twice = a == b || b == c || c == a || [a, b, c].contains(&f);
                                if quantity.is_some() && twice {
                                    continue;
                                }
                                let off = |aim: &Aim| {
                                    let near = [a, b, c].map(|n| cents(aim.hertz, peaks[n]).abs());
                                    near.into_iter().fold(f64::MAX, f64::min)
                                };
                                truth = truth.min(measure.of(&aims, aims.iter().map(off)));
                            }
                        }
                    }
                }
                let best = best(&tank, &aims, measure, &choice).unwrap();
                assert!(best.bound <= truth, "stage {}: {} against {truth}", stage + 1, best.bound);
                if quantity.is_none() {
                    assert!(best.proved);
                    assert!((best.score - truth).abs() < 1e-3, "stage {}: {} against {truth}", stage + 1, best.score);
                } else {
                    assert!(best.score >= truth - 1e-3 && best.score < 1.2 * truth, "{} against {truth}", best.score);
                }
            }
        }
    }

    /// A value that serves two neighbours takes one position; a thousand targets take no time.
    #[test]
    fn no_value_stands_at_two_positions() {
        for (series, stage) in [(Series::E6, 1), (Series::E12, 0), (Series::E12, 2), (Series::E24, 2)] {
            let aims: Vec<Aim> = (0..1000)
                .map(|n| [400.0, 1500.0, 2500.0][stage] * (f64::from(n) / 1000.0 - 0.5).exp2())
                .map(|hertz| Aim { hertz, weight: 1.0, share: 1.0 })
                .collect();
            let choice = free(&series.values(1e-9, 1e-6), false, 16);
            let mut bank = best(&tank(stage), &aims, Measure::Worst, &choice).unwrap().bank;
            let count = bank.len();
            bank.sort_by(|a, b| a.farads.total_cmp(&b.farads));
            bank.dedup();
            assert_eq!(bank.len(), count, "{series}, stage {}", stage + 1);
        }
    }

    /// A part of which there are two serves the fixed capacitor and a position, too.
    #[test]
    fn the_fixed_capacitor_leaves_what_there_is_more_of() {
        let tank = tank(0);
        let part = |farads, quantity| super::super::stock::Part { farads, marked: farads, quantity: Some(quantity) };
        let stock = super::super::stock::Stock { parts: vec![part(330e-9, 1), part(68e-9, 2)] };
        let (fixed, position) = (stock.singles(), stock.singles());
        let choice = Choice { stock, fixed, position, kept_fixed: None, kept: vec![None; 4] };
        let aims: Vec<Aim> = [tank.peak(68e-9, &[(68e-9, true)]), tank.peak(68e-9, &[(330e-9, true)])]
            .map(|hertz| Aim { hertz, weight: 1.0, share: 1.0 })
            .to_vec();
        let best = best(&tank, &aims, Measure::Worst, &choice).unwrap();
        assert!(best.score < 0.1 && best.fixed.farads == 68e-9, "{best:?}");
    }

    /// Sixteen positions of one or two E24 parts for the vowels of men and women: the bounds that were set for it.
    #[test]
    fn sixteen_positions_come_within_the_bounds_set() {
        let choice = free(&Series::E24.values(1e-9, 1e-6), true, 16);
        let vowels: Vec<_> = crate::plan::vowels::table().into_iter().filter(|v| v.group != "children").collect();
        for (stage, percent) in [2.5, 2.5, 1.0].into_iter().enumerate() {
            let aims: Vec<Aim> =
                vowels.iter().map(|vowel| Aim { hertz: vowel.formants()[stage], weight: 1.0, share: 1.0 }).collect();
            let best = best(&tank(stage), &aims, Measure::Worst, &choice).unwrap();
            let worst = 100.0 * ((best.worst() / 1200.0).exp2() - 1.0);
            println!("stage {}: {worst:.3} %, {} positions", stage + 1, best.bank.len());
            assert!(worst < percent && best.proved, "{worst}");
        }
    }
}

//! The best bank of a multiplexer: a fixed capacitor, and one value at each of up to sixteen positions.
//!
//! ```text
//!   targets by frequency ─► neighbours share a position ─► where its peak should lie
//!   for every fixed capacitor: ─► the capacitor that would peak there ─► the two values beside it
//!                              ─► which neighbours: the split with the best score, by dynamic programming
//! ```
//! Only one position is switched in at a time, so that nothing couples one choice with another; the best groups are runs of
//! neighbours, because a value that serves two targets serves every one between them; and the peak falls as a value grows, so
//! that one of the two beside the wanted one is nearest. A capacitor whose reactance is not above the switch's own resistance
//! is none, and is left out.

use super::aim::{Aim, Measure};
use super::cents;
use super::found::{Choice, Found, GAP, NoPlan, score};
use super::stock::Place;
use super::tank::TankAlone;
use std::f64::consts::TAU;

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
    let lowest = falling.last().map_or(f64::MAX, |aim| aim.hertz);
    let is_one = |place: &&Place| TAU * lowest * tank.on() * place.farads < 1.0;
    let places: Vec<Place> = choice.position.iter().filter(is_one).copied().collect();
    let fixed = choice.kept_fixed.map_or_else(|| choice.fixed.clone(), |farads| vec![Place::kept(farads)]);

    let (mut best, mut bound) = (None::<Found>, f64::INFINITY);
    for fixed in fixed {
        let limit = best.as_ref().map_or(f64::INFINITY, |best| best.score);
        let mut split = Split { tank, falling: &falling, measure, runs: &runs, choice, fixed, places: places.clone() };
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
            // One place that takes what is short stays; every other that would take it goes.
            let stays = if fixed.parts().any(|part| part == *short) {
                None
            } else {
                bank.iter().find(|place| place.parts().any(|part| part == *short)).copied()
            };
            split.places.retain(|place| Some(*place) == stays || place.parts().all(|part| part != *short));
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
        Self { best: (0..falling.len()).map(of).collect() }
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

#[derive(Clone, Copy)]
enum Server {
    /// A value of one's choice, at the next free position.
    Free(Place),
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
    measure: Measure,
    runs: &'a Runs,
    choice: &'a Choice,
    fixed: Place,
    places: Vec<Place>,
}

impl Split<'_> {
    fn peak(&self, guess: f64, farads: f64) -> f64 {
        self.tank.peak_near(guess, self.fixed.farads, &[(farads, true)])
    }

    /// What a run adds to the score when it peaks there.
    fn cost(&self, from: usize, to: usize, peak: f64) -> f64 {
        let errors = self.falling[from..to].iter().map(|aim| (aim.weight, cents(aim.hertz, peak)));
        match self.measure {
            Measure::Worst => errors.map(|(weight, cents)| weight * cents.abs()).fold(0.0, f64::max),
            Measure::Rms => errors.map(|(weight, cents)| weight * cents * cents).sum(),
        }
    }

    /// The value that serves a run best.
    fn serve(&self, from: usize, to: usize) -> Option<(f64, Place)> {
        let [hertz, _] = self.runs.at(from, to);
        let next = match self.tank.switched(hertz, self.fixed.farads) {
            Some(farads) => self.places.partition_point(|place| place.farads < farads),
            None if self.tank.farads(hertz) <= self.fixed.farads => 0,
            None => self.places.len(),
        };
        let beside = self.places[next.saturating_sub(1)..(next + 1).min(self.places.len())].iter();
        beside
            .map(|place| (self.cost(from, to, self.peak(hertz, place.farads)), *place))
            .min_by(|a, b| a.0.total_cmp(&b.0))
    }

    fn add(&self, before: f64, cost: f64) -> f64 {
        if self.measure == Measure::Worst { before.max(cost) } else { before + cost }
    }

    /// The split with the best score; `None` when none is below the limit.
    fn best(&self, limit: f64) -> Option<Groups> {
        let count = self.falling.len();
        let free = self.choice.kept.iter().filter(|kept| kept.is_none()).count();
        // As the costs add up.
        let limit = match self.measure {
            Measure::Worst => limit,
            Measure::Rms => limit * limit * super::aim::shares(self.falling),
        };
        let kept: Vec<(usize, f64)> = self
            .choice
            .kept
            .iter()
            .enumerate()
            .filter_map(|(position, farads)| Some((position, self.peak(self.falling[0].hertz, (*farads)?))))
            .collect();
        let mut serves: Vec<Vec<Option<(f64, Place)>>> = vec![vec![None; count + 1]; count];
        for from in 0..count {
            for to in from + 1..=count {
                // A longer run only gets worse.
                if self.runs.at(from, to)[1] >= limit {
                    break;
                }
                serves[from][to] = self.serve(from, to);
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
                    if let Some((cost, place)) = serves[from][to].filter(|_| used > 0) {
                        consider(least[used - 1][from].0, cost, Server::Free(place));
                    }
                    for &(position, peak) in &kept {
                        consider(least[used][from].0, self.cost(from, to, peak), Server::Kept(position));
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
        let score = match self.measure {
            Measure::Worst => whole,
            Measure::Rms => (whole / super::aim::shares(self.falling)).sqrt(),
        };
        Some(Groups { groups, score })
    }

    /// Positions in order: what is kept where it is, the others from the highest peak down; free ones that nothing needs are left out
    /// at the end.
    fn bank(&self, groups: &Groups) -> Vec<Place> {
        let mut free = groups.groups.iter().filter_map(|group| match group.server {
            Server::Free(place) => Some(place),
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
            let [hertz, _] = self.runs.at(group.from, group.to);
            let peak = self.peak(hertz, bank[position].farads);
            for aim in &self.falling[group.from..group.to] {
                codes.push(position as u8);
                off.push(cents(aim.hertz, peak));
            }
        }
        let score = score(self.measure, self.falling, &off);
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

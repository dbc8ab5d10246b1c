//! The best bank of a multiplexer: a fixed capacitor, and one value at each of up to sixteen positions.
//!
//! ```text
//!   for every fixed capacitor:   targets by frequency ─► neighbours share a position ─► the value whose peak lies midmost
//!                                which neighbours: the split whose worst position is best, by dynamic programming
//! ```
//! Only one position is switched in at a time, so that nothing couples one choice with another; and the best groups are runs of
//! neighbours, because a value that serves two targets serves every one between them.

use super::cents;
use super::parallel::NoPlan;
use super::tank::TankAlone;

/// A bank and what it makes of the targets.
#[derive(Clone, Debug, PartialEq)]
pub struct Best {
    /// Fixed capacitor, farads.
    pub fixed: f64,
    /// Capacitors by position, the highest peak first, farads.
    pub bank: Vec<f64>,
    /// Peak under every position, hertz.
    pub peaks: Vec<f64>,
    /// The position for each target.
    pub codes: Vec<u8>,
    /// Error of the target that is farthest off, cents.
    pub worst: f64,
}

/// One value switched in.
#[derive(Clone, Copy)]
struct Place {
    farads: f64,
    peak: f64,
}

/// Targets from one to before another, and their value.
type Run = (usize, usize, Place);

/// Finds the bank with the smallest worst error over `positions` positions. `fixed` and `values` are what can be soldered there,
/// farads, in any number each; a value may stand for two parts.
///
/// # Errors
/// When there are no values, or a target that the coil cannot be tuned to.
pub fn best(
    tank: &TankAlone,
    targets_hz: &[f64],
    fixed: &[f64],
    values: &[f64],
    positions: usize,
) -> Result<Best, NoPlan> {
    if let Some(hertz) = targets_hz.iter().copied().find(|hertz| tank.farads(*hertz) <= 0.0) {
        return Err(NoPlan::OutOfReach { hertz });
    }
    let mut order: Vec<usize> = (0..targets_hz.len()).collect();
    order.sort_by(|a, b| targets_hz[*b].total_cmp(&targets_hz[*a]));
    let falling: Vec<f64> = order.iter().map(|n| targets_hz[*n]).collect();
    let mut values = values.to_vec();
    values.sort_by(f64::total_cmp);
    values.dedup();
    let mut best: Option<Best> = None;
    for &fixed in fixed {
        // Nothing that is switched in raises the peak.
        let limit = best.as_ref().map_or(f64::MAX, |best| best.worst);
        if falling.first().is_some_and(|hertz| cents(tank.peak(fixed, &[]), *hertz) >= limit) {
            continue;
        }
        let mut places: Vec<Place> =
            values.iter().map(|&farads| Place { farads, peak: tank.peak(fixed, &[(farads, true)]) }).collect();
        // Not by their values: a large capacitor behind a switch that is not small beside it hardly lowers the peak.
        places.sort_by(|a, b| b.peak.total_cmp(&a.peak));
        if let Some((worst, groups)) = split(&falling, &places, positions, limit) {
            let mut codes = vec![0; falling.len()];
            for (code, (from, to, _)) in groups.iter().enumerate() {
                order[*from..*to].iter().for_each(|target| codes[*target] = code as u8);
            }
            let bank = groups.iter().map(|(_, _, place)| place.farads).collect();
            let peaks = groups.iter().map(|(_, _, place)| place.peak).collect();
            best = Some(Best { fixed, bank, peaks, codes, worst });
        }
    }
    best.ok_or(NoPlan::Nothing)
}

/// Splits falling targets into at most so many runs; the worst error, and each run with its value. `None` when nothing is better
/// than the limit.
fn split(falling: &[f64], places: &[Place], positions: usize, limit: f64) -> Option<(f64, Vec<Run>)> {
    let count = falling.len();
    // Of the run from..to: its best value and error.
    let run = |from: usize, to: usize| -> Option<(f64, Place)> {
        let (high, low) = (falling[from], falling[to - 1]);
        let middle = (high * low).sqrt();
        let next = places.partition_point(|place| place.peak > middle);
        let near = places[next.saturating_sub(1)..(next + 1).min(places.len())].iter();
        near.map(|place| (cents(high, place.peak).abs().max(cents(low, place.peak).abs()), *place))
            .min_by(|a, b| a.0.total_cmp(&b.0))
    };
    let mut least = vec![vec![(f64::MAX, 0usize); count + 1]; positions + 1];
    least[0][0].0 = 0.0;
    for used in 1..=positions {
        for to in 1..=count {
            for from in (0..to).rev() {
                let before = least[used - 1][from].0;
                let Some((error, _)) = run(from, to) else { continue };
                // A longer run only gets worse.
                if cents(falling[to - 1], falling[from]) * 0.5 >= limit.min(least[used][to].0) {
                    break;
                }
                let worst = before.max(error);
                if worst < least[used][to].0 {
                    least[used][to] = (worst, from);
                }
            }
        }
    }
    let used = (1..=positions).min_by(|a, b| least[*a][count].0.total_cmp(&least[*b][count].0))?;
    let worst = least[used][count].0;
    if worst >= limit {
        return None;
    }
    let (mut groups, mut to) = (Vec::new(), count);
    for used in (1..=used).rev() {
        let from = least[used][to].1;
        groups.push((from, to, run(from, to)?.1));
        to = from;
    }
    groups.reverse();
    Some((worst, groups))
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

    fn e24() -> Vec<f64> {
        let e24 = [10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91];
        [1e-10, 1e-9, 1e-8].iter().flat_map(|decade| e24.iter().map(move |n| f64::from(*n) * decade)).collect()
    }

    /// Every choice of three positions, one after another.
    #[test]
    fn nothing_is_better_than_the_best() {
        for (stage, targets) in [(0, [290.0, 310.0, 430.0, 700.0, 850.0]), (1, [900.0, 1100.0, 1700.0, 2290.0, 2700.0])]
        {
            let tank = tank(stage);
            let whole = tank.farads(targets[2]);
            let values: Vec<f64> = [0.05, 0.15, 0.3, 0.5, 0.8, 1.3, 2.0].iter().map(|part| part * whole).collect();
            let mut truth = f64::MAX;
            for &fixed in &values {
                let peaks: Vec<f64> = values.iter().map(|&farads| tank.peak(fixed, &[(farads, true)])).collect();
                for a in &peaks {
                    for b in &peaks {
                        for c in &peaks {
                            let off = |hertz: &f64| {
                                [a, b, c].map(|peak| cents(*hertz, *peak).abs()).into_iter().fold(f64::MAX, f64::min)
                            };
                            truth = truth.min(targets.iter().map(off).fold(0.0, f64::max));
                        }
                    }
                }
            }
            let best = best(&tank, &targets, &values, &values, 3).unwrap();
            assert!((best.worst - truth).abs() < 1e-9, "stage {}: {} against {truth}", stage + 1, best.worst);
        }
    }

    /// Sixteen positions of one or two E24 parts for the vowels of men and women: the bounds that were set for it.
    #[test]
    fn sixteen_positions_come_within_the_bounds_set() {
        let single = e24();
        let mut values = single.clone();
        for (n, a) in single.iter().enumerate() {
            values.extend(single[n..].iter().flat_map(|b| [a + b, a * b / (a + b)]));
        }
        let vowels: Vec<_> = crate::plan::vowels::table().into_iter().filter(|v| v.group != "children").collect();
        for (stage, percent) in [2.5, 2.5, 1.0].into_iter().enumerate() {
            let targets: Vec<f64> = vowels.iter().map(|vowel| vowel.formants()[stage]).collect();
            let best = best(&tank(stage), &targets, &single, &values, 16).unwrap();
            let worst = 100.0 * ((best.worst / 1200.0).exp2() - 1.0);
            println!("stage {}: {worst:.3} %, fixed {:.1e}, {} positions", stage + 1, best.fixed, best.bank.len());
            assert!(worst < percent, "{worst}");
        }
    }
}

//! Three stages out of one drawer.
//!
//! ```text
//!   each stage as if it were alone ─► a part that is taken more often than it is there?
//!     no  ─► that is it
//!     yes ─► for each stage that takes it: the same with one less for that stage; the most promising goes first
//! ```
//! What a stage finds alone is never worse than what it finds with less. So the first way in which nothing is taken too often has the
//! smallest sum of scores, each counted in what one speaker's repeats differ by.

use super::Asked;
use super::aim::Unit;
use super::found::Found;
use super::stock::Stock;
use crate::fault::Fault;
use tritank_dsp::board::BankKind;

/// What one speaker's repeats differ by, percent: median of F1, F2 and F3 (Peterson and Barney 1952).
const REPEAT_PERCENT: [f64; 3] = [5.0, 3.7, 2.8];
/// Ways that are tried; then the stages choose one after another.
const MOST_WAYS: usize = 60;

/// Some way of sharing out: what each stage may take, and what it makes of it.
#[derive(Clone)]
struct Way {
    stock: [Stock; 3],
    found: [Found; 3],
}

/// The best bank of every stage, found by `search` from the stock of a stage, so that all of them together take no more than there
/// is.
///
/// # Errors
/// Those of the search, or too few parts.
///
/// # Panics
/// Never: every search runs to its end.
pub(super) fn out(
    asked: &Asked<'_>,
    search: impl Fn(usize, &Stock, bool) -> Result<Found, Fault> + Sync,
) -> Result<[Found; 3], Fault> {
    let stock = &asked.values.stock;
    let (search, pairs) = (&search, asked.values.pairs);
    enough(asked)?;
    let alone = std::thread::scope(|scope| {
        let of = |stage: usize| scope.spawn(move || search(stage, stock, pairs));
        [0, 1, 2].map(of).map(|running| running.join().expect("a search runs to its end"))
    });
    let [one, two, three] = alone;
    let first = Way { stock: [stock.clone(), stock.clone(), stock.clone()], found: [one?, two?, three?] };
    let score = |way: &Way| -> f64 { (0..3).map(|stage| way.found[stage].score / unit(asked, stage)).sum() };
    let mut ways = vec![first.clone()];
    for _ in 0..MOST_WAYS {
        let Some(best) = (0..ways.len()).min_by(|a, b| score(&ways[*a]).total_cmp(&score(&ways[*b]))) else { break };
        let way = ways.swap_remove(best);
        let Some((part, taken)) = taken_too_often(stock, &way.found) else { return Ok(way.found) };
        for (stage, taken) in taken.into_iter().enumerate().filter(|(_, taken)| *taken > 0) {
            let mut less = way.clone();
            less.stock[stage].parts[part].quantity = Some(taken - 1);
            if let Ok(found) = search(stage, &less.stock[stage], pairs) {
                less.found[stage] = found;
                ways.push(less);
            }
        }
    }
    one_after_another(asked, search, &first)
}

fn unit(asked: &Asked<'_>, stage: usize) -> f64 {
    match asked.unit {
        Unit::Cents => 1200.0 * (1.0 + 0.01 * REPEAT_PERCENT[stage]).log2(),
        Unit::Heard => 1.0,
    }
}

/// Refuses fewer parts than the lines need: each that is free gets one, and so does each fixed capacitor.
fn enough(asked: &Asked<'_>) -> Result<(), Fault> {
    let Some(given) = asked.values.stock.parts.iter().map(|part| part.quantity).sum::<Option<u32>>() else {
        return Ok(());
    };
    let needed: usize = (0..3)
        .map(|stage| {
            let kept = asked.kept.map(|kept| &kept[stage]);
            let fixed = usize::from(kept.is_none_or(|kept| kept.fixed.is_none()));
            let lines = match asked.kind {
                BankKind::Parallel => {
                    asked.positions() - kept.map_or(0, |kept| kept.bank.iter().filter(|place| place.is_some()).count())
                }
                BankKind::Select => 0,
            };
            fixed + lines
        })
        .sum();
    if (given as usize) < needed {
        return Err(Fault::new(format!(
            "given {given} capacitors, allowed are {needed} or more: every free line and every fixed capacitor takes one"
        )));
    }
    Ok(())
}

/// A part that all together take more often than it is there, and how often each takes it.
fn taken_too_often(stock: &Stock, found: &[Found; 3]) -> Option<(usize, [u32; 3])> {
    let parts = found.each_ref().map(Found::parts);
    stock.parts.iter().enumerate().find_map(|(part, there)| {
        let taken = parts.each_ref().map(|parts| parts.iter().filter(|other| **other == part).count() as u32);
        (taken.iter().sum::<u32>() > there.quantity?).then_some((part, taken))
    })
}

/// Every stage of what those before it leave, in the best of all orders; nothing is proved but what each could do alone.
fn one_after_another(
    asked: &Asked<'_>,
    search: &(impl Fn(usize, &Stock, bool) -> Result<Found, Fault> + Sync),
    alone: &Way,
) -> Result<[Found; 3], Fault> {
    let mut best: Option<(f64, [Found; 3])> = None;
    let mut short = None;
    let orders = [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]];
    // Two parts at a position may leave the last with nothing; one may not.
    let ways = [true, false].into_iter().filter(|pairs| asked.values.pairs || !pairs);
    for (pairs, order) in ways.flat_map(|pairs| orders.map(|order| (pairs, order))) {
        let mut left = asked.values.stock.clone();
        let mut found = alone.found.clone();
        let mut score = 0.0;
        let whole = order.iter().try_for_each(|&stage| {
            let bound = alone.found[stage].bound;
            found[stage] = Found { bound, proved: false, ..search(stage, &left, pairs)? };
            score += found[stage].score / unit(asked, stage);
            for part in found[stage].parts() {
                if let Some(quantity) = &mut left.parts[part].quantity {
                    *quantity -= 1;
                }
            }
            Ok::<_, Fault>(())
        });
        match whole {
            Err(fault) => short = Some(fault),
            Ok(()) if best.as_ref().is_none_or(|best| score < best.0) => best = Some((score, found)),
            Ok(()) => {}
        }
    }
    best.map(|(_, found)| found)
        .ok_or_else(|| short.unwrap_or_else(|| Fault::new("given too few parts for three stages")))
}

#[cfg(test)]
mod tests {
    use super::super::found::GAP;
    use super::super::stock::{Made, Part, Place};
    use super::super::targets::Target;
    use super::super::{Plan, Values, cents};
    use super::*;
    use tritank_dsp::board::Board;
    use tritank_dsp::knobs::Settings;

    /// A search for one part: the nearest to what the stage wants, in cents of capacitance.
    fn nearest(wants: f64, stock: &Stock) -> Result<Found, Fault> {
        let there = stock.singles();
        let off = |place: &Place| cents(wants, place.farads).abs();
        let place =
            there.iter().min_by(|a, b| off(a).total_cmp(&off(b))).ok_or_else(|| Fault::new("given no parts"))?;
        let score = off(place);
        Ok(Found { fixed: *place, bank: vec![], codes: vec![0], cents: vec![score], score, bound: score, proved: true })
    }

    /// Every way of giving three stages one part each, one after another.
    #[test]
    fn no_other_way_of_sharing_out_is_better() {
        let mut seed = 3u64;
        let mut random = || {
            seed ^= seed << 13;
            seed ^= seed >> 7;
            seed ^= seed << 17;
            (seed >> 11) as f64 / (1u64 << 53) as f64
        };
        for _ in 0..200 {
            let part = |farads: f64| Part { farads, marked: farads, quantity: Some(1 + u32::from(farads > 3.0)) };
            let stock = Stock { parts: (0..5).map(|_| part(1.0 + (4.0 * random()).floor())).collect() };
            let wants = [0; 3].map(|_| 1.0 + 3.0 * random());
            let values = Values::of(stock.clone(), false);
            let target = Target { name: "a".into(), group: String::new(), hertz: [500.0; 3], weight: 1.0 };
            let targets = [target];
            let asked = Asked::of(BankKind::Select, &targets, &values);
            let found = out(&asked, |stage, stock, _| nearest(wants[stage], stock)).unwrap();
            let sum = |off: [f64; 3]| -> f64 { (0..3).map(|stage| off[stage] / unit(&asked, stage)).sum() };
            let mut least = f64::INFINITY;
            for way in 0..125 {
                let taken = [way % 5, way / 5 % 5, way / 25];
                if stock.fits(&taken) {
                    let off = |stage: usize| cents(wants[stage], stock.parts[taken[stage]].farads).abs();
                    least = least.min(sum([0, 1, 2].map(off)));
                }
            }
            let here = sum(found.each_ref().map(|found| found.score));
            assert!((here - least).abs() < 1e-9, "{here} against {least}");
        }
        let values = Values::of(Stock { parts: vec![Part { farads: 1.0, marked: 1.0, quantity: Some(2) }] }, false);
        assert!(out(&Asked::of(BankKind::Select, &[], &values), |_, stock, _| nearest(1.0, stock)).is_err());
    }

    /// Coils that are alike want the same capacitors, of which there is one each.
    #[test]
    fn stages_that_want_the_same_part_share_them_out() {
        let mut board = Board::built_in();
        let first = board.stage1.clone();
        (board.stage2, board.stage3) = (first.clone(), first);
        let hertz = [[300.0; 3], [500.0; 3], [700.0; 3], [850.0; 3]];
        let targets = hertz.map(|hertz| Target { name: "a".into(), group: String::new(), hertz, weight: 1.0 });
        let values: Vec<f64> = crate::series::Series::E12.values(10e-9, 680e-9);
        let part = |&farads: &f64| Part { farads, marked: farads, quantity: Some(1) };
        let values = Values::of(Stock { parts: values.iter().map(part).collect() }, false);
        for kind in [BankKind::Parallel, BankKind::Select] {
            let plan = Plan::of(&board, &Settings::of(&board), Asked::of(kind, &targets, &values)).unwrap();
            let mut taken: Vec<usize> = plan.stages.iter().flat_map(|stage| stage.found.parts()).collect();
            let count = taken.len();
            taken.sort_unstable();
            taken.dedup();
            assert_eq!(taken.len(), count, "{kind:?}: a part is taken twice");
            assert!(plan.stages.iter().all(|stage| stage.found.fixed.made != Made::Kept));
            assert!(plan.stages.iter().all(|stage| stage.found.bound <= stage.found.score + GAP));
        }
    }
}

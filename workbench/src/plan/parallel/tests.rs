//! Planned banks against brute force.

use super::super::found::free;
use super::super::stock::{Part, Stock};
use super::*;
use crate::series::Series;
use tritank_dsp::board::Board;
use tritank_dsp::knobs::Settings;

const MOST: u64 = 100_000_000;

fn tank(stage: usize) -> TankAlone {
    let board = Board::built_in();
    TankAlone::of(&board, &Settings::of(&board), [0; 3], stage).unwrap()
}

fn aims(hertz: &[f64]) -> Vec<Aim> {
    hertz.iter().map(|&hertz| Aim { hertz, weight: 1.0, share: 1.0 }).collect()
}

fn vowels(stage: usize) -> Vec<Aim> {
    let vowels = crate::plan::vowels::table().into_iter().filter(|v| v.group != "children");
    vowels.map(|vowel| Aim { hertz: vowel.formants()[stage], weight: 1.0, share: 1.0 }).collect()
}

/// A generator without a crate (G. Marsaglia, "Xorshift RNGs", J. Stat. Softw. 8 (2003) 14).
struct Random(u64);

impl Random {
    fn unit(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// Every bank of a few values, one after another.
fn brute_force(tank: &TankAlone, aims: &[Aim], measure: Measure, choice: &Choice) -> f64 {
    let mut least = f64::MAX;
    let count = choice.position.len();
    for number in 0..count.pow(5) {
        let digit = |n: u32| number / count.pow(n) % count;
        if (1..4).any(|n| digit(n) > digit(n + 1)) {
            continue;
        }
        let bank: [Place; LINES] = std::array::from_fn(|n| choice.position[digit(n as u32 + 1)]);
        let fixed = choice.fixed[digit(0)];
        let parts: Vec<usize> = bank.iter().chain([&fixed]).flat_map(Place::parts).collect();
        if !choice.stock.fits(&parts) {
            continue;
        }
        let peaks: Vec<f64> = (0..CODES)
            .map(|code| {
                tank.peak(fixed.farads, &std::array::from_fn::<_, LINES, _>(|n| (bank[n].farads, code >> n & 1 == 1)))
            })
            .collect();
        let off = |aim: &Aim| peaks.iter().map(|peak| cents(aim.hertz, *peak).abs()).fold(f64::MAX, f64::min);
        least = least.min(measure.of(aims, aims.iter().map(off)));
    }
    least
}

/// Small instances against brute force: both measures, weights, as many as one wants and one of each.
#[test]
fn nothing_is_better_than_the_best() {
    let mut random = Random(7);
    for stage in 0..3 {
        let tank = tank(stage);
        for round in 0..4 {
            let middle = [500.0, 1700.0, 2800.0][stage];
            let mut targets: Vec<Aim> = aims(&[0.0; 6].map(|_| middle * (random.unit() - 0.5).exp2()));
            let whole = tank.farads(middle);
            let mut values: Vec<f64> = (0..6).map(|_| whole * 0.7 * random.unit().powi(2).max(0.02)).collect();
            values.sort_by(f64::total_cmp);
            let mut choice = free(&values, false, LINES);
            if round % 2 == 1 {
                for part in &mut choice.stock.parts {
                    part.quantity = Some(1);
                }
                for aim in &mut targets {
                    aim.weight = 0.5 + random.unit();
                    aim.share = 0.5 + random.unit();
                }
            }
            let measure = if round < 2 { Measure::Worst } else { Measure::Rms };
            let truth = brute_force(&tank, &targets, measure, &choice);
            let best = best(&tank, &targets, measure, &choice, None, MOST).unwrap();
            assert!(best.proved && best.bound <= truth + 1e-3, "{} against {truth}", best.bound);
            assert!((best.score - truth).abs() < GAP + 1e-3, "{measure:?}: {} against {truth}", best.score);
        }
    }
}

/// E24 over three decades for the twenty vowels of men and women, on the built-in coils. A quick random search over ideal
/// coils came to 6.0, 6.7 and 1.9 %.
#[test]
fn the_vowels_of_men_and_women_come_as_near_as_e24_allows() {
    for (stage, percent) in [6.0, 6.7, 1.9].into_iter().enumerate() {
        let tank = tank(stage);
        let choice = free(&Series::E24.values(1e-9, 1e-6), false, LINES);
        let clock = std::time::Instant::now();
        let best = best(&tank, &vowels(stage), Measure::Worst, &choice, None, MOST).unwrap();
        let worst = 100.0 * ((best.worst() / 1200.0).exp2() - 1.0);
        println!("stage {}: {worst:.3} %, proved {}, {:?}", stage + 1, best.proved, clock.elapsed());
        assert!(best.proved && worst < percent, "{worst}");
    }
}

/// What is kept stays where it is, and the rest is the best beside it.
#[test]
fn what_is_soldered_stays() {
    let tank = tank(0);
    let mut choice = free(&Series::E6.values(10e-9, 1e-6), false, LINES);
    choice.kept[2] = Some(123e-9);
    choice.kept_fixed = Some(51e-9);
    let found = best(&tank, &vowels(0), Measure::Worst, &choice, None, MOST).unwrap();
    assert!(found.proved);
    assert_eq!((found.fixed.farads, found.bank[2].farads), (51e-9, 123e-9));
    let freed =
        best(&tank, &vowels(0), Measure::Worst, &free(&Series::E6.values(10e-9, 1e-6), false, LINES), None, MOST);
    assert!(freed.unwrap().score > 0.0);
}

/// Lowering what one target counts for can only make the best better, however little it comes to count for.
#[test]
fn a_target_that_counts_for_next_to_nothing_spoils_nothing() {
    let choice = free(&Series::E12.values(1e-9, 1e-6), false, LINES);
    for (stage, hertz) in
        [(0, [300.0, 500.0, 700.0, 400.0, 600.0, 820.0]), (2, [2300.0, 2500.0, 2700.0, 3e3, 2400.0, 2900.0])]
    {
        let mut last = f64::INFINITY;
        for weight in [1.0, 0.1, 1e-3, 1e-6] {
            let mut aims = aims(&hertz);
            (aims[0].weight, aims[0].share) = (weight, weight);
            let best = best(&tank(stage), &aims, Measure::Worst, &choice, None, MOST).unwrap();
            assert!(best.proved && best.score <= last + GAP, "stage {}, {weight}: {}", stage + 1, best.score);
            last = best.score;
        }
    }
}

/// Switches that leak when they are open: against brute force, every open capacitor in it.
#[test]
fn open_switches_that_leak_hide_no_better_bank() {
    let mut board = Board::built_in();
    for stage in board.stages_mut() {
        (stage.bank.on, stage.bank.off) = (10.0, 100e3);
    }
    let tank = TankAlone::of(&board, &Settings::of(&board), [0; 3], 0).unwrap();
    let choice = free(&[2.99e-9, 155.41e-9, 194.27e-9, 239.22e-9], false, LINES);
    for hertz in [&[564.78][..], &[564.78, 300.0, 410.0]] {
        let truth = brute_force(&tank, &aims(hertz), Measure::Worst, &choice);
        let best = best(&tank, &aims(hertz), Measure::Worst, &choice, None, MOST).unwrap();
        assert!(best.proved && (best.score - truth).abs() < GAP + 1e-3, "{} against {truth}", best.score);
    }
}

/// A few targets, of which there are a great many banks that are as near as one can hear.
#[test]
fn a_few_targets_end_when_nothing_is_better_by_a_twentieth_of_a_cent() {
    for (stage, measure) in [(0, Measure::Worst), (1, Measure::Rms), (2, Measure::Worst)] {
        for count in [1, 2, 5] {
            let choice = free(&Series::E24.values(1e-9, 1e-6), false, LINES);
            let best = best(&tank(stage), &vowels(stage)[..count], measure, &choice, None, MOST).unwrap();
            assert!(best.proved, "stage {}, {count}: {} of {}", stage + 1, best.score, best.bound);
        }
    }
}

/// A search that is given up says what it has and what it ruled out.
#[test]
fn a_search_that_is_given_up_has_a_bank_and_an_honest_bound() {
    let choice = free(&Series::E24.values(1e-9, 1e-6), false, LINES);
    let (tank, aims) = (tank(2), vowels(2));
    let whole = best(&tank, &aims, Measure::Worst, &choice, None, MOST).unwrap();
    let some = best(&tank, &aims, Measure::Worst, &choice, None, 20_000).unwrap();
    assert!(!some.proved && some.bound <= whole.score && some.score >= whole.score - GAP);
}

#[test]
fn a_drawer_of_five_hundred_is_searched_to_the_end() {
    let mut random = Random(11);
    for stage in 0..3 {
        let values: Vec<f64> = (0..500).map(|_| 1e-9 * 1000f64.powf(random.unit())).collect();
        let part = |&farads: &f64| Part { farads, marked: farads, quantity: Some(1) };
        let stock = Stock { parts: values.iter().map(part).collect() };
        let fixed = stock.singles();
        let choice = Choice { position: fixed.clone(), fixed, stock, kept_fixed: None, kept: vec![None; LINES] };
        let clock = std::time::Instant::now();
        let best = best(&tank(stage), &vowels(stage), Measure::Worst, &choice, None, MOST).unwrap();
        println!("stage {}: {:.2} cents, bound {:.2}, {:?}", stage + 1, best.score, best.bound, clock.elapsed());
    }
}

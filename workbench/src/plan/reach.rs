//! What a coil reaches with the parts there are, and which inductance would.
//!
//! ```text
//!   highest   the smallest fixed capacitor, with wiring and pins, and no more switched in than must be
//!   lowest    the largest fixed capacitor that leaves the highest target in reach, and as much as can be switched in behind R_on
//! ```
//! Both are peaks of the stage as it is drawn: driver, coil loss, sweep, follower and C12 are in them.

use super::coils::{rounded, well_wound_to};
use super::stock::Place;
use super::tank::TankAlone;
use super::{Values, parallel};
use crate::fault::Fault;
use tritank_dsp::board::{BankKind, Board, Coil};
use tritank_dsp::knobs::Settings;
use tritank_dsp::value::{self, Unit};

/// A peak that is farther off than this a listener takes for another vowel, percent: what one speaker's own repeats differ by in F1
/// (Peterson and Barney 1952, median). A target so far beyond reach is refused.
pub const ANOTHER_PERCENT: f64 = 5.0;
/// Switched values that are tried for the lowest peak.
const TRIED: usize = 64;
/// Halvings of a range of inductances, 1 µH to 100 H: to 0.03 %.
const HALVINGS: usize = 16;
const HENRIES: [f64; 2] = [1e-6, 100.0];
/// Peaks are not looked for above this, hertz.
const HIGHEST_HZ: f64 = 15.9e3;

/// What can be soldered about a coil.
#[derive(Clone, Debug)]
pub struct Parts {
    kind: BankKind,
    /// Fixed capacitors, ascending, farads.
    fixed: Vec<f64>,
    /// Switched ones, ascending, farads.
    switched: Vec<f64>,
    /// Pins and wiring across the tank, farads.
    wiring: f64,
}

impl Parts {
    /// Of a bank's kind.
    pub fn of(values: &Values, kind: BankKind, wiring: f64) -> Self {
        let farads = |places: &[Place]| places.iter().map(|place| place.farads).collect();
        Self { kind, fixed: farads(&values.single), switched: farads(&values.position), wiring }
    }

    /// What is switched in at the least: a multiplexer always has a capacitor in.
    fn least(&self) -> Vec<(f64, bool)> {
        match self.kind {
            BankKind::Parallel => Vec::new(),
            BankKind::Select => self.switched.first().map(|farads| (*farads, true)).into_iter().collect(),
        }
    }

    /// One value as often as it can be switched in.
    fn most(&self, farads: f64) -> Vec<(f64, bool)> {
        vec![(farads, true); if self.kind == BankKind::Parallel { parallel::LINES } else { 1 }]
    }
}

/// Peaks between which a stage can be tuned, hertz.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Reach {
    /// The lowest.
    pub low: f64,
    /// The highest.
    pub high: f64,
}

impl Reach {
    /// Of a tank with its wiring, whose highest target is not to be lost. `None` without any parts.
    pub fn of(tank: &TankAlone, parts: &Parts, highest_hz: f64) -> Option<Self> {
        let (least, smallest) = (parts.least(), *parts.fixed.first()?);
        let high = tank.peak(smallest, &least);
        let serve = parts.fixed.partition_point(|fixed| tank.peak(*fixed, &least) >= highest_hz / near());
        let fixed = parts.fixed[serve.max(1) - 1];
        // Behind its switch the largest is not the one that lowers the peak most.
        let largest_first = parts.switched.iter().rev().step_by(parts.switched.len() / TRIED + 1);
        let peaks = largest_first.map(|farads| tank.peak(fixed, &parts.most(*farads)));
        Some(Self { low: peaks.fold(tank.peak(fixed, &least), f64::min), high })
    }

    /// The target that is farthest beyond reach, if any is.
    pub fn misses(&self, targets_hz: &[f64]) -> Option<f64> {
        let beyond = |hertz: &f64| (hertz / self.high).max(self.low / hertz);
        targets_hz.iter().copied().max_by(|a, b| beyond(a).total_cmp(&beyond(b))).filter(|hertz| beyond(hertz) > near())
    }
}

fn near() -> f64 {
    1.0 + 0.01 * ANOTHER_PERCENT
}

fn highest(targets_hz: &[f64]) -> f64 {
    targets_hz.iter().copied().fold(0.0, f64::max)
}

/// The stage of a board with a coil and wiring.
fn tank(board: &Board, settings: &Settings, stage: usize, coil: Coil, wiring: f64) -> Result<TankAlone, Fault> {
    let mut board = board.clone();
    board.stages_mut()[stage].coil = coil;
    Ok(TankAlone::of(&board, settings, [0; 3], stage)?.with_wiring(wiring))
}

/// Whether a coil reaches every target as stage 0 to 2 of a board.
///
/// # Errors
/// A board without an operating point.
pub fn serves(
    board: &Board,
    settings: &Settings,
    stage: usize,
    coil: Coil,
    parts: &Parts,
    targets_hz: &[f64],
) -> Result<bool, Fault> {
    let tank = tank(board, settings, stage, coil, parts.wiring)?;
    Ok(Reach::of(&tank, parts, highest(targets_hz)).is_some_and(|reach| reach.misses(targets_hz).is_none()))
}

/// Refuses a target that the coil on stage 0 to 2 of a board cannot reach.
///
/// # Errors
/// The stage, the target, what the coil reaches, and which inductance would do.
pub fn check(board: &Board, settings: &Settings, stage: usize, parts: &Parts, targets_hz: &[f64]) -> Result<(), Fault> {
    let coil = board.stages()[stage].coil;
    let alone = tank(board, settings, stage, coil, parts.wiring)?;
    let Some(reach) = Reach::of(&alone, parts, highest(targets_hz)) else {
        return Err(Fault::new(format!("stage {}: given no parts, allowed is one at least", stage + 1)));
    };
    let Some(target) = reach.misses(targets_hz) else { return Ok(()) };
    let hertz = |hertz: f64| value::write(rounded(hertz), Unit::Hertz);
    let switches = match Reach::of(&alone.clone().with_on(0.0), parts, highest(targets_hz)) {
        Some(ideal) if target < reach.low && ideal.low < 0.99 * reach.low => format!(
            " (with switches that have no resistance down to {}; these have {})",
            hertz(ideal.low),
            value::write(alone.on(), Unit::Ohm)
        ),
        _ => String::new(),
    };
    let above = if reach.high > HIGHEST_HZ { "beyond " } else { "" };
    let [smallest, largest, wiring] = [
        parts.fixed.first().copied().unwrap_or_default(),
        parts.fixed.last().copied().unwrap_or_default(),
        parts.wiring,
    ]
    .map(|farads| value::write(farads, Unit::Farad));
    let wiring = if parts.wiring > 0.0 { format!(" and {wiring} of wiring") } else { String::new() };
    Err(Fault::new(format!(
        "stage {}: target {target} Hz: a coil of {} reaches {} to {above}{} with parts of {smallest} to {largest}{wiring}{switches}; {}",
        stage + 1,
        value::write(coil.inductance, Unit::Henry),
        hertz(reach.low),
        hertz(reach.high.min(HIGHEST_HZ)),
        would_do(board, settings, stage, parts, targets_hz)
    )))
}

/// Which inductance serves all targets of stage 0 to 2, for a person.
pub fn would_do(board: &Board, settings: &Settings, stage: usize, parts: &Parts, targets_hz: &[f64]) -> String {
    let (low, high) = (targets_hz.iter().copied().fold(f64::INFINITY, f64::min), highest(targets_hz));
    match inductances(board, settings, stage, parts, [low, high]) {
        // The end of the range that was looked at is no limit.
        Some([least, most]) if most > 0.99 * HENRIES[1] => {
            format!("{} or more would do", value::write(inward(least, f64::ceil), Unit::Henry))
        }
        Some([least, most]) => {
            let [least, most] = [inward(least, f64::ceil), inward(most, f64::floor)];
            format!("{} to {} would do", value::write(least, Unit::Henry), value::write(most, Unit::Henry))
        }
        None if low == high => "no inductance would do with these parts: allow others (--from, --to)".to_owned(),
        None => format!("no inductance reaches both {low} and {high} Hz with these parts: allow others (--from, --to)"),
    }
}

/// Three digits, rounded into the range.
fn inward(henries: f64, round: fn(f64) -> f64) -> f64 {
    let digits = 10f64.powf(2.0 - henries.log10().floor());
    rounded(round(henries * digits) / digits)
}

/// The least and the most inductance, henries, with which both targets (hertz, the lower first) are in reach: the board's own coil,
/// well wound to it. The more henries, the lower every peak.
pub fn inductances(
    board: &Board,
    settings: &Settings,
    stage: usize,
    parts: &Parts,
    [low_hz, high_hz]: [f64; 2],
) -> Option<[f64; 2]> {
    let reach = |henries: f64| {
        let coil = well_wound_to(&board.stages()[stage].coil, henries);
        Reach::of(&tank(board, settings, stage, coil, parts.wiring).ok()?, parts, high_hz * near())
    };
    // Where a peak falls from beyond a frequency to below it.
    let between = |falls: &dyn Fn(f64) -> bool| {
        let [mut above, mut below] = HENRIES;
        for _ in 0..HALVINGS {
            let middle = (above * below).sqrt();
            if falls(middle) { below = middle } else { above = middle }
        }
        [above, below]
    };
    let [_, least] = between(&|henries| reach(henries).is_none_or(|reach| reach.low <= low_hz));
    let [most, _] = between(&|henries| reach(henries).is_none_or(|reach| reach.high < high_hz));
    (least <= most).then_some([least, most])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::cents;
    use crate::plan::stock::Stock;
    use crate::series::Series;
    use crate::tune::Tank;

    fn values(from: f64, to: f64) -> Values {
        Values::of(Stock::of(&Series::E24.values(from, to)), false)
    }

    /// A built-in board whose tanks are hardly loaded: what is left are coil and capacitor.
    fn free_board() -> Board {
        let mut board = Board::built_in();
        for stage in board.stages_mut() {
            (stage.coil.series, stage.coil.core) = (1e-2, 1e9);
            stage.sweep = None;
            stage.driver.bias = 0.0;
            stage.bank.on = 0.1;
        }
        board
    }

    /// f = 1/(2π√(LC)) (Thomson) with the smallest capacitor, and with the largest five; within a tenth of a percent.
    #[test]
    fn an_unloaded_coil_reaches_what_thomsons_formula_says() {
        let board = free_board();
        let settings = Settings::of(&board);
        for (stage, wiring) in [(0, 0.0), (0, 100e-12), (1, 40e-12)] {
            let coil = board.stages()[stage].coil;
            let alone = tank(&board, &settings, stage, coil, wiring).unwrap();
            for (kind, low, high) in [(BankKind::Parallel, 5.0, 1.0), (BankKind::Select, 2.0, 2.0)] {
                let parts = Parts::of(&values(1e-9, 100e-9), kind, wiring);
                let reach = Reach::of(&alone, &parts, 0.0).unwrap();
                for (peak, farads) in [(reach.low, low * 100e-9 + wiring), (reach.high, high * 1e-9 + wiring)] {
                    let paper = Tank::of_coil_and_capacitor(coil.inductance, farads).hertz;
                    assert!((peak / paper - 1.0).abs() < 1e-3, "stage {}: {peak} Hz, on paper {paper}", stage + 1);
                }
            }
        }
    }

    /// As drawn: driver, coil loss and sweep move the peak, by less than 216/Q² cents (see [`crate::tune`]) and a tenth of a percent.
    #[test]
    fn a_loaded_coil_reaches_what_thomsons_formula_says_within_its_loss() {
        let board = Board::built_in();
        let settings = Settings::of(&board);
        for stage in 0..3 {
            let coil = board.stages()[stage].coil;
            let alone = tank(&board, &settings, stage, coil, 0.0).unwrap();
            let parts = Parts::of(&values(10e-9, 100e-9), BankKind::Parallel, 0.0);
            let peak = Reach::of(&alone, &parts, 0.0).unwrap().high;
            let paper = Tank::of_coil_and_capacitor(coil.inductance, 10e-9);
            let q = paper.q(Some(coil.series), Some(coil.core));
            let off = cents(paper.hertz, peak);
            assert!((-2.0..=216.0 / (q * q) + 2.0).contains(&off), "stage {}: {off} cents, Q {q}", stage + 1);
        }
    }

    /// L = 1/((2πf)²C): the most for the highest target with the least capacitance, the least for the lowest with the most.
    #[test]
    fn the_inductances_that_would_do_are_thomsons() {
        let board = free_board();
        let settings = Settings::of(&board);
        let wiring = 100e-12;
        let parts = Parts::of(&values(1e-9, 100e-9), BankKind::Select, wiring);
        let [least, most] = inductances(&board, &settings, 0, &parts, [750.0, 5000.0]).unwrap();
        let paper = Tank::of_capacitor(2e-9 + wiring, 5000.0).henries;
        assert!((most / paper - 1.0).abs() < 2e-3, "{most} H, on paper {paper}");
        // The largest fixed capacitor that leaves 5 kHz in reach there is 1.1 nF.
        let paper = Tank::of_capacitor(101.1e-9 + wiring, 750.0).henries;
        assert!((least / paper - 1.0).abs() < 2e-3, "{least} H, on paper {paper}");
        // One frequency alone: 100 nF + 100 nF and wiring at 700 Hz.
        let [least, _] = inductances(&board, &settings, 0, &parts, [700.0, 700.0]).unwrap();
        let paper = Tank::of_capacitor(200e-9 + wiring, 700.0).henries;
        assert!((least / paper - 1.0).abs() < 2e-3, "{least} H, on paper {paper}");
        assert_eq!(inductances(&board, &settings, 0, &parts, [70.0, 9000.0]), None);
    }

    #[test]
    fn a_target_beyond_reach_is_refused_with_what_would_do() {
        let board = Board::built_in();
        let settings = Settings::of(&board);
        let parts = Parts::of(&values(1e-9, 1e-6), BankKind::Parallel, 100e-12);
        let told = check(&board, &settings, 0, &parts, &[300.0, 9000.0]).unwrap_err().to_string();
        println!("{told}");
        for word in ["stage 1: target 9000 Hz", "500 mH", "1 nF to 1 µF", "100 pF of wiring", "would do"] {
            assert!(told.contains(word), "{told}");
        }
        // What it says would do does.
        let [least, most] = inductances(&board, &settings, 0, &parts, [300.0, 9000.0]).unwrap();
        let coil = |henries| well_wound_to(&board.stage1.coil, henries);
        let serves = |henries, hertz: &[f64]| serves(&board, &settings, 0, coil(henries), &parts, hertz).unwrap();
        assert!(serves(1.001 * least, &[300.0, 9000.0]) && serves(0.999 * most, &[300.0, 9000.0]));
        assert!(!serves(0.8 * least, &[300.0, 9000.0]) && !serves(1.3 * most, &[300.0, 9000.0]));
        // Too low for these parts; switches that spoil the coil are named.
        let parts = Parts::of(&values(1e-9, 10e-9), BankKind::Parallel, 0.0);
        let told = check(&board, &settings, 1, &parts, &[800.0]).unwrap_err().to_string();
        assert!(told.contains("stage 2: target 800 Hz") && !told.contains("no resistance"), "{told}");
        let parts = Parts::of(&values(100e-9, 100e-9), BankKind::Parallel, 0.0);
        let mut poor = board.clone();
        poor.stage3.bank.on = 2e3;
        let told = check(&poor, &settings, 2, &parts, &[900.0, 1750.0]).unwrap_err().to_string();
        assert!(told.contains("no resistance") && told.contains("these have 2 kΩ"), "{told}");
        check(&board, &settings, 0, &Parts::of(&values(1e-9, 1e-6), BankKind::Select, 0.0), &[270.0, 1000.0]).unwrap();
    }
}

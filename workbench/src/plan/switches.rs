//! What the resistance of closed switches does to the Q of a planned code.
//!
//! ```text
//!        ┌───────────────┐
//!        │             [R_on]        1/Q = 1/Q of the rest + ωR·C₁²/(C₀ + C₁)
//!      (C₀)              │           what a switch adds, as long as ωRC₁ is small
//!        │             (C₁)
//!        └───────┬───────┘
//! ```
//! Nothing is taken from that formula: every Q here is of the whole circuit, its −3 dB width, with the switches as they are and with
//! switches of a milliohm.

use super::Plan;
use super::coils::wound_to;
use crate::fault::Fault;
use tritank_dsp::board::Board;
use tritank_dsp::knobs::Settings;
use tritank_dsp::response::Response;
use tritank_dsp::value::{self, Unit};

/// A switch that is as good as none, ohms.
const IDEAL_OHMS: f64 = 1e-3;
/// A Q that falls below this share of what it is with ideal switches is spoiled.
const SPOILED: f64 = 0.7;
/// What is asked of a better switch or coil.
const KEPT: f64 = 0.9;
/// The largest coil that is looked at, times the one there is, the ratio of a step towards it, and the largest on a board, henries.
const LARGEST: f64 = 100.0;
const LARGER: f64 = 1.5;
const MOST_HENRIES: f64 = 100.0;
const HALVINGS: usize = 12;

/// The code of a stage whose Q its switches spoil most.
#[derive(Clone, Debug, PartialEq)]
pub struct Spoiled {
    /// Stage, 0 to 2.
    pub stage: usize,
    /// The code.
    pub code: u8,
    /// Loaded Q as planned.
    pub q: f64,
    /// The same with ideal switches.
    pub q_ideal: f64,
    /// Resistance of the switches, ohms.
    pub on: f64,
    /// Other codes of that stage that are spoiled, too.
    pub also: Vec<u8>,
    /// Resistance of a closed switch that would keep the Q within a tenth, ohms.
    pub on_within: Option<f64>,
    /// Inductance that would, of a coil as good as this one (wire and core in proportion), with capacitors so much smaller, henries.
    pub coil_within: Option<f64>,
}

/// What the switches do to a plan.
#[derive(Clone, Debug)]
pub struct Switches {
    /// Loaded Q with ideal switches, by stage and code.
    pub q_ideal: [Vec<f64>; 3],
    /// The stages whose switches spoil a code that a target uses.
    pub spoiled: Vec<Spoiled>,
}

impl Switches {
    /// Of a plan's codes.
    ///
    /// # Errors
    /// A board without an operating point.
    pub fn of(plan: &Plan, settings: &Settings) -> Result<Self, Fault> {
        let mut switches = Self { q_ideal: Default::default(), spoiled: Vec::new() };
        for (stage, part) in plan.stages.iter().enumerate() {
            let ideal = with_on(&plan.board, stage, IDEAL_OHMS);
            for code in 0..part.peaks.len() as u8 {
                switches.q_ideal[stage].push(q(&ideal, settings, stage, code)?);
            }
            let share = |code: u8| {
                let (q, ideal) = (part.peaks[usize::from(code)].q, switches.q_ideal[stage][usize::from(code)]);
                // A peak that never falls by 3 dB on one side is none.
                if q.is_finite() { q / ideal } else { 0.0 }
            };
            let mut codes: Vec<u8> = part.codes.iter().copied().filter(|code| share(*code) < SPOILED).collect();
            codes.sort_unstable();
            codes.dedup();
            if let Some(code) = codes.iter().copied().min_by(|a, b| share(*a).total_cmp(&share(*b))) {
                let (q, q_ideal) = (part.peaks[usize::from(code)].q, switches.q_ideal[stage][usize::from(code)]);
                switches.spoiled.push(Spoiled {
                    stage,
                    code,
                    q,
                    q_ideal,
                    on: plan.board.stages()[stage].bank.on,
                    also: codes.into_iter().filter(|other| *other != code).collect(),
                    on_within: on_within(&plan.board, settings, stage, code, q_ideal)?,
                    coil_within: coil_within(&plan.board, settings, stage, code)?,
                });
            }
        }
        Ok(switches)
    }
}

impl Spoiled {
    /// One line for a person.
    pub fn words(&self) -> String {
        let q = if self.q.is_finite() { format!("{:.1}", self.q) } else { "no peak to speak of".to_owned() };
        let also: Vec<_> = self.also.iter().map(u8::to_string).collect();
        let also = if also.is_empty() { String::new() } else { format!(" (codes {} as well)", also.join(", ")) };
        let digits = super::coils::rounded;
        let better = match (self.on_within, self.coil_within) {
            (Some(ohms), Some(henries)) => format!(
                "switches of {} or less, or a coil of {} or more, as good as this one, with capacitors so much smaller, keep it within 10 %",
                value::write(digits(ohms), Unit::Ohm),
                value::write(digits(henries), Unit::Henry)
            ),
            (Some(ohms), None) => {
                format!("switches of {} or less keep it within 10 %", value::write(digits(ohms), Unit::Ohm))
            }
            (None, Some(henries)) => format!(
                "a coil of {} or more, as good as this one, with capacitors so much smaller, keeps it within 10 %",
                value::write(digits(henries), Unit::Henry)
            ),
            (None, None) => "neither a better switch nor a larger coil keeps it within 10 %".to_owned(),
        };
        format!(
            "stage {}, code {}: Q {q}, with ideal switches {:.1}: the {} of a closed switch spoil it{also}; {better}",
            self.stage + 1,
            self.code,
            self.q_ideal,
            value::write(self.on, Unit::Ohm),
        )
    }
}

fn q(board: &Board, settings: &Settings, stage: usize, code: u8) -> Result<f64, Fault> {
    let mut codes = [0; 3];
    codes[stage] = code;
    Ok(Response::of(board, settings, codes).map_err(Fault::new)?.peak(stage).q)
}

fn with_on(board: &Board, stage: usize, ohms: f64) -> Board {
    let mut board = board.clone();
    board.stages_mut()[stage].bank.on = ohms;
    board
}

/// Halves a range, even in ratio, at whose first end something holds and at whose second it does not.
fn last_that(
    [mut holds, mut fails]: [f64; 2],
    holds_at: impl Fn(f64) -> Result<bool, Fault>,
) -> Result<Option<f64>, Fault> {
    if !holds_at(holds)? {
        return Ok(None);
    }
    for _ in 0..HALVINGS {
        let middle = (holds * fails).sqrt();
        if holds_at(middle)? { holds = middle } else { fails = middle }
    }
    Ok(Some(holds))
}

fn on_within(board: &Board, settings: &Settings, stage: usize, code: u8, ideal: f64) -> Result<Option<f64>, Fault> {
    let on = board.stages()[stage].bank.on;
    last_that([1e-3 * on, on], |ohms| Ok(q(&with_on(board, stage, ohms), settings, stage, code)? >= KEPT * ideal))
}

fn coil_within(board: &Board, settings: &Settings, stage: usize, code: u8) -> Result<Option<f64>, Fault> {
    let coil = board.stages()[stage].coil;
    let keeps = |larger: f64| {
        let mut board = board.clone();
        let part = &mut *board.stages_mut()[stage];
        part.coil = wound_to(&coil, larger * coil.inductance);
        part.fixed /= larger;
        part.bank.capacitors.iter_mut().for_each(|farads| *farads /= larger);
        let ideal = q(&with_on(&board, stage, IDEAL_OHMS), settings, stage, code)?;
        Ok(q(&board, settings, stage, code)? >= KEPT * ideal)
    };
    // Step by step: the wire of a coil that is much too large would starve the driver.
    let most = LARGEST.min(MOST_HENRIES / coil.inductance);
    let mut larger = LARGER;
    while larger < most {
        if keeps(larger)? {
            let least = last_that([larger, larger / LARGER], keeps)?;
            return Ok(least.map(|larger| larger * coil.inductance));
        }
        larger *= LARGER;
    }
    Ok(None)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::stock::Stock;
    use crate::plan::targets;
    use crate::plan::{Asked, Values};
    use crate::series::Series;
    use std::f64::consts::TAU;
    use tritank_dsp::board::BankKind;

    /// A tank with hardly more than a core loss: coil, fixed capacitor and one switched in.
    fn tank(on: f64) -> Board {
        let mut board = Board::built_in();
        let part = &mut board.stage1;
        (part.coil.series, part.coil.core, part.sweep) = (1e-2, 150e3, None);
        part.driver.bias = 0.0;
        (part.fixed, part.bank.capacitors, part.bank.on) = (50e-9, vec![30e-9], on);
        board
    }

    /// A resistance in series with a capacitor C₁ beside C₀ adds ωR·(C₀ + C₁)·(C₁/(C₀ + C₁))² to 1/Q, as long as `ωRC₁ ≪ 1` (series and
    /// parallel equivalents at one frequency: F. E. Terman, Radio Engineers' Handbook, 1943, from memory).
    #[test]
    fn a_switch_costs_what_its_series_resistance_costs_on_paper() {
        let settings = Settings::of(&tank(1.0));
        let omega = 1.0 / (0.5f64 * 80e-9).sqrt();
        let added = omega * 80e-9 * (30.0 / 80.0f64).powi(2);
        let ideal = q(&tank(IDEAL_OHMS), &settings, 0, 1).unwrap();
        for on in [30.0, 100.0, 300.0] {
            let told = 1.0 / q(&tank(on), &settings, 0, 1).unwrap() - 1.0 / ideal;
            assert!((told / (on * added) - 1.0).abs() < 0.02, "{on} Ω: {told}, on paper {}", on * added);
        }
        // Code 0 has no switch in it.
        let open = |on: f64| q(&tank(on), &settings, 0, 0).unwrap();
        assert!((open(300.0) / open(IDEAL_OHMS) - 1.0).abs() < 1e-6);

        // 1/Q grows by a ninth: Q is within a tenth. A coil k times as large, its core loss and reactance in proportion, has the
        // same Q, and what the switch adds is 1/k.
        let within = (1.0 / KEPT - 1.0) / ideal;
        let ohms = on_within(&tank(3e3), &settings, 0, 1, ideal).unwrap().unwrap();
        assert!((ohms / (within / added) - 1.0).abs() < 0.02, "{ohms} Ω, on paper {}", within / added);
        let henries = coil_within(&tank(300.0), &settings, 0, 1).unwrap().unwrap();
        let paper = 0.5 * 300.0 * added / within;
        assert!((henries / paper - 1.0).abs() < 0.05, "{henries} H, on paper {paper} H");
        assert!(ideal > 20.0 && TAU * 796.0 > 0.99 * omega, "a tank of Q {ideal}");
    }

    /// A plan on a small coil with poor switches: what is told is what the board does.
    #[test]
    fn a_spoiled_code_is_told_with_what_would_keep_its_q() {
        let mut board = Board::built_in();
        board.stages_mut().into_iter().for_each(|part| part.bank.on = 1.0);
        board.stage2.bank.on = 150.0;
        let settings = Settings::of(&board);
        let targets = targets::of_groups(&["men".to_owned()]).unwrap();
        let values = Values::of(Stock::of(&Series::E12.values(1e-9, 1e-6)), false);
        let asked = Asked::of(BankKind::Select, &targets, &values);
        let plan = Plan::of(&board, &settings, asked).unwrap();
        let switches = Switches::of(&plan, &settings).unwrap();
        let [spoiled] = &switches.spoiled[..] else { panic!("{:?}", switches.spoiled) };
        assert_eq!((spoiled.stage, spoiled.on), (1, 150.0));
        println!("{}", spoiled.words());
        let codes = &plan.stages[1].codes;
        for code in codes {
            let share = plan.stages[1].peaks[usize::from(*code)].q / switches.q_ideal[1][usize::from(*code)];
            let told = spoiled.code == *code || spoiled.also.contains(code);
            assert_eq!(share < SPOILED, told, "code {code}: {share}");
            assert!(share >= spoiled.q / spoiled.q_ideal);
        }
        // With such switches, nothing is told of that board.
        let mut better = plan.clone();
        for part in better.board.stages_mut() {
            part.bank.on = part.bank.on.min(spoiled.on_within.unwrap());
        }
        for (code, peak) in (0u8..).zip(&mut better.stages[1].peaks) {
            *peak = Response::of(&better.board, &settings, [0, code, 0]).unwrap().peak(1);
        }
        assert!(Switches::of(&better, &settings).unwrap().spoiled.is_empty());
        for word in ["stage 2, code", "150 Ω", "with ideal switches", "keep it within 10 %"] {
            assert!(spoiled.words().contains(word), "{}", spoiled.words());
        }
    }
}

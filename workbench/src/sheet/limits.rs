//! Between which limits a sound unit reads: those of a lot of units, every part drawn within its tolerance.

use super::overdriven;
use super::parts::Bought;
use super::readings::Limits;
use crate::fault::Fault;
use crate::spread::{self, PERCENTS, Quantiles, Tolerances};
use tritank_dsp::knobs::Knob;
use tritank_dsp::patch::Patch;

/// Limits of the readings, and how they were found.
#[derive(Clone, Debug, Default)]
pub struct Within {
    /// Least and greatest readings.
    pub limits: Limits,
    /// How they were found, in words.
    pub words: String,
    /// Tolerances of the parts to buy.
    pub bought: Bought,
}

impl Within {
    /// Limits of a unit's readings, of so many units drawn.
    ///
    /// # Errors
    /// As [`spread::of`].
    pub fn of(patch: &Patch, tolerances: &Tolerances, units: usize, seed: u64) -> Result<Self, Fault> {
        // The input stage is on the board whether or not it is switched in, and moves nothing else at rest.
        let settings = overdriven(&patch.settings);
        let spread = spread::of(&patch.board, &settings, tolerances, units, seed, &|_| ())?;
        let ends = |quantiles: &Quantiles| [quantiles[0], quantiles[quantiles.len() - 1]];
        let mut limits = Limits::default();
        for node in &spread.nodes {
            limits.nodes.insert(node.node.clone(), ends(&node.volts));
        }
        let supply = settings.get(Knob::UnitSupply);
        let rail = [-1.0, 1.0].map(|way| supply * (1.0 + way * tolerances.supply));
        limits.nodes.insert("vcc".into(), rail);
        // The follower's buffer follows, and what it sends to driver 3 comes through a capacitor.
        for (node, like) in [("fx", "fo"), ("j3i", "j3")] {
            if let Some(ends) = limits.nodes.get(like).copied() {
                limits.nodes.insert(node.into(), ends);
            }
        }
        // At rest these stand at the rail, and at the sweep's voltage above it.
        limits.nodes.insert("o0".into(), rail);
        for (gate, knob) in
            ["g1", "g2", "g3"].into_iter().zip([Knob::Stage1Sweep, Knob::Stage2Sweep, Knob::Stage3Sweep])
        {
            limits.nodes.insert(gate.into(), rail.map(|volts| volts + settings.get(knob)));
        }
        for (stage, codes) in (1..).zip(&spread.stages) {
            for (code, spread) in (0u8..).zip(codes) {
                limits.peaks.insert((stage, code), [ends(&spread.peak_hz), ends(&spread.q)]);
            }
        }
        let percent = |fraction: f64| format!("{:.0} %", 100.0 * fraction);
        let words = format!(
            "Low and high hold {:.0} of 100 among {units} units drawn at random (seed {seed}): capacitors within {}, resistors \
             {}, coils {} and their losses {}, gains {}, saturation currents {}, switches {}, supply {}, temperature ±{} K.",
            PERCENTS[PERCENTS.len() - 1] - PERCENTS[0],
            percent(tolerances.capacitors),
            percent(tolerances.resistors),
            percent(tolerances.coils),
            percent(tolerances.losses),
            percent(tolerances.gain),
            percent(tolerances.saturation),
            percent(tolerances.switches),
            percent(tolerances.supply),
            tolerances.kelvin,
        );
        let bought = Bought { resistors: Some(tolerances.resistors), capacitors: Some(tolerances.capacitors) };
        Ok(Self { limits, words, bought })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::Sheet;
    use tritank_dsp::board::Board;

    /// Without tolerances every unit is the board: the limits close on what is expected, which comes from the whole circuit's
    /// matrices and not from the closed form that the lot is solved with.
    #[test]
    fn limits_of_exact_parts_close_on_what_is_expected() {
        let patch = Patch::new(Board::built_in());
        let within = Within::of(&patch, &Tolerances::exact(), 100, 1).unwrap();
        let sheet = Sheet::of(&patch, None, Some(&within)).unwrap();
        let mut held = 0;
        for reading in sheet.volts.iter().chain(&sheet.peaks) {
            let (Some(expected), Some(low), Some(high)) = (reading.expected, reading.low, reading.high) else {
                continue;
            };
            approx::assert_relative_eq!(low, expected, max_relative = 2e-4, epsilon = 1e-4);
            approx::assert_relative_eq!(high, expected, max_relative = 2e-4, epsilon = 1e-4);
            held += 1;
        }
        // Three pins and the bus of four drivers, bus 3 with its link, five nodes of the follower, the rail, the input stage's output,
        // three gates; 48 peaks with their Q.
        assert_eq!(held, 16 + 1 + 5 + 1 + 1 + 3 + 96);
    }

    #[test]
    fn what_is_expected_lies_within_its_limits() {
        let patch = Patch::new(Board::built_in());
        let within = Within::of(&patch, &Tolerances::default(), 400, 7).unwrap();
        let sheet = Sheet::of(&patch, None, Some(&within)).unwrap();
        for reading in sheet.volts.iter().chain(&sheet.peaks) {
            if let (Some(expected), Some(low), Some(high)) = (reading.expected, reading.low, reading.high) {
                assert!(low < expected && expected < high, "{reading:?}");
            }
        }
        assert!(sheet.limits.contains("hold 99 of 100 among 400 units"), "{}", sheet.limits);
        assert!(sheet.parts.iter().any(|part| part.tolerance == Some('J')));
    }
}

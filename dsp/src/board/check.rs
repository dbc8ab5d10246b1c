//! What a board must satisfy before anything is solved on it.

use super::{Bank, BankKind, Board, BoardError, Driver, Transistor};
use crate::value::{Unit, write};

/// One part at one place, held against the range that the model is good for.
fn within(place: String, value: f64, unit: Unit, low: f64, high: f64) -> Result<(), BoardError> {
    if value.is_finite() && (low..=high).contains(&value) {
        return Ok(());
    }
    Err(BoardError {
        line: None,
        place,
        what: format!("given {}, allowed is {} to {}", write(value, unit), write(low, unit), write(high, unit)),
    })
}

impl Board {
    /// Checks every part against the range that the model is good for.
    ///
    /// # Errors
    /// The first part that is out of range: its place, what was given, what is allowed.
    pub fn check(&self) -> Result<(), BoardError> {
        use Unit::{Ampere, AmperePerVolt2, Celsius, Farad, Henry, None, Ohm, Volt};
        let at = |place: &str| place.to_owned();
        if self.version != 1 {
            return Err(BoardError {
                line: Option::None,
                place: at("version"),
                what: format!("given {}, allowed is 1: this board was written by a newer program", self.version),
            });
        }
        within(at("supply"), self.supply, Volt, 1.2, 9.0)?;
        within(at("temperature"), self.temperature, Celsius, -20.0, 70.0)?;

        driver("input.driver", &self.input.driver)?;
        within(at("input.load"), self.input.load, Ohm, 10.0, 1e6)?;
        within(at("input.treble_cut"), self.input.treble_cut, Farad, 1e-12, 1e-4)?;
        within(at("input.coupling"), self.input.coupling, Farad, 1e-12, 1e-3)?;
        within(at("input.output"), self.input.output, Ohm, 10.0, 1e8)?;

        for (number, stage) in (1..).zip(self.stages()) {
            let at = |part: &str| format!("stage{number}.{part}");
            driver(&at("driver"), &stage.driver)?;
            within(at("coil.inductance"), stage.coil.inductance, Henry, 1e-6, 100.0)?;
            within(at("coil.series"), stage.coil.series, Ohm, 1e-3, 1e5)?;
            within(at("coil.core"), stage.coil.core, Ohm, 1.0, 1e9)?;
            if let Some(saturation) = stage.coil.saturation {
                within(at("coil.saturation"), saturation, Ampere, 1e-6, 100.0)?;
            }
            within(at("fixed"), stage.fixed, Farad, 1e-12, 1e-4)?;
            bank(&at("bank"), &stage.bank)?;
            if let Some(sweep) = &stage.sweep {
                within(at("sweep.capacitor"), sweep.capacitor, Farad, 1e-12, 1e-4)?;
                within(at("sweep.transconductance"), sweep.transconductance, AmperePerVolt2, 1e-6, 10.0)?;
                within(at("sweep.threshold"), sweep.threshold, Volt, -5.0, 5.0)?;
            }
        }

        within(at("coupling.c12"), self.coupling.c12, Farad, 0.0, 1e-5)?;
        within(at("coupling.tap1_to_driver2"), self.coupling.tap1_to_driver2, None, -10.0, 10.0)?;
        within(at("coupling.follower_to_driver3"), self.coupling.follower_to_driver3, None, -10.0, 10.0)?;

        transistor("follower.transistor", &self.follower.transistor)?;
        within(at("follower.coupling"), self.follower.coupling, Farad, 1e-12, 1e-3)?;
        within(at("follower.upper"), self.follower.upper, Ohm, 10.0, 1e8)?;
        within(at("follower.lower"), self.follower.lower, Ohm, 10.0, 1e8)?;
        within(at("follower.base"), self.follower.base, Ohm, 1.0, 1e6)?;
        within(at("follower.load"), self.follower.load, Ohm, 10.0, 1e7)?;
        within(at("follower.output"), self.follower.output, Farad, 1e-12, 1e-3)?;
        within(at("follower.level"), self.follower.level, Ohm, 10.0, 1e7)?;

        within(at("exciter.timing"), self.exciter.timing, Ohm, 100.0, 1e7)?;
        within(at("exciter.pause"), self.exciter.pause, Farad, 1e-12, 1e-3)?;
        within(at("exciter.pulse"), self.exciter.pulse, Farad, 1e-12, 1e-3)?;
        within(at("exciter.base_emitter"), self.exciter.base_emitter, Volt, 0.05, 1.0)?;
        within(at("exciter.saturation"), self.exciter.saturation, Volt, 0.0, 0.5)?;
        within(at("exciter.bias_limit"), self.exciter.bias_limit, Volt, 1.0, 24.0)?;
        within(at("exciter.gate_series"), self.exciter.gate_series, Ohm, 10.0, 1e7)?;
        within(at("exciter.gate_capacitor"), self.exciter.gate_capacitor, Farad, 1e-12, 1e-2)?;

        within(at("click.bleed"), self.click.bleed, Ohm, 100.0, 1e12)
    }
}

fn driver(place: &str, driver: &Driver) -> Result<(), BoardError> {
    transistor(&format!("{place}.transistor"), &driver.transistor)?;
    within(format!("{place}.base"), driver.base, Unit::Ohm, 1.0, 1e6)?;
    within(format!("{place}.emitter"), driver.emitter, Unit::Ohm, 0.1, 1e5)?;
    within(format!("{place}.bias"), driver.bias, Unit::None, 0.0, 1.0)
}

fn transistor(place: &str, transistor: &Transistor) -> Result<(), BoardError> {
    let at = |part: &str| format!("{place}.{part}");
    within(at("saturation"), transistor.saturation, Unit::Ampere, 1e-16, 1e-3)?;
    within(at("forward_gain"), transistor.forward_gain, Unit::None, 1.0, 1e4)?;
    within(at("reverse_gain"), transistor.reverse_gain, Unit::None, 0.01, 1e4)?;
    within(at("emission"), transistor.emission, Unit::None, 0.9, 2.5)?;
    within(at("leakage"), transistor.leakage, Unit::Ampere, 0.0, 1e-3)
}

fn bank(place: &str, bank: &Bank) -> Result<(), BoardError> {
    let (most, what) = match bank.kind {
        BankKind::Parallel => (4, "0 to 4 capacitors, one a line"),
        BankKind::Select => (16, "0, 2, 4, 8 or 16 capacitors, one a position"),
    };
    let count = bank.capacitors.len();
    let fits =
        count <= most && (bank.kind == BankKind::Parallel || count == 0 || (count > 1 && count.is_power_of_two()));
    if !fits {
        return Err(BoardError {
            line: None,
            place: format!("{place}.capacitors"),
            what: format!("given {count} capacitors, allowed are {what}"),
        });
    }
    let least = if bank.kind == BankKind::Select { 0.0 } else { 1e-12 };
    for (position, farads) in bank.capacitors.iter().enumerate() {
        within(format!("{place}.capacitors[{position}]"), *farads, Unit::Farad, least, 1e-4)?;
    }
    within(format!("{place}.on"), bank.on, Unit::Ohm, 0.1, 1e5)?;
    within(format!("{place}.off"), bank.off, Unit::Ohm, 1e5, 1e15)?;
    within(format!("{place}.charge"), bank.charge, Unit::Coulomb, -1e-8, 1e-8)
}

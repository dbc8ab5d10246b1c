//! The overdriven input.

use crate::board::{Bank, BankKind, Board};
use crate::lanes::Course;
use crate::stage::{Group, Parts, Tank};

/// The overdriven input as a stage without a coil: its load is the core, its treble cut the fixed capacitor, and its output
/// coupling the one bank position, always closed through the output resistor.
pub(super) fn stage<C: Course>(boards: &[Board], celsius: f64, step: f64) -> Group<C> {
    let parts = |board: &Board| {
        let part = &board.input;
        let tank = Tank {
            coil: None,
            core: part.load,
            fixed: part.treble_cut,
            bank: Bank {
                kind: BankKind::Parallel,
                capacitors: vec![part.coupling],
                on: part.output,
                off: part.output,
                charge: 0.0,
            },
            sweep: None,
            divider: None,
        };
        Parts { driver: part.driver, tank, sweep: None }
    };
    Group::new(&[boards.iter().map(parts).collect()], vec![0.0; boards.len()], None, celsius, step)
}

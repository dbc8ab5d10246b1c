//! The board that comes with the program: known to bias and to resonate in the vowel range.
//!
//! Loaded Q 6.5, 10 and 18; peaks 260–1000, 1270–2800 and 1970–3400 Hz over the sixteen codes of each stage.

use super::{Bank, BankKind, Board, Click, Coil, Coupling, Driver, Exciter, Follower, Input, Stage, Sweep, Transistor};

const GERMANIUM: Transistor =
    Transistor { saturation: 2e-6, forward_gain: 90.0, reverse_gain: 8.0, emission: 1.02, leakage: 0.3e-6 };

/// 0.2325 V on the bus at 3 V: 0.4 mA of quiescent collector current.
const DRIVER: Driver = Driver { transistor: GERMANIUM, base: 1e3, emitter: 220.0, bias: 0.0775 };

fn stage(coil: Coil, fixed: f64, capacitors: [f64; 4], sweep: f64) -> Stage {
    Stage {
        driver: DRIVER,
        coil,
        fixed,
        bank: Bank { kind: BankKind::Parallel, capacitors: capacitors.to_vec(), on: 100.0, off: 1e9, charge: 0.0 },
        sweep: Some(Sweep { capacitor: sweep, transconductance: 2e-3, threshold: 1.0, body_diode: true }),
    }
}

impl Board {
    /// The board that comes with the program.
    pub fn built_in() -> Self {
        // Losses: of 1/Q, 0.4 in the wire and 0.6 in the core, with Q 9, 16, 20 at 500, 1500, 2600 Hz.
        let coil = |inductance, series, core| Coil { inductance, series, core, saturation: None };
        Self {
            version: 1,
            name: "Bench voice".into(),
            notes: "Three coils, four switched capacitors each, germanium drivers on two cells.".into(),
            supply: 3.0,
            temperature: 25.0,
            input: Input { driver: DRIVER, load: 3.3e3, treble_cut: 4.7e-9, coupling: 1e-6, output: 47e3 },
            stage1: stage(coil(0.5, 69.8, 23.6e3), 51e-9, [47e-9, 100e-9, 220e-9, 330e-9], 100e-9),
            stage2: stage(coil(0.15, 35.3, 37.7e3), 22e-9, [4.7e-9, 10e-9, 22e-9, 47e-9], 43e-9),
            stage3: stage(coil(80e-3, 26.1, 43.6e3), 27e-9, [6.8e-9, 10e-9, 15e-9, 22e-9], 56e-9),
            coupling: Coupling { c12: 0.0, tap1_to_driver2: 0.1, follower_to_driver3: 0.1 },
            follower: Follower {
                transistor: GERMANIUM,
                coupling: 220e-9,
                upper: 180e3,
                lower: 330e3,
                base: 100.0,
                load: 2.2e3,
                output: 2.2e-6,
                level: 10e3,
            },
            exciter: Exciter {
                timing: 47e3,
                pause: 56e-9,
                pulse: 3.3e-9,
                base_emitter: 0.2,
                saturation: 0.1,
                bias_limit: 12.0,
                gate_series: 10e3,
                gate_capacitor: 1e-6,
            },
            click: Click { bleed: 1e6 },
        }
    }
}

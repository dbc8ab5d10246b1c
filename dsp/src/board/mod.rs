//! What is soldered: one unit, from supply to output, as a builder writes it down.
//!
//! ```text
//!   text (TOML) ──► Board ──► checked ──► circuit list, response, instrument
//! ```
//! A board holds parts; where the knobs stand is [`crate::knobs`], which code is switched is [`crate::lines`].

mod built_in;
mod check;
mod file;

pub use file::BoardError;

use crate::value;
use serde::{Deserialize, Serialize};

/// One unit, complete.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Board {
    /// Version of the board format; this program writes and reads 1.
    pub version: u32,
    /// The unit's name.
    pub name: String,
    /// Whatever the builder wants to remember.
    #[serde(default)]
    pub notes: String,
    /// Supply, 1.2 V to 9 V.
    #[serde(with = "value::volts")]
    pub supply: f64,
    /// Temperature of the transistors, °C.
    #[serde(with = "value::celsius")]
    pub temperature: f64,
    /// The overdriven input stage in front of the chain.
    pub input: Input,
    /// First stage: driver and tank.
    pub stage1: Stage,
    /// Second stage.
    pub stage2: Stage,
    /// Third stage.
    pub stage3: Stage,
    /// What joins the stages.
    pub coupling: Coupling,
    /// The Darlington follower between tank 2 and driver 3.
    pub follower: Follower,
    /// The pulse exciter.
    pub exciter: Exciter,
    /// Treatments of the switching click.
    pub click: Click,
}

/// A germanium transistor in the transport Ebers–Moll form.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Transistor {
    /// Saturation current at 25 °C, amperes.
    #[serde(with = "value::amperes")]
    pub saturation: f64,
    /// Forward current gain.
    pub forward_gain: f64,
    /// Reverse current gain.
    pub reverse_gain: f64,
    /// Emission coefficient of the base–emitter junction.
    pub emission: f64,
    /// Collector–base leakage at 25 °C beyond what the two junctions already give, amperes; doubles every 10 K.
    #[serde(with = "value::amperes")]
    pub leakage: f64,
}

/// Common emitter: base resistor from the summing bus, emitter resistor to ground, collector on the load.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Driver {
    /// The transistor.
    pub transistor: Transistor,
    /// Base resistor, the divider's own resistance included, ohms.
    #[serde(with = "value::ohms")]
    pub base: f64,
    /// Emitter resistor, ohms.
    #[serde(with = "value::ohms")]
    pub emitter: f64,
    /// The bias divider's share of the supply, 0 to 1: a flat battery starves the bias too.
    pub bias: f64,
}

/// The overdriven input: one more germanium driver on a resistor, its output coupled by a capacitor.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Input {
    /// The driver.
    pub driver: Driver,
    /// Collector load to the rail, ohms.
    #[serde(with = "value::ohms")]
    pub load: f64,
    /// Capacitor across the load, which rounds the edges, farads.
    #[serde(with = "value::farads")]
    pub treble_cut: f64,
    /// Output coupling capacitor, farads.
    #[serde(with = "value::farads")]
    pub coupling: f64,
    /// Output resistor, returned to the rail, ohms.
    #[serde(with = "value::ohms")]
    pub output: f64,
}

/// A stage: a driver and the tank on its collector.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Stage {
    /// The driver.
    pub driver: Driver,
    /// The coil.
    pub coil: Coil,
    /// Fixed capacitor with wiring and pins, farads.
    #[serde(with = "value::farads")]
    pub fixed: f64,
    /// Switched capacitors.
    pub bank: Bank,
    /// A capacitor faded in by a MOSFET channel.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sweep: Option<Sweep>,
}

/// A coil with its losses.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Coil {
    /// Inductance, henries.
    #[serde(with = "value::henries")]
    pub inductance: f64,
    /// Resistance of the wire, in series, ohms.
    #[serde(with = "value::ohms")]
    pub series: f64,
    /// Core loss, in parallel, ohms.
    #[serde(with = "value::ohms")]
    pub core: f64,
    /// Current at which the inductance has fallen by 30 %, amperes; left out for a coil that does not saturate.
    #[serde(default, with = "value::amperes::optional", skip_serializing_if = "Option::is_none")]
    pub saturation: Option<f64>,
}

/// How the lines choose capacitors.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum BankKind {
    /// Each line adds its capacitor: n lines, 2ⁿ codes.
    Parallel,
    /// An n-line multiplexer picks one of 2ⁿ capacitors.
    Select,
}

/// Switched capacitors: each in series with its own switch.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bank {
    /// How the lines choose.
    pub kind: BankKind,
    /// The capacitors, line 0 or position 0 first, farads; `0` leaves a multiplexer position open.
    #[serde(with = "value::farads::list")]
    pub capacitors: Vec<f64>,
    /// Resistance of a closed switch, ohms.
    #[serde(with = "value::ohms")]
    pub on: f64,
    /// Resistance of an open switch, ohms.
    #[serde(with = "value::ohms")]
    pub off: f64,
    /// Charge a switch pushes into the tank when it closes, and takes when it opens, coulombs.
    #[serde(with = "value::coulombs")]
    pub charge: f64,
}

/// A capacitor in series with a MOSFET channel, source on the rail, gate on the sweep voltage.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sweep {
    /// The capacitor, farads.
    #[serde(with = "value::farads")]
    pub capacitor: f64,
    /// Transconductance parameter, A/V².
    #[serde(with = "value::amperes_per_volt2")]
    pub transconductance: f64,
    /// Threshold voltage, volts.
    #[serde(with = "value::volts")]
    pub threshold: f64,
    /// Whether the package ties the body to the source, which puts a silicon diode from rail to drain.
    pub body_diode: bool,
}

/// What joins the stages.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Coupling {
    /// Capacitor between tanks 1 and 2, farads; zero for none.
    #[serde(with = "value::farads")]
    pub c12: f64,
    /// Level from tap 1 to driver 2, through a buffer.
    pub tap1_to_driver2: f64,
    /// Level from the follower to driver 3, through a buffer.
    pub follower_to_driver3: f64,
}

/// Two transistors as a Darlington, biased by a divider, coupled by a capacitor.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Follower {
    /// Both transistors.
    pub transistor: Transistor,
    /// Capacitor from tank 2, farads.
    #[serde(with = "value::farads")]
    pub coupling: f64,
    /// Divider, rail side, ohms.
    #[serde(with = "value::ohms")]
    pub upper: f64,
    /// Divider, ground side, ohms.
    #[serde(with = "value::ohms")]
    pub lower: f64,
    /// Stopper in the first base, ohms.
    #[serde(with = "value::ohms")]
    pub base: f64,
    /// Load from the second emitter to ground, ohms.
    #[serde(with = "value::ohms")]
    pub load: f64,
    /// Output coupling capacitor, farads.
    #[serde(with = "value::farads")]
    pub output: f64,
    /// Level resistor after the output capacitor, ohms.
    #[serde(with = "value::ohms")]
    pub level: f64,
}

/// A two-transistor astable with unequal halves: a narrow pulse.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Exciter {
    /// Timing resistors, both, ohms.
    #[serde(with = "value::ohms")]
    pub timing: f64,
    /// Capacitor of the long half, the pause, farads.
    #[serde(with = "value::farads")]
    pub pause: f64,
    /// Capacitor of the short half, the pulse, farads.
    #[serde(with = "value::farads")]
    pub pulse: f64,
    /// Base–emitter voltage at which a half ends, at 25 °C, volts; falls by 2 mV/K.
    #[serde(with = "value::volts")]
    pub base_emitter: f64,
    /// Collector voltage of a transistor that is on, volts.
    #[serde(with = "value::volts")]
    pub saturation: f64,
    /// Highest bias that the knob or a control voltage can give, volts.
    #[serde(with = "value::volts")]
    pub bias_limit: f64,
    /// Resistor through which the bias reaches the timing resistors, ohms.
    #[serde(with = "value::ohms")]
    pub gate_series: f64,
    /// Capacitor that the soft gate empties and fills through it, farads.
    #[serde(with = "value::farads")]
    pub gate_capacitor: f64,
}

/// Treatments of the switching click: parts and settings that a builder could add. The knobs switch them in.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Click {
    /// Resistor across every switch that keeps an idle capacitor near the tank voltage, ohms.
    #[serde(with = "value::ohms")]
    pub bleed: f64,
}

impl Board {
    /// The three stages in signal order.
    pub fn stages(&self) -> [&Stage; 3] {
        [&self.stage1, &self.stage2, &self.stage3]
    }

    /// The same, to change a part.
    pub fn stages_mut(&mut self) -> [&mut Stage; 3] {
        [&mut self.stage1, &mut self.stage2, &mut self.stage3]
    }
}

impl Bank {
    /// Lines that switch this bank, 0 to 4.
    pub fn lines(&self) -> usize {
        match self.kind {
            BankKind::Parallel => self.capacitors.len(),
            BankKind::Select => self.capacitors.len().next_power_of_two().trailing_zeros() as usize,
        }
    }

    /// Whether the capacitor at `position` is switched in under `code`.
    pub fn closed(&self, position: usize, code: u8) -> bool {
        match self.kind {
            BankKind::Parallel => code >> position & 1 == 1,
            BankKind::Select => usize::from(code) % self.capacitors.len() == position,
        }
    }
}

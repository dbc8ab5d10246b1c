//! What is drawn: every part of a unit its own number, within its tolerance.
//!
//! ```text
//!   value = nominal · (1 + tolerance·x),   x even from −1 to 1;  the temperature: nominal + kelvin·x
//! ```
//! Of a part no more is known than its bounds; then an even law between them is the one to take (JCGM 100:2008, Guide to the
//! expression of uncertainty in measurement, 4.3.7, from memory). It is also the more careful one: its standard deviation is
//! tolerance/√3, that of a bell that ends at the bounds about tolerance/3. Parts know nothing of each other.
//!
//! The k-th number of unit n is the k-th that `ChaCha` with eight rounds gives under the key `seed` in stream n (D. J. Bernstein,
//! "`ChaCha`, a variant of Salsa20", 2008): it depends on nothing else, not on threads, nor on how many units there are, nor on
//! how wide another part's tolerance is.

use crate::series::Series;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng as _, SeedableRng as _};
use std::fmt;
use tritank_dsp::board::{Board, Driver, Transistor};
use tritank_dsp::knobs::{Knob, Settings};

/// How far parts stand from what is written on them: fractions, and kelvin.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tolerances {
    /// Capacitors.
    pub capacitors: f64,
    /// Resistors; a bias divider is two of them.
    pub resistors: f64,
    /// Inductance of coils.
    pub coils: f64,
    /// Loss of coils: the wire's resistance and the core's.
    pub losses: f64,
    /// Current gains of transistors.
    pub gain: f64,
    /// Saturation current and leakage of transistors.
    pub saturation: f64,
    /// On-resistance of switches.
    pub switches: f64,
    /// Supply.
    pub supply: f64,
    /// Temperature about the unit's, kelvin.
    pub kelvin: f64,
}

impl Default for Tolerances {
    /// Common practice: film capacitors and resistors of 5 %, coils wound by hand and counted, germanium transistors as they come
    /// (gain and saturation current by half either way), multiplexers by half about the typical value of their sheet, a
    /// supply that is a battery, a room from 15 to 35 °C.
    fn default() -> Self {
        Self {
            capacitors: 0.05,
            resistors: 0.05,
            coils: 0.05,
            losses: 0.2,
            gain: 0.5,
            saturation: 0.5,
            switches: 0.5,
            supply: 0.1,
            kelvin: 10.0,
        }
    }
}

/// What a tolerance is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// A capacitor.
    Capacitor,
    /// A resistor.
    Resistor,
    /// The inductance of a coil.
    Coil,
    /// A loss of a coil.
    Loss,
    /// A current gain.
    Gain,
    /// A saturation current or leakage.
    Saturation,
    /// On-resistance.
    Switch,
    /// The supply.
    Supply,
    /// The temperature.
    Temperature,
}

impl Kind {
    /// All of them.
    pub const ALL: [Self; 9] = [
        Self::Capacitor,
        Self::Resistor,
        Self::Coil,
        Self::Loss,
        Self::Gain,
        Self::Saturation,
        Self::Switch,
        Self::Supply,
        Self::Temperature,
    ];

    /// Its word on the command line and in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Capacitor => "capacitor",
            Self::Resistor => "resistor",
            Self::Coil => "coil",
            Self::Loss => "loss",
            Self::Gain => "gain",
            Self::Saturation => "saturation",
            Self::Switch => "switch",
            Self::Supply => "supply",
            Self::Temperature => "temperature",
        }
    }
}

/// Tolerances as wide as this are meant; a part at −100 % is none.
pub const WIDEST: f64 = 0.9;
/// The same for the temperature, kelvin.
pub const WIDEST_KELVIN: f64 = 50.0;

impl Tolerances {
    /// The usual ones, capacitors as the series that they are of comes: E96 and E192 1 %, E48 2 %, E24 5 %, E12 10 %, E6 and E3
    /// 20 % (common practice with IEC 60063).
    pub fn of_series(series: Series) -> Self {
        let capacitors = match series {
            Series::E96 | Series::E192 => 0.01,
            Series::E48 => 0.02,
            Series::E24 => 0.05,
            Series::E12 => 0.1,
            Series::E6 | Series::E3 => 0.2,
        };
        Self { capacitors, ..Self::default() }
    }

    /// None at all: every unit is the board.
    pub fn exact() -> Self {
        Self {
            capacitors: 0.0,
            resistors: 0.0,
            coils: 0.0,
            losses: 0.0,
            gain: 0.0,
            saturation: 0.0,
            switches: 0.0,
            supply: 0.0,
            kelvin: 0.0,
        }
    }

    /// Of a kind: a fraction, or kelvin for the temperature.
    pub fn get(&self, kind: Kind) -> f64 {
        let mut all = *self;
        *all.of(kind)
    }

    /// The same, to set it.
    pub fn of(&mut self, kind: Kind) -> &mut f64 {
        match kind {
            Kind::Capacitor => &mut self.capacitors,
            Kind::Resistor => &mut self.resistors,
            Kind::Coil => &mut self.coils,
            Kind::Loss => &mut self.losses,
            Kind::Gain => &mut self.gain,
            Kind::Saturation => &mut self.saturation,
            Kind::Switch => &mut self.switches,
            Kind::Supply => &mut self.supply,
            Kind::Temperature => &mut self.kelvin,
        }
    }
}

/// A part that is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Part {
    /// What its tolerance is.
    pub kind: Kind,
    /// Where it is soldered: 1 to 3 for a stage, 0 for anywhere else.
    pub stage: u8,
    /// What it is there.
    what: &'static str,
    /// Which of several, counted from 0.
    place: Option<u8>,
}

impl fmt::Display for Part {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.stage > 0 {
            write!(f, "stage {} ", self.stage)?;
        }
        write!(f, "{}", self.what)?;
        self.place.map_or(Ok(()), |place| write!(f, " {place}"))
    }
}

/// Numbers of unit `unit`, even from −1 to 1, in order.
pub(super) fn numbers(seed: u64, unit: u64) -> impl FnMut() -> f64 {
    let mut key = [0; 32];
    key[..8].copy_from_slice(&seed.to_le_bytes());
    let mut stream = ChaCha8Rng::from_seed(key);
    stream.set_stream(unit);
    // The upper 53 bits: every double of the grid 2⁻⁵² from −1 to below 1.
    move || (stream.next_u64() >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

/// Moves every part of a unit by what `off` says of it: a fraction of its value, or kelvin. Always in the same order.
///
/// The switches of a bank are one chip and the two transistors of the follower one entry of the board: one number each. A sweep's
/// channel and a coil's saturation stay as they are; the exciter is not in the circuit of the stages. Supply and temperature end where
/// their knobs do.
pub(super) fn vary(board: &mut Board, settings: &mut Settings, mut off: impl FnMut(Part) -> f64) {
    let mut hand = Hand { off: &mut off, stage: 0 };
    let supply = hand.off(Kind::Supply, "supply");
    settings.set(Knob::UnitSupply, settings.get(Knob::UnitSupply) * (1.0 + supply));
    let kelvin = hand.off(Kind::Temperature, "temperature");
    settings.set(Knob::UnitTemperature, settings.get(Knob::UnitTemperature) + kelvin);
    for stage in board.stages_mut() {
        hand.stage += 1;
        hand.times(Kind::Coil, "coil", &mut stage.coil.inductance);
        hand.times(Kind::Loss, "coil's wire", &mut stage.coil.series);
        hand.times(Kind::Loss, "coil's core", &mut stage.coil.core);
        hand.times(Kind::Capacitor, "fixed capacitor", &mut stage.fixed);
        for (place, farads) in (0..).zip(&mut stage.bank.capacitors) {
            let part = Part { kind: Kind::Capacitor, stage: hand.stage, what: "capacitor", place: Some(place) };
            *farads *= 1.0 + (hand.off)(part);
        }
        hand.times(Kind::Switch, "switches", &mut stage.bank.on);
        if let Some(sweep) = &mut stage.sweep {
            hand.times(Kind::Capacitor, "sweep capacitor", &mut sweep.capacitor);
        }
        hand.driver(&mut stage.driver);
    }
    hand.stage = 0;
    hand.times(Kind::Capacitor, "C12", &mut board.coupling.c12);
    let part = &mut board.follower;
    hand.transistor("follower's gain", "follower's saturation current", &mut part.transistor);
    hand.times(Kind::Capacitor, "follower's coupling", &mut part.coupling);
    hand.times(Kind::Resistor, "follower's upper resistor", &mut part.upper);
    hand.times(Kind::Resistor, "follower's lower resistor", &mut part.lower);
    hand.times(Kind::Resistor, "follower's stopper", &mut part.base);
    hand.times(Kind::Resistor, "follower's load", &mut part.load);
    hand.times(Kind::Resistor, "bleeds", &mut board.click.bleed);
    if settings.is_on(Knob::InputOverdriven) {
        hand.times(Kind::Resistor, "input's load", &mut board.input.load);
        hand.driver(&mut board.input.driver);
    }
}

/// What moves the parts of one place.
struct Hand<'a> {
    off: &'a mut dyn FnMut(Part) -> f64,
    stage: u8,
}

impl Hand<'_> {
    fn off(&mut self, kind: Kind, what: &'static str) -> f64 {
        (self.off)(Part { kind, stage: self.stage, what, place: None })
    }

    fn times(&mut self, kind: Kind, what: &'static str, value: &mut f64) {
        *value *= 1.0 + self.off(kind, what);
    }

    fn transistor(&mut self, gain: &'static str, saturation: &'static str, part: &mut Transistor) {
        self.times(Kind::Gain, gain, &mut part.forward_gain);
        self.times(Kind::Gain, "reverse gain", &mut part.reverse_gain);
        self.times(Kind::Saturation, saturation, &mut part.saturation);
        self.times(Kind::Saturation, "leakage", &mut part.leakage);
    }

    fn driver(&mut self, part: &mut Driver) {
        self.transistor("transistor's gain", "transistor's saturation current", &mut part.transistor);
        self.times(Kind::Resistor, "base resistor", &mut part.base);
        self.times(Kind::Resistor, "emitter resistor", &mut part.emitter);
        let upper = (1.0 - part.bias) * (1.0 + self.off(Kind::Resistor, "bias, upper resistor"));
        let lower = part.bias * (1.0 + self.off(Kind::Resistor, "bias, lower resistor"));
        part.bias = lower / (upper + lower);
    }
}

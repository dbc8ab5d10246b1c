//! Every knob and switch of the unit: one table that the plugin, the patch file and the bench read.
//!
//! A knob's id is the same in a host's parameter list, in a patch and in `--set`: `stage1.switch2`, `exciter.rate`.

use crate::board::Board;
use crate::value::{self, Unit};
use std::fmt;

/// How a knob's travel maps to its value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Taper {
    /// Even.
    Linear,
    /// Even in ratio; both ends positive.
    Log,
    /// Finer towards the low end: value = low + span · travelⁿ.
    Power(f64),
}

/// What a knob is and what it allows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Kind {
    /// A continuous value.
    Value {
        /// Lowest.
        low: f64,
        /// Highest.
        high: f64,
        /// Where it stands on a new unit.
        default: f64,
        /// Unit.
        unit: Unit,
        /// Travel.
        taper: Taper,
    },
    /// On or off.
    Switch {
        /// Where it stands on a new unit.
        default: bool,
    },
    /// A whole number from zero.
    Count {
        /// Highest.
        most: u8,
    },
    /// One of several words; the value is the place in the row.
    Choice {
        /// The words.
        words: &'static [&'static str],
        /// Where it stands on a new unit.
        default: usize,
    },
}

macro_rules! knobs {
    ($($knob:ident $id:literal $name:literal $kind:expr;)*) => {
        /// A knob or switch by name.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
        #[repr(u8)]
        pub enum Knob { $(#[doc = concat!("`", $id, "`")] $knob,)* }

        impl Knob {
            /// Every knob, in panel order.
            pub const ALL: &'static [Self] = &[$(Self::$knob,)*];

            /// The stable id.
            pub const fn id(self) -> &'static str {
                match self { $(Self::$knob => $id,)* }
            }

            /// The name on the panel, within its group.
            pub const fn name(self) -> &'static str {
                match self { $(Self::$knob => $name,)* }
            }

            /// What it is and what it allows.
            pub const fn kind(self) -> Kind {
                match self { $(Self::$knob => $kind,)* }
            }
        }
    };
}

const fn value(low: f64, high: f64, default: f64, unit: Unit, taper: Taper) -> Kind {
    Kind::Value { low, high, default, unit, taper }
}
const fn level(high: f64, default: f64) -> Kind {
    value(0.0, high, default, Unit::None, Taper::Power(2.0))
}
const fn sweep() -> Kind {
    value(0.0, 9.0, 0.0, Unit::Volt, Taper::Linear)
}
const fn pan(default: f64) -> Kind {
    value(-1.0, 1.0, default, Unit::None, Taper::Linear)
}
const OFF: Kind = Kind::Switch { default: false };
const CODE: Kind = Kind::Count { most: 15 };

/// Oversampling factors that a choice of quality stands for.
pub const QUALITIES: [usize; 5] = [1, 2, 4, 8, 16];

knobs! {
    UnitSupply "unit.supply" "Supply" value(1.2, 9.0, 3.0, Unit::Volt, Taper::Linear);
    UnitTemperature "unit.temperature" "Temperature" value(-20.0, 70.0, 25.0, Unit::Celsius, Taper::Linear);
    UnitQuality "unit.quality" "Oversampling" Kind::Choice { words: &["1", "2", "4", "8", "16"], default: 2 };

    InputOverdriven "input.overdriven" "Overdriven" OFF;
    InputDrive "input.drive" "Drive" level(10.0, 0.3);

    ExciterRate "exciter.rate" "Rate" value(20.0, 2000.0, 110.0, Unit::Hertz, Taper::Log);
    ExciterLevel "exciter.level" "Level" level(1.0, 0.0);
    ExciterPitch "exciter.pitch" "Pitch" Kind::Choice { words: &["knob", "keys"], default: 0 };
    ExciterChord "exciter.chord" "Chord" Kind::Choice { words: &["last", "stages", "voices"], default: 0 };
    ExciterSoftGate "exciter.soft_gate" "Soft gate" OFF;
    ExciterHardGate "exciter.hard_gate" "Hard gate" OFF;

    Stage1Main "stage1.main" "Main in" level(10.0, 0.1);
    Stage1Pulse "stage1.pulse" "Pulse" level(10.0, 0.1);
    Stage1Switch0 "stage1.switch0" "Switch 0" OFF;
    Stage1Switch1 "stage1.switch1" "Switch 1" OFF;
    Stage1Switch2 "stage1.switch2" "Switch 2" OFF;
    Stage1Switch3 "stage1.switch3" "Switch 3" OFF;
    Stage1Code "stage1.code" "Code" CODE;
    Stage1Sweep "stage1.sweep" "Sweep" sweep();

    Stage2Main "stage2.main" "Main in" level(10.0, 0.0);
    Stage2In "stage2.in" "Stage 2 in" level(10.0, 0.1);
    Stage2Pulse "stage2.pulse" "Pulse" level(10.0, 0.0);
    Stage2Link "stage2.link" "From tap 1" value(-10.0, 10.0, 0.1, Unit::None, Taper::Linear);
    Stage2Switch0 "stage2.switch0" "Switch 0" OFF;
    Stage2Switch1 "stage2.switch1" "Switch 1" OFF;
    Stage2Switch2 "stage2.switch2" "Switch 2" OFF;
    Stage2Switch3 "stage2.switch3" "Switch 3" OFF;
    Stage2Code "stage2.code" "Code" CODE;
    Stage2Sweep "stage2.sweep" "Sweep" sweep();

    Stage3Main "stage3.main" "Main in" level(10.0, 0.0);
    Stage3In "stage3.in" "Stage 3 in" level(10.0, 0.1);
    Stage3Pulse "stage3.pulse" "Pulse" level(10.0, 0.0);
    Stage3Link "stage3.link" "From follower" value(-10.0, 10.0, 0.1, Unit::None, Taper::Linear);
    Stage3Switch0 "stage3.switch0" "Switch 0" OFF;
    Stage3Switch1 "stage3.switch1" "Switch 1" OFF;
    Stage3Switch2 "stage3.switch2" "Switch 2" OFF;
    Stage3Switch3 "stage3.switch3" "Switch 3" OFF;
    Stage3Code "stage3.code" "Code" CODE;
    Stage3Sweep "stage3.sweep" "Sweep" sweep();

    ClickBleed "click.bleed" "Bleed" OFF;
    ClickZeroWait "click.zero_wait" "Zero wait" OFF;
    ClickSoftEdge "click.soft_edge" "Soft edge" value(0.0, 0.1, 0.0, Unit::Second, Taper::Power(3.0));

    Tap1Level "tap1.level" "Level" level(4.0, 0.3);
    Tap1Pan "tap1.pan" "Pan" pan(-0.6);
    Tap1Invert "tap1.invert" "Invert" OFF;
    Tap2Level "tap2.level" "Level" level(4.0, 0.3);
    Tap2Pan "tap2.pan" "Pan" pan(0.6);
    Tap2Invert "tap2.invert" "Invert" OFF;
    Tap3Level "tap3.level" "Level" level(4.0, 0.3);
    Tap3Pan "tap3.pan" "Pan" pan(0.0);
    Tap3Invert "tap3.invert" "Invert" OFF;
    DirectLevel "direct.level" "Level" level(4.0, 0.0);

    OutputLevel "output.level" "Level" value(-60.0, 12.0, 0.0, Unit::Decibel, Taper::Linear);
    Limiter "limiter" "Limiter" Kind::Switch { default: true };
    LimiterCeiling "limiter.ceiling" "Ceiling" value(-30.0, -1.0, -1.0, Unit::Decibel, Taper::Linear);
}

/// A knob that is not there, or a value that it does not allow.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KnobError {
    /// The id as it was given.
    pub id: String,
    /// What was given and what is allowed.
    pub what: String,
}

impl fmt::Display for KnobError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.id, self.what)
    }
}

impl std::error::Error for KnobError {}

impl Knob {
    /// How many knobs there are.
    pub const COUNT: usize = Self::ALL.len();

    /// The group on the panel, the id's first word: `stage1`, `exciter`, `limiter`.
    pub fn group(self) -> &'static str {
        self.id().split('.').next().unwrap_or_default()
    }

    /// The knob with this id.
    ///
    /// # Errors
    /// The id given, and those that come nearest.
    pub fn find(id: &str) -> Result<Self, KnobError> {
        Self::ALL.iter().copied().find(|knob| knob.id() == id).ok_or_else(|| {
            let group = id.split('.').next().unwrap_or_default();
            let near: Vec<_> = Self::ALL.iter().filter(|knob| knob.group() == group).map(|knob| knob.id()).collect();
            let what = if near.is_empty() {
                let mut groups: Vec<_> = Self::ALL.iter().map(|knob| knob.group()).collect();
                groups.dedup();
                format!("no knob of that name; the groups are {}", groups.join(", "))
            } else {
                format!("no knob of that name; in that group are {}", near.join(", "))
            };
            KnobError { id: id.to_owned(), what }
        })
    }

    /// Whether it can take another unit to turn it: nothing for a lane.
    pub fn rebuilds(self) -> bool {
        matches!(self, Self::UnitQuality | Self::ExciterChord)
    }

    /// Panel switch `bit` (0–3) of stage `stage` (0–2).
    pub fn switch(stage: usize, bit: usize) -> Self {
        const SWITCHES: [[Knob; 4]; 3] = [
            [Knob::Stage1Switch0, Knob::Stage1Switch1, Knob::Stage1Switch2, Knob::Stage1Switch3],
            [Knob::Stage2Switch0, Knob::Stage2Switch1, Knob::Stage2Switch2, Knob::Stage2Switch3],
            [Knob::Stage3Switch0, Knob::Stage3Switch1, Knob::Stage3Switch2, Knob::Stage3Switch3],
        ];
        SWITCHES[stage][bit]
    }

    /// Code knob of stage `stage` (0–2).
    pub fn code(stage: usize) -> Self {
        [Self::Stage1Code, Self::Stage2Code, Self::Stage3Code][stage]
    }

    /// Where it stands on a new unit.
    pub const fn default_value(self) -> f64 {
        match self.kind() {
            Kind::Value { default, .. } => default,
            Kind::Switch { default } => default as u8 as f64,
            Kind::Count { .. } => 0.0,
            Kind::Choice { default, .. } => default as f64,
        }
    }

    /// Lowest and highest value.
    pub const fn range(self) -> (f64, f64) {
        match self.kind() {
            Kind::Value { low, high, .. } => (low, high),
            Kind::Switch { .. } => (0.0, 1.0),
            Kind::Count { most } => (0.0, most as f64),
            Kind::Choice { words, .. } => (0.0, (words.len() - 1) as f64),
        }
    }

    /// The nearest value that is allowed; not a number becomes the default.
    pub fn clamped(self, value: f64) -> f64 {
        let (low, high) = self.range();
        if value.is_nan() {
            return self.default_value();
        }
        let value = value.clamp(low, high);
        // Adding zero turns −0 into 0, which reads better.
        if matches!(self.kind(), Kind::Value { .. }) { value + 0.0 } else { value.round() }
    }

    /// Travel (0 to 1) to value.
    pub fn at_travel(self, travel: f64) -> f64 {
        let travel = travel.clamp(0.0, 1.0);
        let (low, high) = self.range();
        self.clamped(match self.kind() {
            Kind::Value { taper: Taper::Log, .. } => low * (high / low).powf(travel),
            Kind::Value { taper: Taper::Power(n), .. } => low + (high - low) * travel.powf(n),
            _ => low + (high - low) * travel,
        })
    }

    /// Value to travel (0 to 1).
    pub fn travel(self, value: f64) -> f64 {
        let (low, high) = self.range();
        let value = self.clamped(value);
        match self.kind() {
            Kind::Value { taper: Taper::Log, .. } => (value / low).ln() / (high / low).ln(),
            Kind::Value { taper: Taper::Power(n), .. } => ((value - low) / (high - low)).powf(1.0 / n),
            _ => (value - low) / (high - low),
        }
    }

    /// Reads a value as text: `110 Hz`, `on`, `13`, `keys`.
    ///
    /// # Errors
    /// What was given, and what is allowed.
    pub fn parse(self, text: &str) -> Result<f64, KnobError> {
        let refuse = |allowed: String| KnobError {
            id: self.id().to_owned(),
            what: format!("given \"{text}\", allowed is {allowed}"),
        };
        let word = text.trim();
        let (low, high) = self.range();
        match self.kind() {
            Kind::Switch { .. } => match word.to_ascii_lowercase().as_str() {
                "on" | "1" | "true" => Ok(1.0),
                "off" | "0" | "false" => Ok(0.0),
                _ => Err(refuse("on or off".into())),
            },
            Kind::Choice { words, .. } => words
                .iter()
                .position(|w| w.eq_ignore_ascii_case(word))
                .map(|place| place as f64)
                .ok_or_else(|| refuse(words.join(", "))),
            Kind::Count { most } => word
                .parse::<u8>()
                .ok()
                .filter(|n| *n <= most)
                .map(f64::from)
                .ok_or_else(|| refuse(format!("a whole number from 0 to {most}"))),
            Kind::Value { unit, .. } => value::parse(word, unit)
                .ok()
                .filter(|x| (low..=high).contains(x))
                .ok_or_else(|| refuse(format!("{} to {}", value::write(low, unit), value::write(high, unit)))),
        }
    }

    /// Writes a value as text with its unit, so that [`Knob::parse`] reads the same value back.
    pub fn write(self, value: f64) -> String {
        let value = self.clamped(value);
        match self.kind() {
            Kind::Switch { .. } => if value > 0.5 { "on" } else { "off" }.to_owned(),
            Kind::Choice { words, .. } => words[value as usize].to_owned(),
            Kind::Count { .. } => format!("{value}"),
            Kind::Value { unit, .. } => value::write(value, unit),
        }
    }
}

/// Where every knob stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings([f64; Knob::COUNT]);

impl Settings {
    /// A new unit on this board: its supply, temperature and link levels as soldered, all else at its default.
    pub fn of(board: &Board) -> Self {
        let mut settings = Self(std::array::from_fn(|n| Knob::ALL[n].default_value()));
        settings.set(Knob::UnitSupply, board.supply);
        settings.set(Knob::UnitTemperature, board.temperature);
        settings.set(Knob::Stage2Link, board.coupling.tap1_to_driver2);
        settings.set(Knob::Stage3Link, board.coupling.follower_to_driver3);
        settings
    }

    /// Where a knob stands.
    pub fn get(&self, knob: Knob) -> f64 {
        self.0[knob as usize]
    }

    /// Whether a switch is on.
    pub fn is_on(&self, knob: Knob) -> bool {
        self.get(knob) > 0.5
    }

    /// Turns a knob, to the nearest value that it allows.
    pub fn set(&mut self, knob: Knob, value: f64) {
        self.0[knob as usize] = knob.clamped(value);
    }

    /// Reads `name=value`, as `--set` and patches write it.
    ///
    /// # Errors
    /// What was given, and what is allowed.
    pub fn assign(&mut self, id: &str, text: &str) -> Result<(), KnobError> {
        let knob = Knob::find(id)?;
        self.set(knob, knob.parse(text)?);
        Ok(())
    }

    /// Oversampling factor.
    pub fn quality(&self) -> usize {
        QUALITIES[self.get(Knob::UnitQuality) as usize]
    }

    /// What becomes of several keys that are down.
    pub fn chord(&self) -> Chord {
        Chord::ALL[self.get(Knob::ExciterChord) as usize]
    }

    /// What it takes a new unit to change.
    pub fn build(&self) -> Build {
        Build { quality: self.quality(), voices: if self.chord() == Chord::Voices { VOICES } else { 1 } }
    }
}

/// What becomes of several keys that are down.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Chord {
    /// The last one is heard.
    Last,
    /// Three exciters: the low, the middle and the high one go into stages 1, 2 and 3, or as the key table says.
    Stages,
    /// Each key, up to [`VOICES`], has an exciter, lines and a chain of its own.
    Voices,
}

impl Chord {
    /// In the order of the knob's words.
    pub const ALL: [Self; 3] = [Self::Last, Self::Stages, Self::Voices];
}

/// Most chains of a unit.
pub const VOICES: usize = 4;

/// What a unit is built for and cannot change.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Build {
    /// Oversampling factor.
    pub quality: usize,
    /// Chains: 1 or [`VOICES`].
    pub voices: usize,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_knob_reads_back_what_it_writes_and_its_travel_returns() {
        for &knob in Knob::ALL {
            assert_eq!(Knob::find(knob.id()), Ok(knob));
            let (low, high) = knob.range();
            let default = knob.default_value();
            assert!((low..=high).contains(&default), "{}", knob.id());
            for step in 0..=16 {
                let value = knob.at_travel(f64::from(step) / 16.0);
                assert_eq!(knob.parse(&knob.write(value)), Ok(value), "{}", knob.id());
                let back = knob.at_travel(knob.travel(value));
                approx::assert_relative_eq!(back, value, max_relative = 1e-12, epsilon = 1e-12);
            }
        }
    }

    #[test]
    fn what_a_knob_does_not_allow_is_refused_with_what_it_does() {
        let mut settings = Settings::of(&Board::built_in());
        let error = settings.assign("unit.supply", "12 V").unwrap_err().to_string();
        assert!(error.contains("12 V") && error.contains("9 V"), "{error}");
        let error = settings.assign("stage1.swich2", "on").unwrap_err().to_string();
        assert!(error.contains("stage1.switch2"), "{error}");
        settings.set(Knob::UnitSupply, f64::NAN);
        assert_eq!(settings.get(Knob::UnitSupply), 3.0);
    }
}

//! Every knob and switch of the unit: one table that the plugin, the patch file and the bench read.
//!
//! A knob's id is the same in a host's parameter list, in a patch and in `--set`: `stage1.switch2`, `exciter.rate`.

mod settings;

pub use settings::{Build, Chord, Settings, VOICES};

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
    ($($knob:ident $id:literal $name:literal $kind:expr, $what:expr;)*) => {
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

            /// What it does, in a sentence without its full stop.
            pub const fn what(self) -> &'static str {
                match self { $(Self::$knob => $what,)* }
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

// What knobs do that stand on every stage or tap.
const MAIN: &str = "Main in on the stage's driver, times the value";
const JACK: &str = "The stage's own jack on its driver, times the value";
const PULSE: &str = "Pulse of the exciter on the stage's driver, times the value and exciter.level";
const SWITCH: &str =
    "Panel switch of the stage's line of this number: on, it turns over what all others make of the line";
const LINES: &str = "Pulls the stage's four lines, bit n of the number for line n";
const SWEEP: &str =
    "Gate voltage of the stage's sweep: the higher, the more of its capacitor is in, and the lower the peak";
const TAP: &str = "The tap in the mix, times the value";
const PLACE: &str = "Where the tap lies: -1 left, 0 in the middle, 1 right";
const OVER: &str = "Turns the tap's polarity over";

knobs! {
    UnitSupply "unit.supply" "Supply" value(1.2, 9.0, 3.0, Unit::Volt, Taper::Linear),
        "Battery; the lower, the sooner the drivers bend. A new unit has what its board says";
    UnitTemperature "unit.temperature" "Temperature" value(-20.0, 70.0, 25.0, Unit::Celsius, Taper::Linear),
        "How warm all transistors are. A new unit has what its board says";
    UnitQuality "unit.quality" "Oversampling" Kind::Choice { words: &["1", "2", "4", "8", "16"], default: 2 },
        "How finely the circuit is solved: the more, the truer and the slower; it takes a new unit, so no lane turns it";

    InputOverdriven "input.overdriven" "Overdriven" OFF,
        "Sends main in through one more germanium driver before the stages";
    InputDrive "input.drive" "Drive" level(10.0, 0.3),
        "Main in on the driver of that input, times the value; heard while input.overdriven is on";

    ExciterRate "exciter.rate" "Rate" value(20.0, 2000.0, 110.0, Unit::Hertz, Taper::Log),
        "Pulses a second at the board's supply and temperature, where exciter.pitch is knob; less supply raises them, cold lowers and in the end stops them";
    ExciterLevel "exciter.level" "Level" level(1.0, 0.0),
        "Pulse of the exciter for all stages, times the value; each takes its part by stage1.pulse to stage3.pulse";
    ExciterPitch "exciter.pitch" "Pitch" Kind::Choice { words: &["knob", "keys"], default: 0 },
        "What gives the pitch; with keys the pulse is shut while none is down";
    ExciterChord "exciter.chord" "Chord" Kind::Choice { words: &["last", "stages", "voices"], default: 0 },
        "Of several keys: last plays one, stages gives each stage a note, voices each key a chain; it can take a new unit, so no lane turns it";
    ExciterSoftGate "exciter.soft_gate" "Soft gate" OFF,
        "Pulls the line soft: starves the exciter's bias, so that its pitch falls until it stops";
    ExciterHardGate "exciter.hard_gate" "Hard gate" OFF,
        "Pulls the line hard: cuts the pulse, while the exciter runs on behind it";

    Stage1Main "stage1.main" "Main in" level(10.0, 0.1), MAIN;
    Stage1Pulse "stage1.pulse" "Pulse" level(10.0, 0.1), PULSE;
    Stage1Switch0 "stage1.switch0" "Switch 0" OFF, SWITCH;
    Stage1Switch1 "stage1.switch1" "Switch 1" OFF, SWITCH;
    Stage1Switch2 "stage1.switch2" "Switch 2" OFF, SWITCH;
    Stage1Switch3 "stage1.switch3" "Switch 3" OFF, SWITCH;
    Stage1Code "stage1.code" "Code" CODE, LINES;
    Stage1Sweep "stage1.sweep" "Sweep" sweep(), SWEEP;

    Stage2Main "stage2.main" "Main in" level(10.0, 0.0), MAIN;
    Stage2In "stage2.in" "Stage 2 in" level(10.0, 0.1), JACK;
    Stage2Pulse "stage2.pulse" "Pulse" level(10.0, 0.0), PULSE;
    Stage2Link "stage2.link" "From tap 1" value(-10.0, 10.0, 0.1, Unit::None, Taper::Linear),
        "Tap 1 on the driver of stage 2, times the value, turned over below 0. A new unit has what its board says";
    Stage2Switch0 "stage2.switch0" "Switch 0" OFF, SWITCH;
    Stage2Switch1 "stage2.switch1" "Switch 1" OFF, SWITCH;
    Stage2Switch2 "stage2.switch2" "Switch 2" OFF, SWITCH;
    Stage2Switch3 "stage2.switch3" "Switch 3" OFF, SWITCH;
    Stage2Code "stage2.code" "Code" CODE, LINES;
    Stage2Sweep "stage2.sweep" "Sweep" sweep(), SWEEP;

    Stage3Main "stage3.main" "Main in" level(10.0, 0.0), MAIN;
    Stage3In "stage3.in" "Stage 3 in" level(10.0, 0.1), JACK;
    Stage3Pulse "stage3.pulse" "Pulse" level(10.0, 0.0), PULSE;
    Stage3Link "stage3.link" "From follower" value(-10.0, 10.0, 0.1, Unit::None, Taper::Linear),
        "The follower behind tank 2 on the driver of stage 3, times the value, turned over below 0. A new unit has what its board says";
    Stage3Switch0 "stage3.switch0" "Switch 0" OFF, SWITCH;
    Stage3Switch1 "stage3.switch1" "Switch 1" OFF, SWITCH;
    Stage3Switch2 "stage3.switch2" "Switch 2" OFF, SWITCH;
    Stage3Switch3 "stage3.switch3" "Switch 3" OFF, SWITCH;
    Stage3Code "stage3.code" "Code" CODE, LINES;
    Stage3Sweep "stage3.sweep" "Sweep" sweep(), SWEEP;

    ClickBleed "click.bleed" "Bleed" OFF,
        "Puts a resistor across every switch, so that idle capacitors keep near the tank's voltage and click less";
    ClickZeroWait "click.zero_wait" "Zero wait" OFF,
        "Holds each edge of a line, a period of the tank at most, until the tank's voltage crosses zero";
    ClickSoftEdge "click.soft_edge" "Soft edge" value(0.0, 0.1, 0.0, Unit::Second, Taper::Power(3.0)),
        "How long a switch takes from open to closed and back; 0 is at once";

    Tap1Level "tap1.level" "Level" level(4.0, 0.3), TAP;
    Tap1Pan "tap1.pan" "Pan" pan(-0.6), PLACE;
    Tap1Invert "tap1.invert" "Invert" OFF, OVER;
    Tap2Level "tap2.level" "Level" level(4.0, 0.3), TAP;
    Tap2Pan "tap2.pan" "Pan" pan(0.6), PLACE;
    Tap2Invert "tap2.invert" "Invert" OFF, OVER;
    Tap3Level "tap3.level" "Level" level(4.0, 0.3), TAP;
    Tap3Pan "tap3.pan" "Pan" pan(0.0), PLACE;
    Tap3Invert "tap3.invert" "Invert" OFF, OVER;
    DirectLevel "direct.level" "Level" level(4.0, 0.0),
        "Main in beside the taps in the mix, straight and in stereo, times the value";

    OutputLevel "output.level" "Level" value(-60.0, 12.0, 0.0, Unit::Decibel, Taper::Linear),
        "All of the mix, before the limiter";
    Limiter "limiter" "Limiter" Kind::Switch { default: true },
        "Keeps the output's true peak below limiter.ceiling; keep it on while you listen";
    LimiterCeiling "limiter.ceiling" "Ceiling" value(-30.0, -1.0, -1.0, Unit::Decibel, Taper::Linear),
        "Highest peak that the limiter lets through, re 1 V";
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

    /// The group in words: `stage1` becomes `Stage 1`.
    pub fn group_name(self) -> String {
        let group = self.group();
        let (word, number) = group.split_at(group.find(|c: char| c.is_ascii_digit()).unwrap_or(group.len()));
        let mut name = word[..1].to_uppercase() + &word[1..];
        if !number.is_empty() {
            name.push(' ');
            name += number;
        }
        name
    }

    /// The name with its group, to stand alone: `Stage 1 Switch 2`.
    pub fn full_name(self) -> String {
        let group = self.group_name();
        if self.name().starts_with(&group) { self.name().to_owned() } else { format!("{group} {}", self.name()) }
    }

    /// Every group, in panel order.
    pub fn groups() -> Vec<&'static str> {
        let mut groups: Vec<_> = Self::ALL.iter().map(|knob| knob.group()).collect();
        groups.dedup();
        groups
    }

    /// The knob with this id.
    ///
    /// # Errors
    /// The id given, and those that come nearest.
    pub fn find(id: &str) -> Result<Self, KnobError> {
        Self::ALL.iter().copied().find(|knob| knob.id() == id).ok_or_else(|| {
            let group = id.split('.').next().unwrap_or_default();
            let near: Vec<_> = Self::ALL.iter().filter(|knob| knob.group() == group).map(|knob| knob.id()).collect();
            let near = if near.is_empty() {
                format!("the groups are {}", Self::groups().join(", "))
            } else {
                format!("in that group are {}", near.join(", "))
            };
            let what = format!("no knob of that name; {near}");
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
        let word = text.trim();
        let (low, high) = self.range();
        let read = match self.kind() {
            Kind::Switch { .. } => match word.to_ascii_lowercase().as_str() {
                "on" | "1" | "true" => Some(1.0),
                "off" | "0" | "false" => Some(0.0),
                _ => None,
            },
            Kind::Choice { words, .. } => {
                words.iter().position(|w| w.eq_ignore_ascii_case(word)).map(|place| place as f64)
            }
            Kind::Count { most } => word.parse::<u8>().ok().filter(|n| *n <= most).map(f64::from),
            Kind::Value { unit, .. } => value::parse(word, unit).ok().filter(|x| (low..=high).contains(x)),
        };
        let what = || format!("given \"{text}\", allowed is {}", self.allowed());
        read.ok_or_else(|| KnobError { id: self.id().to_owned(), what: what() })
    }

    /// What it allows, in words: `20 Hz to 2 kHz`, `on or off`.
    pub fn allowed(self) -> String {
        match self.kind() {
            Kind::Switch { .. } => "on or off".to_owned(),
            Kind::Choice { words, .. } => words.join(", "),
            Kind::Count { most } => format!("a whole number from 0 to {most}"),
            Kind::Value { low, high, unit, .. } => {
                format!("{} to {}", value::write(low, unit), value::write(high, unit))
            }
        }
    }

    /// Texts that [`Knob::parse`] reads: of a word all of them, of a number one in each way that it can be written.
    pub fn texts(self) -> &'static [&'static str] {
        match self.kind() {
            Kind::Switch { .. } => &["on", "off", "1", "0", "true", "false"],
            Kind::Choice { words, .. } => words,
            Kind::Count { .. } => &["5"],
            Kind::Value { unit, .. } => unit.examples(),
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::Board;

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

    /// What `tritank knobs` prints stands as it is said here: one sentence each, and texts that are read.
    #[test]
    fn every_knob_says_what_it_does_and_reads_the_texts_that_it_names() {
        for &knob in Knob::ALL {
            let what = knob.what();
            assert!(what.starts_with(char::is_uppercase) && !what.ends_with('.'), "{}: {what}", knob.id());
            for text in knob.texts() {
                assert!(knob.parse(text).is_ok(), "{}: {text}", knob.id());
            }
            for word in what.split([' ', ',', ';']).map(|word| word.trim_end_matches('.')) {
                assert!(!word.contains('.') || Knob::find(word).is_ok(), "{}: {word} in: {what}", knob.id());
            }
        }
        assert_eq!(Knob::ExciterRate.allowed(), "20 Hz to 2 kHz");
        assert_eq!(Knob::groups()[..3], ["unit", "input", "exciter"]);
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

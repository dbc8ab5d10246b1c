//! Values as builders write them.
//!
//! ```text
//!   "4k7"      4.7 kΩ     IEC 60062: the letter stands for the decimal point
//!   "104"      100 nF     IEC 60062: three digits on a capacitor, in picofarads
//!   "0.15 H"   0.15 H     number, prefix, unit
//!   0.15       0.15 H     a bare TOML number is in the base unit
//! ```

use std::fmt;

/// The units that a board, a knob or a reading can carry.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Unit {
    /// Plain number.
    None,
    /// Volts.
    Volt,
    /// Amperes.
    Ampere,
    /// Ohms.
    Ohm,
    /// Farads.
    Farad,
    /// Henries.
    Henry,
    /// Seconds.
    Second,
    /// Hertz.
    Hertz,
    /// Coulombs.
    Coulomb,
    /// Degrees Celsius.
    Celsius,
    /// Decibels.
    Decibel,
    /// Amperes per square volt, the transconductance parameter of a MOSFET channel.
    AmperePerVolt2,
}

impl Unit {
    /// The symbol written after the number, empty for a plain number.
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::None => "",
            Self::Volt => "V",
            Self::Ampere => "A",
            Self::Ohm => "Ω",
            Self::Farad => "F",
            Self::Henry => "H",
            Self::Second => "s",
            Self::Hertz => "Hz",
            Self::Coulomb => "C",
            Self::Celsius => "°C",
            Self::Decibel => "dB",
            Self::AmperePerVolt2 => "A/V²",
        }
    }

    /// Every spelling that is read, longest first.
    const fn spellings(self) -> &'static [&'static str] {
        match self {
            Self::None => &[],
            Self::Volt => &["volts", "volt", "V"],
            Self::Ampere => &["amperes", "ampere", "A"],
            Self::Ohm => &["ohms", "ohm", "Ω", "\u{2126}", "R"],
            Self::Farad => &["farads", "farad", "F"],
            Self::Henry => &["henries", "henry", "H"],
            Self::Second => &["seconds", "second", "s"],
            Self::Hertz => &["hertz", "Hz", "hz"],
            Self::Coulomb => &["coulombs", "coulomb", "C"],
            Self::Celsius => &["°C", "degC", "C"],
            Self::Decibel => &["dB", "db"],
            Self::AmperePerVolt2 => &["A/V^2", "A/V²", "A/V2"],
        }
    }

    /// One value in the ways that it can be written; the first is the usual one.
    pub const fn examples(self) -> &'static [&'static str] {
        match self {
            Self::None => &["0.5"],
            Self::Volt => &["3 V", "3", "3000 mV"],
            Self::Ampere => &["2 µA", "2u", "0.000002"],
            Self::Ohm => &["4k7", "4.7 kΩ", "4700"],
            Self::Farad => &["100n", "100 nF", "104"],
            Self::Henry => &["0.15 H", "0.15", "150m"],
            Self::Second => &["2 ms", "2m", "0.002"],
            Self::Hertz => &["440 Hz", "440", "0.44 kHz"],
            Self::Coulomb => &["2 pC", "2p"],
            Self::Celsius => &["25 °C", "25", "25 C"],
            Self::Decibel => &["-1 dB", "-1"],
            Self::AmperePerVolt2 => &["2 mA/V²", "2m", "0.002"],
        }
    }

    const fn takes_prefix(self) -> bool {
        !matches!(self, Self::Celsius | Self::Decibel | Self::None)
    }
}

/// What was written is no value of the unit that belongs there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ValueError {
    /// The text as it was given.
    pub given: String,
    /// The unit that belongs there.
    pub unit: Unit,
}

impl fmt::Display for ValueError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let of = match self.unit {
            Unit::None => String::new(),
            unit => format!(" in {}", unit.symbol()),
        };
        write!(f, "given \"{}\", allowed is a finite number{of} such as \"{}\"", self.given, self.unit.examples()[0])
    }
}

impl std::error::Error for ValueError {}

/// SI prefixes as powers of ten. `K` and `Meg` are how parts are marked.
const PREFIXES: [(&str, i32); 13] = [
    ("f", -15),
    ("p", -12),
    ("n", -9),
    ("µ", -6),
    ("μ", -6),
    ("u", -6),
    ("m", -3),
    ("k", 3),
    ("K", 3),
    ("M", 6),
    ("Meg", 6),
    ("G", 9),
    ("", 0),
];

fn prefix(text: &str) -> Option<i32> {
    PREFIXES.iter().find(|(p, _)| *p == text).map(|(_, power)| *power)
}

/// Reads one value in its base unit (volts, ohms, farads …).
///
/// # Errors
/// [`ValueError`] with the text given and an example of what is allowed.
pub fn parse(text: &str, unit: Unit) -> Result<f64, ValueError> {
    let refuse = || ValueError { given: text.to_owned(), unit };
    let plain = text.trim();
    let value = three_digit_code(plain, unit)
        .or_else(|| number_and_unit(plain, unit))
        .or_else(|| letter_as_point(plain, unit))
        .ok_or_else(refuse)?;
    if value.is_finite() { Ok(value) } else { Err(refuse()) }
}

/// IEC 60062: `104` on a capacitor is 10 · 10⁴ pF.
fn three_digit_code(text: &str, unit: Unit) -> Option<f64> {
    let digits = text.as_bytes();
    if unit != Unit::Farad || digits.len() != 3 || !digits.iter().all(u8::is_ascii_digit) {
        return None;
    }
    let significant = f64::from(digits[0] - b'0') * 10.0 + f64::from(digits[1] - b'0');
    Some(significant * 10f64.powi(i32::from(digits[2] - b'0') - 12))
}

/// `0.15 H`, `100n`, `100 nF`, `2e-6`, `-1 dB`.
fn number_and_unit(text: &str, unit: Unit) -> Option<f64> {
    let bytes = text.as_bytes();
    let mut end = 0;
    while end < bytes.len() {
        let sign_in_exponent = end > 0 && matches!(bytes[end], b'+' | b'-') && matches!(bytes[end - 1], b'e' | b'E');
        let exponent = matches!(bytes[end], b'e' | b'E')
            && bytes.get(end + 1).is_some_and(|b| b.is_ascii_digit() || matches!(b, b'+' | b'-'));
        let leading_sign = end == 0 && matches!(bytes[0], b'+' | b'-');
        if bytes[end].is_ascii_digit() || bytes[end] == b'.' || sign_in_exponent || exponent || leading_sign {
            end += 1;
        } else {
            break;
        }
    }
    scaled(&text[..end], power_of(text[end..].trim(), unit)?)
}

/// The power of ten that a suffix such as `n`, `nF`, `mA/V²` or `°C` stands for.
fn power_of(suffix: &str, unit: Unit) -> Option<i32> {
    if suffix.is_empty() {
        return Some(0);
    }
    for spelling in unit.spellings() {
        if let Some(before) = suffix.strip_suffix(spelling) {
            let before = before.trim();
            if (before.is_empty() || unit.takes_prefix())
                && let Some(power) = prefix(before)
            {
                return Some(power);
            }
        }
    }
    if unit.takes_prefix() { prefix(suffix) } else { None }
}

/// IEC 60062: `4k7`, `R47`, `4n7`, `2u2`: the letter stands for the decimal point.
fn letter_as_point(text: &str, unit: Unit) -> Option<f64> {
    if !unit.takes_prefix() {
        return None;
    }
    let (at, letter) = text.char_indices().find(|(_, c)| !c.is_ascii_digit())?;
    let whole = &text[..at];
    let rest = &text[at + letter.len_utf8()..];
    let part_end = rest.find(|c: char| !c.is_ascii_digit()).unwrap_or(rest.len());
    let (part, tail) = (&rest[..part_end], rest[part_end..].trim());
    if part.is_empty() || !(tail.is_empty() || unit.spellings().contains(&tail)) {
        return None;
    }
    let power = if unit.spellings().iter().any(|s| s.chars().eq([letter])) {
        0
    } else {
        prefix(letter.encode_utf8(&mut [0; 4]))?
    };
    scaled(&format!("{}.{part}", if whole.is_empty() { "0" } else { whole }), power)
}

/// Moves the decimal point in the text, so that `100n` is exactly what `1e-7` is.
fn scaled(number: &str, power: i32) -> Option<f64> {
    let (mantissa, exponent) = number.split_once(['e', 'E']).unwrap_or((number, "0"));
    let exponent: i32 = exponent.parse().ok()?;
    mantissa.parse::<f64>().ok()?;
    format!("{mantissa}e{}", exponent.checked_add(power)?).parse().ok()
}

/// Prefixes that values are written with.
const STEPS: [(f64, &str); 8] =
    [(1e9, "G"), (1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "µ"), (1e-9, "n"), (1e-12, "p")];

/// Writes a value with prefix and unit so that [`parse`] reads the same bits back: `4.7 kΩ`, `100 nF`, `3 V`.
pub fn write(value: f64, unit: Unit) -> String {
    let symbol = unit.symbol();
    let plain = |x: f64| if symbol.is_empty() { format!("{x}") } else { format!("{x} {symbol}") };
    if value == 0.0 || !value.is_finite() || !unit.takes_prefix() {
        return plain(value);
    }
    let Some((scale, letter)) = STEPS.iter().find(|(scale, _)| value.abs() >= scale * (1.0 - 1e-12)) else {
        return plain(value);
    };
    // The shortest digits that still read back to the very same bits.
    let mantissa = value / scale;
    for digits in 0..17 {
        let text = format!("{mantissa:.digits$} {letter}{symbol}");
        if parse(&text, unit) == Ok(value) {
            return text;
        }
    }
    plain(value)
}

/// `serde` for one unit: `#[serde(with = "value::farads")]`, and `value::farads::optional` for parts that may be left out.
macro_rules! with_unit {
    ($($module:ident $unit:expr, $doc:literal;)*) => {$(
        #[doc = $doc]
        pub mod $module {
            use super::{Unit, deserialize_in, write};
            use serde::{Deserializer, Serializer};

            const UNIT: Unit = $unit;

            /// Reads a text or a bare number in the base unit.
            ///
            /// # Errors
            /// The deserializer's own, with what was given and what is allowed.
            pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<f64, D::Error> {
                deserialize_in(d, UNIT)
            }

            /// Writes with prefix and unit.
            ///
            /// # Errors
            /// The serializer's own.
            pub fn serialize<S: Serializer>(value: &f64, s: S) -> Result<S::Ok, S::Error> {
                s.serialize_str(&write(*value, UNIT))
            }

            /// The same for a part that may be left out.
            pub mod optional {
                use super::{Deserializer, Serializer};

                /// Reads a value that is there.
                ///
                /// # Errors
                /// As for the plain one.
                pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<Option<f64>, D::Error> {
                    super::deserialize(d).map(Some)
                }

                /// Writes a value that is there.
                ///
                /// # Errors
                /// The serializer's own.
                pub fn serialize<S: Serializer>(value: &Option<f64>, s: S) -> Result<S::Ok, S::Error> {
                    match value {
                        Some(value) => super::serialize(value, s),
                        None => s.serialize_none(),
                    }
                }
            }

            /// The same for a row of parts.
            pub mod list {
                use super::{Deserializer, Serializer, UNIT};
                use crate::value::{Entry, write};
                use serde::de::{Deserialize, Error};
                use serde::ser::SerializeSeq;

                /// Reads a row.
                ///
                /// # Errors
                /// The deserializer's own, naming the position in the row.
                pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<Vec<f64>, D::Error> {
                    let row = Vec::<Entry>::deserialize(d)?;
                    row.iter()
                        .enumerate()
                        .map(|(i, entry)| {
                            entry.read(UNIT).map_err(|e| D::Error::custom(format!("position {i}: {e}")))
                        })
                        .collect()
                }

                /// Writes a row.
                ///
                /// # Errors
                /// The serializer's own.
                pub fn serialize<S: Serializer>(values: &[f64], s: S) -> Result<S::Ok, S::Error> {
                    let mut row = s.serialize_seq(Some(values.len()))?;
                    for value in values {
                        row.serialize_element(&write(*value, UNIT))?;
                    }
                    row.end()
                }
            }
        }
    )*};
}

with_unit! {
    volts Unit::Volt, "Volts.";
    amperes Unit::Ampere, "Amperes.";
    ohms Unit::Ohm, "Ohms.";
    farads Unit::Farad, "Farads.";
    henries Unit::Henry, "Henries.";
    seconds Unit::Second, "Seconds.";
    coulombs Unit::Coulomb, "Coulombs.";
    celsius Unit::Celsius, "Degrees Celsius.";
    amperes_per_volt2 Unit::AmperePerVolt2, "Amperes per square volt.";
}

/// What may stand in a board: a text with a unit, or a bare number.
#[derive(serde::Deserialize)]
#[serde(untagged)]
enum Entry {
    Text(String),
    Number(f64),
}

impl Entry {
    fn read(&self, unit: Unit) -> Result<f64, ValueError> {
        match self {
            Self::Text(text) => parse(text, unit),
            Self::Number(x) if x.is_finite() => Ok(*x),
            Self::Number(x) => Err(ValueError { given: x.to_string(), unit }),
        }
    }
}

fn deserialize_in<'de, D: serde::Deserializer<'de>>(d: D, unit: Unit) -> Result<f64, D::Error> {
    use serde::de::{Deserialize, Error};
    Entry::deserialize(d)?.read(unit).map_err(D::Error::custom)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IEC 60062 marks: the letter for the point, three digits for picofarads.
    #[test]
    fn iec_60062_marks_are_read_as_printed_on_the_part() {
        for (text, unit, value) in [
            ("R47", Unit::Ohm, 0.47),
            ("4R7", Unit::Ohm, 4.7),
            ("4K7", Unit::Ohm, 4700.0),
            ("4k7", Unit::Ohm, 4700.0),
            ("1M5", Unit::Ohm, 1.5e6),
            ("4n7", Unit::Farad, 4.7e-9),
            ("2u2", Unit::Farad, 2.2e-6),
            ("2µ2", Unit::Farad, 2.2e-6),
            ("104", Unit::Farad, 100e-9),
            ("473", Unit::Farad, 47e-9),
            ("100n", Unit::Farad, 1e-7),
            ("100 nF", Unit::Farad, 1e-7),
            ("100", Unit::Ohm, 100.0),
            ("0.15 H", Unit::Henry, 0.15),
            ("80 mH", Unit::Henry, 0.08),
            ("2 µA", Unit::Ampere, 2e-6),
            ("2 mA/V²", Unit::AmperePerVolt2, 2e-3),
            ("-5 °C", Unit::Celsius, -5.0),
            ("2e-6", Unit::Ampere, 2e-6),
            ("440", Unit::Hertz, 440.0),
            ("1.2 kHz", Unit::Hertz, 1200.0),
            ("-1 dB", Unit::Decibel, -1.0),
        ] {
            let read = parse(text, unit).unwrap();
            approx::assert_relative_eq!(read, value, max_relative = 1e-15);
        }
    }

    #[test]
    fn every_example_of_a_unit_is_read_as_the_same_value() {
        use Unit::{Ampere, AmperePerVolt2, Celsius, Coulomb, Decibel, Farad, Henry, Hertz, None, Ohm, Second, Volt};
        for unit in [None, Volt, Ampere, Ohm, Farad, Henry, Second, Hertz, Coulomb, Celsius, Decibel, AmperePerVolt2] {
            let first = parse(unit.examples()[0], unit);
            assert!(first.is_ok() && unit.examples().iter().all(|text| parse(text, unit) == first), "{unit:?}");
        }
    }

    #[test]
    fn what_is_no_value_is_refused_with_an_example() {
        for (text, unit) in [
            ("", Unit::Ohm),
            ("four", Unit::Ohm),
            ("4k7 F", Unit::Ohm),
            ("3 V", Unit::Henry),
            ("1e999", Unit::Volt),
            ("nan", Unit::Volt),
            ("10k", Unit::Celsius),
            ("1.2.3", Unit::Volt),
        ] {
            let error = parse(text, unit).unwrap_err().to_string();
            assert!(error.contains(text) && error.contains("allowed"), "{error}");
        }
    }

    #[test]
    fn a_written_value_reads_back_to_the_same_bits() {
        let mut x = 1.234_567_890_123e-13;
        while x < 1e10 {
            for unit in [Unit::Ohm, Unit::Farad, Unit::Celsius, Unit::None] {
                assert_eq!(parse(&write(x, unit), unit), Ok(x), "{}", write(x, unit));
            }
            x *= 1.37;
        }
        assert_eq!(write(47e-9, Unit::Farad), "47 nF");
        assert_eq!(write(4700.0, Unit::Ohm), "4.7 kΩ");
    }
}

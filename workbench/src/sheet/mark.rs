//! What is printed on a part (IEC 60062).
//!
//! ```text
//!   4n7  4K7  R47      the letter stands for the decimal point
//!   473                two digits and how many noughts follow, in picofarads
//!   473J               the tolerance: F 1, G 2, J 5, K 10, M 20 %
//! ```

use tritank_dsp::value::Unit;

/// Digits that a part has room for.
const MOST_DIGITS: usize = 4;
/// Two ways to reckon the same value differ in their last bits.
const SAME: f64 = 1e-9;

/// Letters of resistors and capacitors, with the power of ten that each stands for.
const OHMS: [(i32, &str); 4] = [(0, "R"), (3, "K"), (6, "M"), (9, "G")];
const FARADS: [(i32, &str); 4] = [(-12, "p"), (-9, "n"), (-6, "µ"), (-3, "m")];

/// Letter code of a resistor or capacitor; `None` for other units, and for a value of more digits than are printed.
pub fn letters(value: f64, unit: Unit) -> Option<String> {
    let letters = match unit {
        Unit::Ohm => OHMS,
        Unit::Farad => FARADS,
        _ => return None,
    };
    let (digits, power) = significant(value)?;
    let (step, letter) = letters.into_iter().rev().find(|(step, _)| *step <= power).unwrap_or(letters[0]);
    // So many digits stand before the letter.
    let before = power - step + 1;
    Some(match usize::try_from(before) {
        Err(_) | Ok(0) => format!("{letter}{}{digits}", "0".repeat(before.unsigned_abs() as usize)),
        Ok(1) if digits.len() == 1 => format!("{digits}{letter}0"),
        Ok(before) if before >= digits.len() => format!("{digits}{}{letter}", "0".repeat(before - digits.len())),
        Ok(before) => format!("{}{letter}{}", &digits[..before], &digits[before..]),
    })
}

/// Three-digit code of a capacitor where it is exact: `104` is 100 nF.
pub fn three_digits(farads: f64) -> Option<String> {
    let (digits, power) = significant(farads)?;
    // A last digit of 8 or 9 stands for a hundredth or a tenth on some parts (common practice): no code for those.
    let noughts = u32::try_from(power + 12 - 1).ok().filter(|noughts| *noughts <= 7)?;
    (digits.len() <= 2).then(|| format!("{digits:0<2}{noughts}"))
}

/// Letter of a tolerance, a fraction. From memory: F 1, G 2, J 5, K 10, M 20 %.
pub fn tolerance(fraction: f64) -> Option<char> {
    let letters = [(0.01, 'F'), (0.02, 'G'), (0.05, 'J'), (0.1, 'K'), (0.2, 'M')];
    letters.into_iter().find(|(known, _)| (known / fraction - 1.0).abs() < SAME).map(|(_, letter)| letter)
}

/// Digits without noughts behind, and the power of ten of the first; `None` where a part has no room for them.
fn significant(value: f64) -> Option<(String, i32)> {
    if !(value > 0.0 && value.is_finite()) {
        return None;
    }
    let text = format!("{value:.*e}", MOST_DIGITS - 1);
    let printed: f64 = text.parse().ok()?;
    let (mantissa, power) = text.split_once('e')?;
    let digits = mantissa.replace('.', "");
    let digits = digits.trim_end_matches('0');
    ((printed / value - 1.0).abs() < SAME).then_some((digits.to_owned(), power.parse().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::series::Series;
    use tritank_dsp::value;

    /// Examples of IEC 60062, as the house's list of facts gives them (R47, 4R7, 4K7, 4n7, 104), and the same rule at the
    /// ends of each letter.
    #[test]
    fn a_part_is_marked_as_iec_60062_says() {
        for (ohms, mark) in [
            (0.47, "R47"),
            (4.7, "4R7"),
            (4.7e3, "4K7"),
            (0.047, "R047"),
            (1.0, "1R0"),
            (10.0, "10R"),
            (100.0, "100R"),
            (1e3, "1K0"),
            (23.6e3, "23K6"),
            (69.8, "69R8"),
            (12.91e3, "12K91"),
            (1e6, "1M0"),
            (1e9, "1G0"),
            (1e12, "1000G"),
        ] {
            assert_eq!(letters(ohms, Unit::Ohm).as_deref(), Some(mark));
        }
        for (farads, mark, code) in [
            (4.7e-9, "4n7", Some("472")),
            (100e-9, "100n", Some("104")),
            (0.47e-12, "p47", None),
            (4.7e-12, "4p7", None),
            (10e-12, "10p", Some("100")),
            (330e-12, "330p", Some("331")),
            (1e-6, "1µ0", Some("105")),
            (2.2e-6, "2µ2", Some("225")),
            (107e-9, "107n", None),
            (1e-3, "1m0", None),
        ] {
            assert_eq!(letters(farads, Unit::Farad).as_deref(), Some(mark));
            assert_eq!(three_digits(farads).as_deref(), code, "{mark}");
        }
        assert_eq!(letters(0.5, Unit::Henry), None);
        assert_eq!(letters(47.123e-9, Unit::Farad), None);
        assert_eq!(letters(0.0, Unit::Ohm), None);
    }

    #[test]
    fn every_mark_reads_back_as_its_value() {
        for series in [Series::E24, Series::E96] {
            for farads in series.values(1e-13, 9.9e-3) {
                let mark = letters(farads, Unit::Farad).unwrap();
                assert_eq!(value::parse(&mark, Unit::Farad), Ok(farads), "{mark}");
                if let Some(code) = three_digits(farads) {
                    approx::assert_relative_eq!(
                        value::parse(&code, Unit::Farad).unwrap(),
                        farads,
                        max_relative = 1e-14
                    );
                }
            }
            for ohms in series.values(0.01, 1e9) {
                let mark = letters(ohms, Unit::Ohm).unwrap();
                assert_eq!(value::parse(&mark, Unit::Ohm), Ok(ohms), "{mark}");
            }
        }
        assert!(Series::E24.values(1e-11, 0.99e-3).iter().all(|farads| three_digits(*farads).is_some()));
    }

    #[test]
    fn a_tolerance_has_its_letter() {
        for (percent, letter) in [(1.0, 'F'), (2.0, 'G'), (5.0, 'J'), (10.0, 'K'), (20.0, 'M')] {
            assert_eq!(tolerance(percent / 100.0), Some(letter));
        }
        assert_eq!(tolerance(0.03), None);
        assert_eq!(tolerance(0.0), None);
    }
}

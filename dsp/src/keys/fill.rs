//! Ways to fill a key table.
//!
//! ```text
//!   key       36    37    38    39    40
//!   codes     0000  0001  0010  0011  0100     each key the next code
//!   gray      0000  0001  0011  0010  0110     one line moves from key to key
//!   vowels    i     ɪ     e     ɛ     æ        the codes of a plan
//!   random    at random, the same for the same seed
//! ```
//! A number is laid on the lines that take part, its lowest bit on the first of them; lines that do not take part stay off.

use super::{KeyTable, lines_of_codes};
use crate::lines::Line;
use crate::pattern::words;
use serde::{Deserialize, Serialize};
use std::ops::RangeInclusive;

/// The twelve lines of the stages.
pub const STAGES: u16 = 0x0fff;
/// All fourteen lines.
pub const ALL: u16 = 0x3fff;

/// A vowel of a plan and its codes, as `tritank plan --json` lists them under `codes`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Vowel {
    /// The vowel.
    pub vowel: String,
    /// Whose: men, women.
    pub group: String,
    /// Its code on each stage.
    pub code: [u8; 3],
}

/// Each key the next number.
pub fn codes(table: &mut KeyTable, keys: RangeInclusive<u8>, lines: u16, first: u16) {
    number(table, keys, lines, |n| first.wrapping_add(n));
}

/// Each key the next number in Gray's order, n XOR ⌊n/2⌋ (F. Gray, "Pulse code communication", US patent 2 632 058, 1953): from a
/// key to the next one line moves and no other.
pub fn gray(table: &mut KeyTable, keys: RangeInclusive<u8>, lines: u16, first: u16) {
    let most = low_bits(lines);
    number(table, keys, lines, |n| {
        let n = first.wrapping_add(n) & most;
        n ^ n >> 1
    });
}

/// Each key lines at random, the same for the same key and seed.
pub fn random(table: &mut KeyTable, keys: RangeInclusive<u8>, lines: u16, seed: u32) {
    for note in keys {
        let [word, ..] = words(i64::from(note), seed);
        put(table, note, word as u16 & lines & ALL);
    }
}

/// Each key the next vowel; after the last the first again.
pub fn vowels(table: &mut KeyTable, keys: RangeInclusive<u8>, vowels: &[Vowel]) {
    for (note, vowel) in keys.zip(vowels.iter().cycle()) {
        put(table, note, lines_of_codes(vowel.code));
    }
}

fn number(table: &mut KeyTable, keys: RangeInclusive<u8>, lines: u16, of: impl Fn(u16) -> u16) {
    for (n, note) in (0u16..).zip(keys) {
        put(table, note, spread(of(n), lines));
    }
}

fn put(table: &mut KeyTable, note: u8, lines: u16) {
    let row = table.row(note);
    table.put(note, super::Row { lines: Some(lines), ..row });
}

/// Lays a number's bits on the lines of a mask, lowest first.
fn spread(number: u16, lines: u16) -> u16 {
    let places = Line::all().map(Line::index).filter(|line| lines >> line & 1 == 1);
    places.enumerate().fold(0, |all, (bit, line)| all | (number >> bit & 1) << line)
}

/// As many low bits as there are lines in a mask.
fn low_bits(lines: u16) -> u16 {
    (1 << (lines & ALL).count_ones()) - 1
}

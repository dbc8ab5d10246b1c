//! The organ track: a night rehearsal in the hall of a ferry terminal.
//!
//! The last boat has gone, the shutters are down, and a small drawbar organ stands beside gate 3. Its player works
//! out "Slack water", eight slow bars.
//!
//! ```text
//!   key ──► nine partials (16' 5⅓' 8' 4' 2⅔' 2' 1⅗' 1⅓' 1'), each behind a contact of its own ──► tremulant ──► L, R
//! ```
//! Partials are pure tones that never stop turning: a contact only lets them through, so that notes start at any
//! phase, with the small key click that comes of it. Equal temperament at A = 440 Hz (ISO 16).

use anyhow::{Context, Result};
use std::f64::consts::TAU;
use tritank_workbench::sound::Sound;

/// Beats in a minute; a step is a quarter of a beat, a bar sixteen steps.
const TEMPO: f64 = 72.0;
const STEPS_IN_A_BAR: usize = 16;
/// Sound after the last note is let go.
const TAIL_SECONDS: f64 = 1.5;
/// The loudest sample, in volts: line level into the chain.
const PEAK_VOLTS: f64 = 0.5;

/// Frequency of each drawbar over that of the 8' bar: footages of the trade, as their nearest harmonics.
const FOOTAGES: [f64; 9] = [0.5, 1.5, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0];

/// How far each drawbar is out, 0 to 8, for hands and for feet.
const HANDS: [u8; 9] = [6, 4, 8, 7, 5, 6, 4, 3, 5];
const FEET: [u8; 9] = [8, 0, 8, 4, 2, 2, 0, 0, 0];

/// "Slack water": note and length in steps; `-` rests, `|` is a bar line.
const MELODY: &str = "-:8 E4:4 G4:4 | F#4:10 D4:2 B3:4 | C4:4 D4:4 G4:6 E4:2 | F#4:12 -:4 \
                      | G4:4 A4:4 B4:6 G4:2 | A4:8 F#4:4 D4:4 | E4:6 C4:2 B3:4 A3:4 | G3:6 F#3:2 E3:8";
const UPPER: &str = "G3:16 | A3:16 | G3:16 | A3:8 B3:8 | D4:16 | D4:16 | G3:8 F#3:8 | D3:6 D#3:2 B2:8";
const LOWER: &str = "B2:16 | D3:16 | C3:16 | D3:8 D#3:8 | E3:16 | F#3:16 | C3:8 D3:8 | B2:8 G2:8";
const PEDAL: &str = "E2:16 | B1:14 -:2 | C2:16 | D2:8 B1:8 | E2:12 D2:4 | D2:16 | C2:8 A1:8 | B1:8 E2:8";

/// A key held down.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Note {
    start: usize,
    steps: usize,
    /// MIDI key number.
    key: i32,
}

/// The whole piece at a sample rate, stereo.
pub(crate) fn slack_water(rate_hz: u32) -> Result<Sound> {
    let rate = f64::from(rate_hz);
    let step = 60.0 / TEMPO / 4.0;
    let voices = [(MELODY, HANDS), (UPPER, HANDS), (LOWER, HANDS), (PEDAL, FEET)];
    let bars = MELODY.split('|').count();
    let frames = (((bars * STEPS_IN_A_BAR) as f64 * step + TAIL_SECONDS) * rate) as usize;
    let mut mix = vec![0.0; frames];
    for (text, drawbars) in voices {
        for note in read(text)? {
            sound(&mut mix, rate, note.start as f64 * step, note.steps as f64 * step, note.key, drawbars);
        }
    }
    let loudest = mix.iter().fold(0.0_f64, |peak, x| peak.max(x.abs()));
    let gain = PEAK_VOLTS / loudest;
    // A tremulant sways the two sides against each other by half a decibel.
    let side = |phase: f64| -> Vec<f64> {
        let sway = |n: usize| 1.0 - 0.06 * (0.5 + 0.5 * (TAU * 5.6 * n as f64 / rate + phase).sin());
        mix.iter().enumerate().map(|(n, x)| gain * x * sway(n)).collect()
    };
    Ok(Sound { rate_hz, channels: vec![side(0.0), side(2.0)] })
}

/// Adds one note, partial by partial.
fn sound(mix: &mut [f64], rate: f64, start: f64, seconds: f64, key: i32, drawbars: [u8; 9]) {
    let unison = 440.0 * 2f64.powf(f64::from(key - 69) / 12.0);
    for (bar, (&footage, &out)) in (0..).zip(FOOTAGES.iter().zip(&drawbars)) {
        let hertz = unison * footage;
        if out == 0 || hertz > 0.45 * rate {
            continue;
        }
        // A drawbar steps by some 3 dB (common practice).
        let level = 10f64.powf(3.0 * (f64::from(out) - 8.0) / 20.0);
        // Nine contacts under one key never close together: up to 4 ms apart, the same way every time.
        let late = 0.004 * f64::from((key * 31 + bar * 17).rem_euclid(23)) / 23.0;
        let (open, close) = (start + late, start + seconds + late);
        let first = (open * rate).ceil() as usize;
        let last = ((close + RELEASE_SECONDS) * rate) as usize;
        for n in first..last.min(mix.len()) {
            let t = n as f64 / rate;
            mix[n] += level * contact(t - open, close - t) * (TAU * hertz * t).sin();
        }
    }
}

const ATTACK_SECONDS: f64 = 0.002;
const RELEASE_SECONDS: f64 = 0.012;

/// How far a contact lets its partial through: it closes and opens over a few milliseconds, without a corner.
fn contact(since: f64, until: f64) -> f64 {
    let ease = |x: f64| 0.5 - 0.5 * (0.5 * TAU * x.clamp(0.0, 1.0)).cos();
    ease(since / ATTACK_SECONDS) * ease(1.0 + until / RELEASE_SECONDS)
}

/// Reads a voice.
fn read(text: &str) -> Result<Vec<Note>> {
    let (mut notes, mut start) = (Vec::new(), 0);
    for word in text.split_whitespace().filter(|word| *word != "|") {
        let (name, steps) = word.split_once(':').with_context(|| format!("{word}: a note is name:steps"))?;
        let steps = steps.parse().with_context(|| word.to_owned())?;
        if name != "-" {
            let key = key(name).with_context(|| format!("{word}: no such key"))?;
            notes.push(Note { start, steps, key });
        }
        start += steps;
    }
    Ok(notes)
}

/// The MIDI key of a name: C4 is 60.
fn key(name: &str) -> Option<i32> {
    let mut letters = name.chars();
    let tone = match letters.next()? {
        'C' => 0,
        'D' => 2,
        'E' => 4,
        'F' => 5,
        'G' => 7,
        'A' => 9,
        'B' => 11,
        _ => return None,
    };
    let rest = letters.as_str();
    let (sharp, octave) = rest.strip_prefix('#').map_or((0, rest), |octave| (1, octave));
    Some(12 * (octave.parse::<i32>().ok()? + 1) + tone + sharp)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_bar_of_every_voice_is_full() {
        for voice in [MELODY, UPPER, LOWER, PEDAL] {
            assert_eq!(voice.split('|').count(), 8, "{voice}");
            for bar in voice.split('|') {
                let steps: usize =
                    bar.split_whitespace().map(|w| w.split_once(':').unwrap().1.parse::<usize>().unwrap()).sum();
                assert_eq!(steps, STEPS_IN_A_BAR, "{bar}");
            }
        }
    }

    #[test]
    fn keys_carry_their_midi_numbers() {
        // MIDI 1.0: middle C is 60; the octave number C4 for it is common practice.
        assert_eq!(
            [key("C4"), key("A4"), key("F#3"), key("B1"), key("H2")],
            [Some(60), Some(69), Some(54), Some(35), None]
        );
    }

    #[test]
    fn a_note_sounds_at_its_partials_and_nowhere_else() {
        // A4 with two drawbars out, one second at 8 kHz: correlate with 440, 1320 and, for silence, 880 Hz.
        let mut mix = vec![0.0; 8000];
        sound(&mut mix, 8000.0, 0.0, 1.0, 69, [0, 0, 8, 0, 6, 0, 0, 0, 0]);
        let level = |hertz: f64| {
            let turn = |n: usize| TAU * hertz * n as f64 / 8000.0;
            let (re, im) = mix
                .iter()
                .enumerate()
                .fold((0.0, 0.0), |(re, im), (n, x)| (re + x * turn(n).cos(), im + x * turn(n).sin()));
            2.0 * f64::hypot(re, im) / 8000.0
        };
        approx::assert_abs_diff_eq!(level(440.0), 1.0, epsilon = 0.01);
        approx::assert_abs_diff_eq!(level(1320.0), 10f64.powf(-0.3), epsilon = 0.01);
        approx::assert_abs_diff_eq!(level(880.0), 0.0, epsilon = 0.01);
    }

    #[test]
    fn the_track_peaks_at_its_level_on_two_sides() {
        let track = slack_water(16_000).unwrap();
        assert_eq!(track.channels.len(), 2);
        let peak = track.channels.iter().flatten().fold(0.0_f64, |peak, x| peak.max(x.abs()));
        assert!((0.9 * PEAK_VOLTS..=PEAK_VOLTS).contains(&peak), "{peak}");
    }
}

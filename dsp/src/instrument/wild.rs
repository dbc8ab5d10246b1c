//! Voices under everything that can be done to a unit: against units of one chain, and against voices that never rest.

use super::*;
use crate::keys::fill;
use crate::knobs::{Kind, VOICES};
use crate::rest::Rest;

/// Few frames for much time: watches of a tenth of a second are soon over.
const RATE_HZ: f64 = 8e3;

/// Numbers at random, 0 to 1: xorshift (G. Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8 (2003); triple 13, 7, 17).
struct Draw(u64);

impl Draw {
    fn part(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }

    fn below(&mut self, most: usize) -> usize {
        (self.part() * most as f64) as usize
    }

    fn of<T: Copy>(&mut self, all: &[T]) -> T {
        all[self.below(all.len())]
    }

    /// Something that is done to a unit.
    fn deed(&mut self, knobs: &[Knob], lines: usize, notes: &[u8]) -> Deed {
        let note = self.of(notes);
        match self.below(10) {
            0 | 1 => Deed::Key(note, if self.part() < 0.4 { 0.3 + 0.7 * self.part() } else { 0.0 }),
            2..=4 => {
                let knob = self.of(knobs);
                let back = matches!(knob.kind(), Kind::Value { .. }) && self.part() < 0.5;
                Deed::Knob(knob, if back { knob.default_value() } else { knob.at_travel(1.4 * self.part() - 0.2) })
            }
            5 | 6 => Deed::Gate(Line::at(self.below(lines)).unwrap(), self.part() < 0.5, self.part()),
            7 => Deed::Voltage(self.of(&Voltage::ALL), (13.0 * self.part() - 10.0).min(0.0)),
            8 => Deed::Pressure((self.part() < 0.5).then_some(note), self.part()),
            _ => Deed::Bend((self.part() < 0.5).then_some(note), self.part()),
        }
    }
}

#[derive(Clone, Copy, Debug)]
enum Deed {
    Key(u8, f64),
    Knob(Knob, f64),
    Gate(Line, bool, f64),
    Voltage(Voltage, f64),
    Pressure(Option<u8>, f64),
    Bend(Option<u8>, f64),
}

impl Deed {
    fn to(self, unit: &mut Instrument) {
        match self {
            Self::Key(note, velocity) => unit.key(note, velocity),
            Self::Knob(knob, value) => unit.set(knob, value),
            Self::Gate(line, on, part) => unit.gate_within(Source::Inputs, line, on, part),
            Self::Voltage(voltage, volts) => unit.control(voltage, volts),
            Self::Pressure(note, pressure) => unit.pressure(note, pressure),
            Self::Bend(Some(note), semitones) => unit.bend_key(note, semitones),
            Self::Bend(None, semitones) => unit.bend(semitones),
        }
    }
}

fn unit(chord: &str) -> Instrument {
    let mut patch = Patch::new(Board::built_in());
    (patch.keys.velocity, patch.keys.pressure) = (0.5, [1.0, 0.5, 2.0]);
    fill::codes(&mut patch.keys, 36..=83, fill::STAGES, 0x351);
    for (id, text) in
        [("exciter.pitch", "keys"), ("exciter.level", "0.5"), ("unit.quality", "2"), ("exciter.chord", chord)]
    {
        patch.settings.assign(id, text).unwrap();
    }
    Instrument::of(&patch, RATE_HZ).unwrap()
}

fn never_to_rest(unit: &mut Instrument) {
    unit.voices.iter_mut().for_each(|voice| voice.rest = Rest::new(f64::INFINITY));
}

fn knobs_but(others: &[Knob]) -> Vec<Knob> {
    Knob::ALL.iter().copied().filter(|knob| !others.contains(knob)).collect()
}

/// Main and the jacks of stages 2 and 3.
fn sound(volts: f64, n: usize) -> Input {
    let sine = volts * (0.03 * n as f64).sin();
    Input { main: [sine; 2], stage2: 0.5 * sine, stage3: 0.2 * sine }
}

/// What a unit does while voices rest is what it does when none ever rests, to what a rest may err by; its lines to the bit.
#[test]
fn whatever_is_done_rests_make_no_difference() {
    let knobs = knobs_but(&[Knob::UnitQuality]);
    let notes: Vec<u8> = (40..48).collect();
    for seed in 1..=3 {
        let mut draw = Draw(0x9e37_79b9_7f4a_7c15 ^ seed << 20);
        let mut rests = unit("voices");
        let mut never = rests.clone();
        never_to_rest(&mut never);
        let (mut worst, mut n, mut rested) = (0.0_f64, 0, 0);
        for round in 0..10 {
            let (often, mut deeds, mut volts) = (draw.of(&[0.02, 4e-4]), draw.below(10), 0.0);
            for _ in 0..3000 + draw.below(7000) {
                if deeds > 0 && draw.part() < often {
                    deeds -= 1;
                    let deed = draw.deed(&knobs, Line::COUNT, &notes);
                    deed.to(&mut rests);
                    deed.to(&mut never);
                    volts = if deeds > 0 && draw.part() < 0.2 { 0.3 } else { 0.0 };
                }
                let [a, b] = [&mut rests, &mut never].map(|unit| unit.tick(sound(volts, n)));
                for (a, b) in a.taps.iter().chain(&a.main).zip(b.taps.iter().chain(&b.main)) {
                    worst = worst.max((a - b).abs());
                }
                assert!(worst < 1e-9, "seed {seed}, frame {n}: {worst:e} V");
                assert_eq!((a.pulse, rests.line_word()), (b.pulse, never.line_word()), "seed {seed}, frame {n}");
                assert_eq!(rests.lines(), never.lines(), "seed {seed}, frame {n}");
                n += 1;
            }
            for unit in [&mut rests, &mut never] {
                match round {
                    6 => {
                        rested += unit.counts().rests;
                        unit.reset();
                    }
                    _ if round % 2 == 0 => notes.iter().for_each(|&note| unit.key(note, 0.0)),
                    _ => {}
                }
            }
        }
        rested += rests.counts().rests;
        println!("seed {seed}: {worst:.1e} V, {rested} frames of rest in {VOICES} times {n}");
        assert!(rested > 20_000 && never.counts().rests == 0, "seed {seed}: {rested}");
    }
}

/// Four voices are four units with a key each, to the bit, whatever is done to all.
#[test]
fn whatever_is_done_voices_are_units_of_one_chain_to_the_bit() {
    use Knob::{ExciterChord, ExciterHardGate, ExciterPitch, UnitQuality};
    let knobs = knobs_but(&[UnitQuality, ExciterChord, ExciterPitch, ExciterHardGate]);
    let notes: [u8; VOICES] = [50, 53, 56, 59];
    let mut draw = Draw(0x1234_5678_9abc_def1);
    let mut four = unit("voices");
    let mut ones = notes.map(|_| unit("last"));
    ones.iter_mut().chain([&mut four]).for_each(never_to_rest);
    let mut volts = 0.0;
    for n in 0..30_000 {
        if let Some((k, &note)) = notes.iter().enumerate().find(|(k, _)| n == 50 * k) {
            let velocity = 0.4 + 0.1 * k as f64;
            four.key(note, velocity);
            ones[k].key(note, velocity);
        }
        if n > 400 && draw.part() < 0.02 {
            // Keys stay down; a note's own is heard by the unit that has it.
            let deed = draw.deed(&knobs, Line::HARD.index(), &notes);
            if !matches!(deed, Deed::Key(..)) {
                ones.iter_mut().chain([&mut four]).for_each(|unit| deed.to(unit));
            }
            volts = if draw.part() < 0.5 { 0.3 } else { 0.0 };
        }
        let together = four.tick(sound(volts, n));
        let mut sum = [0.0; 4];
        for (k, unit) in ones.iter_mut().enumerate() {
            let Output { pulse, taps: [a, b, c], .. } = unit.tick(sound(if k == 0 { volts } else { 0.0 }, n));
            sum.iter_mut().zip([pulse, a, b, c]).for_each(|(sum, volts)| *sum += volts);
        }
        let [a, b, c] = together.taps;
        assert_eq!([together.pulse, a, b, c], sum, "frame {n}");
    }
}

/// Sound from outside goes through the first voice, and the others rest meanwhile.
#[test]
fn sound_from_outside_wakes_the_first_voice_alone() {
    let mut four = unit("voices");
    for n in 0..20_000 {
        four.tick(sound(0.3, n));
    }
    let rests: Vec<_> = four.voices.iter().map(|voice| voice.counts().rests).collect();
    assert!(rests[0] == 0 && rests[1..].iter().all(|&frames| frames > 15_000), "{rests:?}");
}

/// A pulse of seconds stands still while it is high, and is heard: that is no rest.
#[test]
fn a_pulse_that_stands_high_is_no_rest() {
    let mut board = Board::built_in();
    board.exciter.pause *= 60.0;
    board.exciter.pulse = 2.0 * board.exciter.pause;
    let mut settings = Settings::of(&board);
    for (id, text) in [("exciter.rate", "20"), ("exciter.level", "1"), ("unit.quality", "1")] {
        settings.assign(id, text).unwrap();
    }
    let mut rests = Instrument::new(&board, &settings, RATE_HZ).unwrap();
    rests.control(Voltage::Exciter, -8.0);
    let mut never = rests.clone();
    never_to_rest(&mut never);
    let (mut high, mut rested_high) = (0, 0);
    for n in 0..200_000 {
        let before = rests.counts().rests;
        let [a, b] = [&mut rests, &mut never].map(|unit| unit.tick(Input::default()));
        assert_eq!(a.pulse, b.pulse, "frame {n}");
        let worst = a.taps.iter().zip(b.taps).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
        assert!(worst < 1e-9, "frame {n}: {worst:e} V");
        // What comes out now was solved some frames ago.
        high = if a.pulse > 1.0 { high + 1 } else { 0 };
        rested_high += u64::from(high > 1000) * (rests.counts().rests - before);
    }
    assert!(rests.counts().rests > 10_000, "between the pulses it rests");
    assert!(rested_high < 1000, "{rested_high}");
}

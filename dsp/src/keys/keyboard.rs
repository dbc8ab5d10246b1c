//! What a player does, as it comes by MIDI: the same for the plugin and for a file of notes on the bench.
//!
//! ```text
//!   message ──► keyboard ──► instrument: key, bend, pressure, gate, set
//!                  └─ remembers what is held, for a unit that is put in while it is
//! ```

use super::KEYS;
use crate::instrument::Instrument;
use crate::lines::{Line, Source};

/// Keys that are remembered: under the pedal all of them may be down, and what is forgotten is never let go.
const HELD: usize = KEYS;
/// Slowest strike that still is one: MIDI velocity 1 of 127.
const SOFTEST: f64 = 1.0 / 127.0;
/// A controller from here up is on (MIDI 1.0: 64 of 127).
const ON: f64 = 64.0 / 127.0;

/// One thing that a player does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Message {
    /// A key goes down, with its velocity, 0 to 1.
    Down(u8, f64),
    /// A key goes up.
    Up(u8),
    /// All keys go up.
    AllUp,
    /// The wheel, −1 to 1.
    Wheel(f64),
    /// Tuning of one key, semitones.
    KeyBend(u8, f64),
    /// Pressure on one key, or on all, 0 to 1.
    Pressure(Option<u8>, f64),
    /// Controller `number` of a channel (from 0) stands at a value from 0 to 1.
    Controller {
        /// From 0.
        channel: u8,
        /// 0 to 127.
        number: u8,
        /// 0 to 1.
        value: f64,
    },
}

/// What is held down now.
#[derive(Clone, Debug)]
pub struct Keyboard {
    /// Keys down, oldest first.
    held: [Key; HELD],
    count: usize,
    /// Where the wheel stands, −1 to 1.
    wheel: f64,
    pedals: [[bool; 4]; 3],
    /// Where each controller stands, 0 to 1; those that never moved are left out.
    controllers: [Option<f64>; 128],
    sustain: bool,
    /// Keys that went up while the sustain pedal was down, bit n for key n.
    sustained: u128,
}

/// A key that is down.
#[derive(Clone, Copy, Debug, Default)]
struct Key {
    note: u8,
    velocity: f64,
    pressure: f64,
    /// Semitones of its own.
    bend: f64,
}

impl Default for Keyboard {
    fn default() -> Self {
        Self {
            held: [Key::default(); HELD],
            count: 0,
            wheel: 0.0,
            pedals: Default::default(),
            controllers: [None; 128],
            sustain: false,
            sustained: 0,
        }
    }
}

impl Keyboard {
    /// Plays one message on the instrument and remembers it.
    pub fn play(&mut self, message: Message, instrument: &mut Instrument) {
        match message {
            Message::Down(note, velocity) if usize::from(note) < KEYS => self.down(note, velocity, instrument),
            Message::Up(note) if usize::from(note) < KEYS => {
                if self.sustain {
                    self.sustained |= 1 << note;
                } else {
                    self.up(note, instrument);
                }
            }
            Message::Wheel(wheel) => {
                self.wheel = wheel;
                instrument.bend(wheel * instrument.keys().bend);
            }
            Message::KeyBend(note, semitones) => {
                self.each(Some(note), |key| key.bend = semitones);
                instrument.bend_key(note, semitones);
            }
            Message::Pressure(note, pressure) => {
                self.each(note, |key| key.pressure = pressure);
                instrument.pressure(note, pressure);
            }
            Message::Controller { number, value, .. } if instrument.keys().controller(number).is_some() => {
                self.controllers[usize::from(number & 127)] = Some(value);
                turn(number, value, instrument);
            }
            Message::Controller { channel: stage @ 0..=2, number: number @ 80..=83, value } => {
                let (stage, bit) = (usize::from(stage), usize::from(number - 80));
                self.pedals[stage][bit] = value >= ON;
                instrument.gate(Source::Gates, Line::of_stage(stage, bit), self.pedals[stage][bit]);
            }
            Message::Controller { number: 64, value, .. } => self.hold(value >= ON, instrument),
            Message::AllUp | Message::Controller { number: 120 | 123, .. } => self.all_up(instrument),
            Message::Controller { number: 121, .. } => self.wheels_back(instrument),
            _ => {}
        }
    }

    /// Lets everything go.
    pub fn let_go(&mut self, instrument: &mut Instrument) {
        self.all_up(instrument);
        self.wheels_back(instrument);
    }

    /// Tells a unit that was just put in what is held down.
    pub fn tell(&self, instrument: &mut Instrument) {
        for key in &self.held[..self.count] {
            instrument.key(key.note, key.velocity);
            instrument.bend_key(key.note, key.bend);
            instrument.pressure(Some(key.note), key.pressure);
        }
        for (number, value) in (0..).zip(self.controllers) {
            if let Some(value) = value {
                turn(number, value, instrument);
            }
        }
        self.tell_wheels(instrument);
    }

    fn down(&mut self, note: u8, velocity: f64, instrument: &mut Instrument) {
        let velocity = velocity.max(SOFTEST);
        self.forget(note);
        self.held[self.count] = Key { note, velocity, ..Key::default() };
        self.count += 1;
        instrument.key(note, velocity);
    }

    fn up(&mut self, note: u8, instrument: &mut Instrument) {
        self.forget(note);
        instrument.key(note, 0.0);
    }

    /// The sustain pedal goes down or up.
    fn hold(&mut self, on: bool, instrument: &mut Instrument) {
        self.sustain = on;
        while !on && self.sustained != 0 {
            self.up(self.sustained.trailing_zeros() as u8, instrument);
        }
    }

    fn wheels_back(&mut self, instrument: &mut Instrument) {
        self.wheel = 0.0;
        self.pedals = Default::default();
        self.hold(false, instrument);
        self.tell_wheels(instrument);
    }

    fn tell_wheels(&self, instrument: &mut Instrument) {
        instrument.bend(self.wheel * instrument.keys().bend);
        for (stage, pedals) in self.pedals.iter().enumerate() {
            for (bit, on) in pedals.iter().enumerate() {
                instrument.gate(Source::Gates, Line::of_stage(stage, bit), *on);
            }
        }
    }

    fn all_up(&mut self, instrument: &mut Instrument) {
        for key in &self.held[..self.count] {
            instrument.key(key.note, 0.0);
        }
        self.count = 0;
        self.sustained = 0;
    }

    fn forget(&mut self, note: u8) {
        self.sustained &= !(1 << note);
        if let Some(place) = self.held[..self.count].iter().position(|key| key.note == note) {
            self.held.copy_within(place + 1..self.count, place);
            self.count -= 1;
        }
    }

    fn each(&mut self, note: Option<u8>, change: impl Fn(&mut Key)) {
        self.held[..self.count].iter_mut().filter(|key| note.is_none_or(|note| note == key.note)).for_each(change);
    }
}

/// A controller turns the knob that the key table gives it.
fn turn(number: u8, travel: f64, instrument: &mut Instrument) {
    if let Some(knob) = instrument.keys().controller(number) {
        instrument.set(knob, knob.at_travel(travel));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::board::Board;
    use crate::instrument::Input;
    use crate::keys::fill;
    use crate::knobs::Knob;
    use crate::patch::Patch;

    /// A unit whose keys 0 to 15 pull stage 1 as their numbers say, while they are down.
    fn unit() -> Instrument {
        let mut patch = Patch::new(Board::built_in());
        patch.keys.hold = crate::keys::Hold::Held;
        fill::codes(&mut patch.keys, 0..=15, 0xf, 0);
        patch.keys.control(7, Some(Knob::Stage1Main));
        Instrument::of(&patch, 48e3).unwrap()
    }

    fn code(unit: &mut Instrument) -> usize {
        for _ in 0..200 {
            unit.tick(Input::default());
        }
        (0..4).filter(|&bit| unit.lines()[bit]).map(|bit| 1 << bit).sum()
    }

    #[test]
    fn the_sustain_pedal_keeps_keys_down_until_it_comes_up() {
        let (mut unit, mut keyboard) = (unit(), Keyboard::default());
        let pedal = |value| Message::Controller { channel: 4, number: 64, value };
        for (message, stands) in [
            (Message::Down(5, 1.0), 5),
            (pedal(1.0), 5),
            (Message::Up(5), 5),
            (Message::Down(9, 1.0), 9),
            (Message::Up(9), 9),
            // Struck again under the pedal and held: the pedal's end does not take it away.
            (Message::Down(5, 1.0), 5),
            (pedal(0.0), 5),
            (Message::Up(5), 0),
            (pedal(1.0), 0),
            (Message::Down(3, 1.0), 3),
            (Message::Up(3), 3),
            (Message::AllUp, 0),
            (Message::Down(200, 1.0), 0),
        ] {
            keyboard.play(message, &mut unit);
            assert_eq!(code(&mut unit), stands, "{message:?}");
        }
    }

    /// More keys than a chain remembers, as the pedal can keep them: all up is all of them.
    #[test]
    fn all_up_lets_go_of_every_key_under_the_pedal() {
        let play = |unit: &mut Instrument| -> f64 {
            (0..400).map(|_| unit.tick(Input::default()).pulse.abs()).skip(200).fold(0.0, f64::max)
        };
        for chord in ["last", "stages", "voices"] {
            let mut patch = Patch::new(Board::built_in());
            for (id, text) in [("exciter.pitch", "keys"), ("exciter.level", "1"), ("exciter.chord", chord)] {
                patch.settings.assign(id, text).unwrap();
            }
            let (mut unit, mut keyboard) = (Instrument::of(&patch, 48e3).unwrap(), Keyboard::default());
            keyboard.play(Message::Controller { channel: 0, number: 64, value: 1.0 }, &mut unit);
            for note in 0..KEYS as u8 {
                keyboard.play(Message::Down(note, 1.0), &mut unit);
                keyboard.play(Message::Up(note), &mut unit);
            }
            assert!(play(&mut unit) > 0.1, "{chord}");
            keyboard.play(Message::AllUp, &mut unit);
            play(&mut unit);
            assert_eq!(play(&mut unit), 0.0, "{chord}: a key is still down");
        }
    }

    #[test]
    fn a_new_unit_is_told_what_is_held_and_where_controllers_stand() {
        let (mut old, mut keyboard) = (unit(), Keyboard::default());
        for message in [
            Message::Down(6, 0.5),
            Message::Controller { channel: 1, number: 82, value: 1.0 },
            Message::Controller { channel: 0, number: 7, value: 0.5 },
        ] {
            keyboard.play(message, &mut old);
        }
        let mut new = unit();
        keyboard.tell(&mut new);
        assert_eq!((code(&mut old), code(&mut new)), (6, 6));
        assert_eq!(old.lines(), new.lines());
        assert!(new.lines()[Line::of_stage(1, 2).index()]);
        assert_eq!(new.settings().get(Knob::Stage1Main), Knob::Stage1Main.at_travel(0.5));
        keyboard.let_go(&mut new);
        assert_eq!(code(&mut new), 0);
        assert!(!new.lines()[Line::of_stage(1, 2).index()]);
    }
}

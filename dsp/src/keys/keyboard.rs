//! What a player does, as it comes by MIDI: the same for the plugin and for a file of notes on the bench.
//!
//! ```text
//!   message ──► keyboard ──► instrument: key, bend, pressure, gate, set
//!                  ├─ remembers what is held, for a unit that is put in while it is
//!                  └─ knows which channels carry one note each (MPE)
//! ```
//! Outside the zones of MPE all channels are as one. Of a chord, lines, pitch and pressure are those of the newest key, and so is
//! what controller 74 of its channel turns.

use super::controllers::{self, BEND_RANGE, Controllers, Entry, MEMBERS, Parameters};
use super::zones::{CHANNELS, PLAIN, Zones};
use super::{KEYS, KeyTable};
use crate::instrument::Instrument;
use crate::lines::{Line, Source};

/// Keys that are remembered for a new unit; more than ten fingers. The oldest is let go first.
const HELD: usize = 16;
/// Slowest strike that still is one: MIDI velocity 1 of 127.
const SOFTEST: f64 = 1.0 / 127.0;
/// A controller from here up is on (MIDI 1.0).
const ON: u8 = 64;
/// A member channel's bend at its end until it is told, semitones (RP-053, 2.4).
const MEMBER_BEND: f64 = 48.0;
/// The furthest that it can be told, semitones (RP-053, 2.4).
const FURTHEST_BEND: f64 = 96.0;
/// The controller that is a member channel's own (RP-053, 2.2): where the finger lies on the key.
const TIMBRE: u8 = 74;

/// One thing that a player does. Channels count from 0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Message {
    /// A key goes down.
    Down {
        /// On which channel.
        channel: u8,
        /// Which key.
        note: u8,
        /// How hard, 0 to 1.
        velocity: f64,
    },
    /// A key goes up.
    Up {
        /// The channel that it went down on; none, or one where it is not down, for any.
        channel: Option<u8>,
        /// Which key.
        note: u8,
    },
    /// All keys go up.
    AllUp,
    /// The wheel of a channel, −1 to 1.
    Wheel {
        /// Which channel.
        channel: u8,
        /// Where it stands.
        value: f64,
    },
    /// Pressure on the keys of a channel, 0 to 1.
    Pressure {
        /// Which channel.
        channel: u8,
        /// How much.
        value: f64,
    },
    /// Tuning of one key, semitones.
    KeyBend(u8, f64),
    /// Pressure on one key, 0 to 1.
    KeyPressure(u8, f64),
    /// Timbre of one key, 0 to 1: what controller 74 turns, while that key is the newest.
    KeyTimbre(u8, f64),
    /// A controller of a channel moves.
    Controller {
        /// Which channel.
        channel: u8,
        /// 0 to 127.
        number: u8,
        /// 0 to 127.
        value: u8,
    },
}

/// What is held down now.
#[derive(Clone, Debug)]
pub struct Keyboard {
    /// Keys down, oldest first.
    held: [Key; HELD],
    count: usize,
    /// What was said on each channel of a zone, and behind them on all others.
    channels: [Channel; CHANNELS + 1],
    /// Zones that were told; without, those of the key table.
    zones: Option<Zones>,
    parameters: Parameters,
    controllers: Controllers,
    /// Lines that pedals pull, bit n for line n.
    pedals: u16,
}

/// A key that is down.
#[derive(Clone, Copy, Debug, Default)]
struct Key {
    channel: u8,
    note: u8,
    velocity: f64,
    pressure: f64,
    /// Semitones of its own.
    bend: f64,
    timbre: Option<f64>,
    /// Whether it went up while the sustain pedal was down.
    is_up: bool,
}

/// What was said on a channel.
#[derive(Clone, Copy, Debug, Default)]
struct Channel {
    /// −1 to 1.
    wheel: f64,
    /// Semitones at the end of the wheel, once that is told.
    range: Option<f64>,
    pressure: f64,
    timbre: Option<f64>,
    sustain: bool,
}

impl Default for Keyboard {
    fn default() -> Self {
        Self {
            held: [Key::default(); HELD],
            count: 0,
            channels: [Channel::default(); CHANNELS + 1],
            zones: None,
            parameters: Parameters::default(),
            controllers: Controllers::default(),
            pedals: 0,
        }
    }
}

impl Keyboard {
    /// Plays one message on the instrument and remembers it. What names no channel or no key is left out.
    pub fn play(&mut self, message: Message, instrument: &mut Instrument) {
        let zones = self.zones(instrument.keys());
        match message {
            Message::Down { channel, note, velocity } if is_channel(channel) && usize::from(note) < KEYS => {
                self.down(channel, note, velocity, zones, instrument);
            }
            Message::Up { channel, note } => self.up(channel, note, zones, instrument),
            Message::AllUp => self.let_up(|_| true, instrument),
            Message::Wheel { channel, value } if is_channel(channel) => {
                let place = zones.place(channel);
                self.channels[place].wheel = value;
                self.tell_wheel(place, zones, instrument);
            }
            Message::Pressure { channel, value } if is_channel(channel) => {
                let place = zones.place(channel);
                self.channels[place].pressure = value;
                self.each(|key| zones.place(key.channel) == place, |key| key.pressure = value);
                self.tell_pressures(|key| zones.reaches(place, key.channel), zones, instrument);
            }
            Message::KeyBend(note, semitones) => {
                self.each(|key| key.note == note, |key| key.bend = semitones);
                self.tell_bends(|key| key.note == note, zones, instrument);
            }
            Message::KeyPressure(note, pressure) => {
                self.each(|key| key.note == note, |key| key.pressure = pressure);
                self.tell_pressures(|key| key.note == note, zones, instrument);
            }
            Message::KeyTimbre(note, timbre) => {
                self.each(|key| key.note == note, |key| key.timbre = Some(timbre));
                self.tell_timbre(|key| key.note == note, instrument);
            }
            Message::Controller { channel, number, value } if is_channel(channel) && number < 128 && value < 128 => {
                self.controller(channel, number, value, zones, instrument);
            }
            _ => {}
        }
    }

    fn controller(&mut self, channel: u8, number: u8, value: u8, zones: Zones, instrument: &mut Instrument) {
        let place = zones.place(channel);
        if number == TIMBRE && zones.master(channel).is_some() {
            let timbre = Some(f64::from(value) / 127.0);
            self.channels[place].timbre = timbre;
            self.each(|key| key.channel == channel, |key| key.timbre = timbre);
            self.tell_timbre(|key| key.channel == channel, instrument);
        } else if let Some(named) = Controllers::named(instrument.keys(), number) {
            self.controllers.hear(named, number, value);
            turn(named, self.controllers.travel(named), instrument);
        } else if let Some(entry) = self.parameters.hear(channel, number, value) {
            self.set_parameter(channel, entry, zones, instrument);
        } else {
            match (number, channel) {
                (64, _) => {
                    self.channels[place].sustain = value >= ON;
                    self.let_up_unless_kept(zones, instrument);
                }
                (80..=83, 0..=2) => {
                    let line = Line::of_stage(usize::from(channel), usize::from(number - 80));
                    let mask = 1 << line.index();
                    self.pedals = self.pedals & !mask | if value >= ON { mask } else { 0 };
                    instrument.gate(Source::Gates, line, value >= ON);
                }
                // The modes after 123 mean it too (MIDI 1.0, "Channel Mode Messages").
                (120 | 123..=127, _) => self.let_up(|key| zones.reaches(place, key.channel), instrument),
                (121, _) => self.wheels_back(place, zones, instrument),
                _ => {}
            }
        }
    }

    /// Lets everything go; zones and ranges that were told stay.
    pub fn let_go(&mut self, instrument: &mut Instrument) {
        let zones = self.zones(instrument.keys());
        self.let_up(|_| true, instrument);
        for channel in 0..CHANNELS as u8 {
            let place = zones.place(channel);
            self.wheels_back(place, zones, instrument);
            self.channels[place].timbre = None;
        }
    }

    /// Tells a unit that was just put in what is held down.
    pub fn tell(&self, instrument: &mut Instrument) {
        let zones = self.zones(instrument.keys());
        for key in self.held() {
            instrument.key(key.note, key.velocity);
        }
        instrument.bend(self.common_bend(zones, instrument.keys()));
        self.tell_bends(|_| true, zones, instrument);
        self.tell_pressures(|_| true, zones, instrument);
        for number in 0..128 {
            turn(number, self.controllers.travel(number), instrument);
        }
        self.tell_timbre(|_| true, instrument);
        self.tell_pedals(instrument);
    }

    /// The key that went down last of those that are.
    pub fn newest(&self) -> Option<u8> {
        self.held().last().map(|key| key.note)
    }

    /// Lines that pedals pull, bit n for line n of [`Line::all`].
    pub fn pedals(&self) -> u16 {
        self.pedals
    }

    fn zones(&self, table: &KeyTable) -> Zones {
        self.zones.unwrap_or_else(|| Zones::of(table))
    }

    fn held(&self) -> &[Key] {
        &self.held[..self.count]
    }

    fn down(&mut self, channel: u8, note: u8, velocity: f64, zones: Zones, instrument: &mut Instrument) {
        if let Some(place) = self.held().iter().position(|key| (key.channel, key.note) == (channel, note)) {
            self.forget(place);
        } else if self.count == HELD {
            self.release(0, zones, instrument);
        }
        let mut key = Key { channel, note, velocity: velocity.max(SOFTEST), ..Key::default() };
        if zones.master(channel).is_some() {
            // What was said on its channel before is meant for it (RP-053, 3.3.1).
            let said = self.channels[usize::from(channel)];
            (key.pressure, key.timbre) = (said.pressure, said.timbre);
        }
        self.held[self.count] = key;
        self.count += 1;
        instrument.key(note, key.velocity);
        let (bend, pressure) = (self.bend_of(&key, zones, instrument.keys()), self.pressure_of(&key, zones));
        if bend != 0.0 {
            instrument.bend_key(note, bend);
        }
        if pressure != 0.0 {
            instrument.pressure(Some(note), pressure);
        }
        self.tell_timbre(|_| true, instrument);
    }

    fn up(&mut self, channel: Option<u8>, note: u8, zones: Zones, instrument: &mut Instrument) {
        let there =
            |channel: &u8| self.held().iter().any(|key| (key.channel, key.note, key.is_up) == (*channel, note, false));
        let channel = channel.filter(there);
        let meant = |key: &Key| key.note == note && channel.is_none_or(|channel| channel == key.channel);
        self.each(meant, |key| key.is_up = true);
        self.let_up_unless_kept(zones, instrument);
    }

    /// Lets go of keys that went up and that no sustain pedal keeps.
    fn let_up_unless_kept(&mut self, zones: Zones, instrument: &mut Instrument) {
        let channels = self.channels;
        let kept = |key: &Key| {
            let master = zones.master(key.channel);
            [Some(zones.place(key.channel)), master].into_iter().flatten().any(|place| channels[place].sustain)
        };
        self.let_up(|key| key.is_up && !kept(key), instrument);
    }

    /// Lets go of keys.
    fn let_up(&mut self, which: impl Fn(&Key) -> bool, instrument: &mut Instrument) {
        let zones = self.zones(instrument.keys());
        let mut place = 0;
        while place < self.count {
            if which(&self.held[place]) {
                self.release(place, zones, instrument);
            } else {
                place += 1;
            }
        }
    }

    /// Lets go of one; the same key on another channel goes on.
    fn release(&mut self, place: usize, zones: Zones, instrument: &mut Instrument) {
        let (note, was_newest) = (self.held[place].note, place + 1 == self.count);
        self.forget(place);
        if self.held().iter().any(|key| key.note == note) {
            self.tell_bends(|key| key.note == note, zones, instrument);
            self.tell_pressures(|key| key.note == note, zones, instrument);
        } else {
            instrument.key(note, 0.0);
        }
        if was_newest {
            self.tell_timbre(|_| true, instrument);
        }
    }

    fn forget(&mut self, place: usize) {
        self.held.copy_within(place + 1..self.count, place);
        self.count -= 1;
    }

    fn each(&mut self, which: impl Fn(&Key) -> bool, change: impl Fn(&mut Key)) {
        self.held[..self.count].iter_mut().filter(|key| which(key)).for_each(change);
    }

    /// A value for a registered parameter: the bend's range, or the zone's members.
    fn set_parameter(&mut self, channel: u8, entry: Entry, zones: Zones, instrument: &mut Instrument) {
        match entry.parameter {
            BEND_RANGE => {
                let place = zones.place(channel);
                let before = self.range(place, zones, instrument.keys());
                let range = Some(controllers::bend_range(before, entry).min(FURTHEST_BEND));
                // All members of a zone have one range (RP-053, 2.4).
                let master = zones.master(channel);
                let siblings = (0..CHANNELS).filter(|other| zones.master(*other as u8) == master);
                for place in siblings.filter(|_| master.is_some()).chain([place]) {
                    self.channels[place].range = range;
                }
                self.tell_wheel(place, zones, instrument);
                self.tell_bends(|_| true, zones, instrument);
            }
            MEMBERS if !entry.is_fine => {
                if let Some(zones) = zones.configured(channel, entry.value) {
                    self.let_up(|_| true, instrument);
                    // What was said before is over (RP-053, 2.1.4), and ranges are as at first (2.4).
                    self.channels[..CHANNELS].fill(Channel::default());
                    self.zones = Some(zones);
                    instrument.bend(self.common_bend(zones, instrument.keys()));
                }
            }
            _ => {}
        }
    }

    /// Bend, pressure and sustain back on all channels that a place reaches, and the pedals (RP-015: ranges and what controllers
    /// turned stay).
    fn wheels_back(&mut self, place: usize, zones: Zones, instrument: &mut Instrument) {
        for channel in (0..CHANNELS as u8).filter(|channel| zones.reaches(place, *channel)) {
            let said = &mut self.channels[zones.place(channel)];
            *said = Channel { range: said.range, timbre: said.timbre, ..Channel::default() };
            self.parameters.forget(channel);
        }
        let reached = |key: &Key| zones.reaches(place, key.channel);
        self.each(reached, |key| key.pressure = 0.0);
        self.tell_wheel(place, zones, instrument);
        self.tell_pressures(reached, zones, instrument);
        self.let_up_unless_kept(zones, instrument);
        let is_member = place < CHANNELS && zones.master(place as u8).is_some();
        if !is_member {
            self.pedals = 0;
            self.tell_pedals(instrument);
        }
    }

    /// Semitones at the end of the wheel.
    fn range(&self, place: usize, zones: Zones, table: &KeyTable) -> f64 {
        let is_member = place < CHANNELS && zones.master(place as u8).is_some();
        self.channels[place].range.unwrap_or(if is_member { MEMBER_BEND } else { table.bend })
    }

    /// What a wheel bends, semitones.
    fn wheel_bend(&self, place: usize, zones: Zones, table: &KeyTable) -> f64 {
        self.channels[place].wheel * self.range(place, zones, table)
    }

    /// The bend of all keys, semitones: while there is no zone, when every key is on the same wheel.
    fn common_bend(&self, zones: Zones, table: &KeyTable) -> f64 {
        if zones.is_any() { 0.0 } else { self.wheel_bend(PLAIN, zones, table) }
    }

    /// The bend of a key beside that of all: its own, its channel's and its master's add (RP-053, 2.3.2).
    fn bend_of(&self, key: &Key, zones: Zones, table: &KeyTable) -> f64 {
        if !zones.is_any() {
            return key.bend;
        }
        let master = zones.master(key.channel).map_or(0.0, |master| self.wheel_bend(master, zones, table));
        key.bend + self.wheel_bend(zones.place(key.channel), zones, table) + master
    }

    /// The pressure of a key: the larger of its own and its master's.
    fn pressure_of(&self, key: &Key, zones: Zones) -> f64 {
        let master = zones.master(key.channel).map_or(0.0, |master| self.channels[master].pressure);
        key.pressure.max(master)
    }

    fn tell_wheel(&self, place: usize, zones: Zones, instrument: &mut Instrument) {
        if zones.is_any() {
            self.tell_bends(|key| zones.reaches(place, key.channel), zones, instrument);
        } else {
            instrument.bend(self.common_bend(zones, instrument.keys()));
        }
    }

    fn tell_bends(&self, which: impl Fn(&Key) -> bool, zones: Zones, instrument: &mut Instrument) {
        for key in self.sounding().filter(|key| which(key)) {
            instrument.bend_key(key.note, self.bend_of(key, zones, instrument.keys()));
        }
    }

    fn tell_pressures(&self, which: impl Fn(&Key) -> bool, zones: Zones, instrument: &mut Instrument) {
        for key in self.sounding().filter(|key| which(key)) {
            instrument.pressure(Some(key.note), self.pressure_of(key, zones));
        }
    }

    fn tell_timbre(&self, which: impl Fn(&Key) -> bool, instrument: &mut Instrument) {
        if let Some(key) = self.held().last().filter(|key| which(key)) {
            turn(TIMBRE, key.timbre, instrument);
        }
    }

    fn tell_pedals(&self, instrument: &mut Instrument) {
        for line in Line::all().filter(|line| line.stage().is_some()) {
            instrument.gate(Source::Gates, line, self.pedals >> line.index() & 1 == 1);
        }
    }

    /// Keys as the instrument has them: of a key that is down on several channels, the newest.
    fn sounding(&self) -> impl Iterator<Item = &Key> {
        let held = self.held();
        held.iter().enumerate().filter_map(|(n, key)| {
            let again = held[n + 1..].iter().any(|later| later.note == key.note);
            (!again).then_some(key)
        })
    }
}

/// Whether there is such a channel.
fn is_channel(channel: u8) -> bool {
    usize::from(channel) < CHANNELS
}

/// A controller turns the knob that the key table gives it.
fn turn(number: u8, travel: Option<f64>, instrument: &mut Instrument) {
    if let Some((turn, travel)) = instrument.keys().controller(number).zip(travel) {
        instrument.set(turn.knob, turn.at(travel));
    }
}

#[cfg(test)]
mod tests;

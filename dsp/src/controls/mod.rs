//! What is set, when it takes effect, and how it glides there.
//!
//! ```text
//!   set, gate, key ──► queue (due on the frame that is being solved) ──► settings, lines, keys ──► glide ──► levels
//! ```
//! Audio waits in the upsampling filter before it reaches the circuit; a change waits as long, so that it meets the frame
//! before which it was made.

use crate::board::Board;
use crate::chain::Levels;
use crate::exciter;
use crate::keys::{Hold, KeyTable, Pitch};
use crate::knobs::{Chord, Kind, Knob, Settings};
use crate::lines::{Line, Lines, Source};
use crate::switching::Treatment;
use hand::Hand;
use queue::Queue;

mod hand;
mod queue;

/// Time constant with which a turned knob's value follows, seconds.
const GLIDE_SECONDS: f64 = 3e-3;
/// A value within this part of its range of where it goes has arrived.
const ARRIVED: f64 = 1e-7;

/// One thing that is set.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Change {
    Knob(Knob, f64),
    /// With the seconds by which the edge comes after the tick at which it is due.
    Gate(Source, Line, bool, f64),
    Key(u8, f64),
    /// Of all keys, semitones.
    Bend(f64),
    /// Of one key, semitones.
    KeyBend(u8, f64),
    /// On one key or on all of them, 0 to 1.
    Pressure(Option<u8>, f64),
    /// A control voltage, volts.
    Voltage(Voltage, f64),
    /// Whether the key table is being played in.
    Learn(bool),
}

/// Control voltages from outside.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Voltage {
    /// Pitch of the exciter: 1 V/octave (common practice), 0 V where knob or key put it.
    Exciter,
    /// Gate voltage of the sweep of a stage (0–2), on top of the knob's.
    Sweep(usize),
}

impl Voltage {
    /// How many there are.
    pub const COUNT: usize = 4;
    /// All of them: exciter, sweeps of stages 1 to 3.
    pub const ALL: [Self; Self::COUNT] = [Self::Exciter, Self::Sweep(0), Self::Sweep(1), Self::Sweep(2)];
}

/// Everything that is set, as it stands on the frame that is being solved.
#[derive(Clone, Debug)]
pub(crate) struct Controls {
    waiting: Queue,
    settings: Settings,
    table: KeyTable,
    /// Whether keys leave the lines alone, because the table is being played in.
    learning: bool,
    /// One for every chain.
    hands: Vec<Hand>,
    /// Keys struck so far.
    struck: u64,
    /// Values on their way to `settings`.
    glide: Settings,
    gliding: bool,
    /// Whether anything has changed since the frame before.
    moved: bool,
    coefficient: f64,
    exciter: crate::board::Exciter,
    /// Supply and temperature at which the rate knob is true.
    nominal: [f64; 2],
    /// Control voltages: octaves on the exciter, volts on each sweep.
    octaves: f64,
    sweep_volts: [f64; 3],
}

impl Controls {
    pub(crate) fn new(board: &Board, settings: &Settings, rate_hz: f64) -> Self {
        let mut controls = Self {
            waiting: Queue::new(),
            settings: *settings,
            table: KeyTable::default(),
            learning: false,
            hands: vec![Hand::default(); settings.build().voices],
            struck: 0,
            glide: *settings,
            gliding: false,
            moved: false,
            coefficient: -(-1.0 / (GLIDE_SECONDS * rate_hz)).exp_m1(),
            exciter: board.exciter,
            nominal: [board.supply, board.temperature],
            octaves: 0.0,
            sweep_volts: [0.0; 3],
        };
        for &knob in Knob::ALL {
            controls.pass_on(knob);
        }
        controls.arrive();
        controls
    }

    /// What was waiting takes effect, every glide has arrived, and no key was heard but those that are down.
    pub(crate) fn arrive(&mut self) {
        while let Some(change) = self.waiting.pop() {
            self.apply(change);
        }
        self.glide = self.settings;
        for hand in &mut self.hands {
            hand.keys.forget_heard(&self.table);
            hand.arrive(&self.table);
        }
        self.gliding = false;
        self.set_bias();
        self.add_sweeps();
    }

    /// Another key table. Keys that are down are read in it.
    pub(crate) fn put_keys(&mut self, table: &KeyTable) {
        self.table = table.clone();
        for hand in &mut self.hands {
            hand.keys.read_again(&self.table);
        }
        self.pull_keys();
        self.gliding = true;
        self.moved = true;
    }

    pub(crate) fn table(&self) -> &KeyTable {
        &self.table
    }

    /// The key table, to be played in: keys read it when they are next pressed, or when learning ends.
    pub(crate) fn table_mut(&mut self) -> &mut KeyTable {
        &mut self.table
    }

    /// Lines that keys have latched stay so, while the table is the same: of as many chains each one's, otherwise those of the key
    /// struck last. What is held down is told anew.
    pub(crate) fn take_over(&mut self, other: &Self) {
        if self.table.hold != Hold::Latched || self.table != other.table {
            return;
        }
        let Some(last) = other.hands.iter().max_by_key(|hand| hand.struck) else { return };
        let alike = self.hands.len() == other.hands.len();
        for (n, hand) in self.hands.iter_mut().enumerate() {
            hand.keys.take_over(if alike { &other.hands[n].keys } else { &last.keys });
        }
        self.pull_keys();
        self.moved = true;
    }

    /// Lets a change take effect at a tick of a frame, after those that are already due then.
    pub(crate) fn wait(&mut self, frame: u64, tick: usize, change: Change) {
        if let Some(oldest) = self.waiting.push(frame, tick, change) {
            self.apply(oldest);
        }
    }

    /// Goes on to a frame: due changes take effect, values glide. Returns whether anything has moved.
    #[inline]
    pub(crate) fn advance(&mut self, frame: u64) -> bool {
        self.take_due(frame, 0);
        if self.gliding {
            self.follow();
        }
        std::mem::take(&mut self.moved)
    }

    /// The tick within a frame, after its start, at which the next change is due.
    #[inline]
    pub(crate) fn next_within(&self, frame: u64) -> Option<usize> {
        self.waiting.next_within(frame)
    }

    /// Lets take effect what is due by a tick of a frame.
    #[inline]
    pub(crate) fn take_due(&mut self, frame: u64, tick: usize) {
        while let Some(change) = self.waiting.pop_due(frame, tick) {
            self.apply(change);
        }
    }

    fn apply(&mut self, change: Change) {
        self.moved = true;
        match change {
            Change::Knob(knob, value) => {
                self.settings.set(knob, value);
                self.pass_on(knob);
                if !matches!(knob.kind(), Kind::Value { .. }) {
                    self.glide.set(knob, value);
                }
                self.gliding = true;
            }
            Change::Gate(source, line, on, late) => {
                for hand in &mut self.hands {
                    hand.pull(source, line, on, late);
                }
            }
            Change::Key(note, velocity) => {
                self.press(note, velocity);
                self.pull_keys();
                self.gliding = true;
            }
            Change::Bend(semitones) => {
                self.hands.iter_mut().for_each(|hand| hand.keys.bend = semitones);
                self.gliding = true;
            }
            Change::Voltage(Voltage::Exciter, volts) => {
                self.octaves = volts;
                self.set_bias();
            }
            Change::Voltage(Voltage::Sweep(stage), volts) => {
                self.sweep_volts[stage] = volts;
                self.add_sweeps();
            }
            Change::KeyBend(note, semitones) => {
                self.hands.iter_mut().for_each(|hand| hand.keys.bend_key(&self.table, note, semitones));
                self.gliding = true;
            }
            Change::Pressure(note, pressure) => {
                self.hands.iter_mut().for_each(|hand| hand.keys.press_harder(note, pressure));
                self.gliding = true;
            }
            Change::Learn(on) => {
                self.learning = on;
                self.hands.iter_mut().for_each(|hand| hand.keys.read_again(&self.table));
                self.pull_keys();
                self.gliding = true;
            }
        }
    }

    /// A key goes down, in the hand that has it or is to have it, or up in whichever has it. One without a pitch only pulls lines:
    /// with voices, those of all.
    fn press(&mut self, note: u8, velocity: f64) {
        let table = &self.table;
        if velocity <= 0.0 {
            self.hands.iter_mut().filter(|hand| hand.keys.holds(note)).for_each(|hand| hand.let_go(table, note));
        } else if self.settings.chord() == Chord::Voices && table.row(note).pitch == Pitch::None {
            self.hands.iter_mut().for_each(|hand| hand.strike(table, note, velocity, hand.struck));
        } else {
            self.struck += 1;
            let hand = self.hand_for(note);
            self.hands[hand].strike(&self.table, note, velocity, self.struck);
        }
    }

    /// The hand for a key that sounds: with voices the one that has it already, or else the first that is silent, or that struck
    /// longest ago.
    fn hand_for(&self, note: u8) -> usize {
        if self.settings.chord() != Chord::Voices {
            return 0;
        }
        let find = |wanted: &dyn Fn(&Hand) -> bool| self.hands.iter().position(wanted);
        let silent = |hand: &Hand| !hand.keys.sounds(&self.table);
        let oldest = || (0..self.hands.len()).min_by_key(|&hand| self.hands[hand].struck).unwrap_or(0);
        find(&|hand| hand.keys.holds(note)).or_else(|| find(&silent)).unwrap_or_else(oldest)
    }

    /// Panel switches and code knobs pull lines; the pitch switch decides whether keys do, that of chords how they are heard.
    fn pass_on(&mut self, knob: Knob) {
        let on = self.settings.is_on(knob);
        match knob {
            Knob::ExciterSoftGate => self.pull(Source::Panel, Line::SOFT, on),
            Knob::ExciterHardGate => self.pull(Source::Panel, Line::HARD, on),
            Knob::ExciterPitch => self.pull_keys(),
            Knob::ExciterChord => {
                let by_stage = self.by_stage();
                self.hands.iter_mut().for_each(|hand| hand.keys.part(by_stage, &self.table));
                self.pull_keys();
            }
            _ => {}
        }
        for stage in 0..3 {
            if knob == Knob::code(stage) {
                let code = self.settings.get(knob) as u8;
                self.hands.iter_mut().for_each(|hand| hand.lines.set_code(Source::Code, stage, code));
            }
            for bit in 0..4 {
                if knob == Knob::switch(stage, bit) {
                    self.pull(Source::Panel, Line::of_stage(stage, bit), on);
                }
            }
        }
    }

    fn pull(&mut self, source: Source, line: Line, on: bool) {
        self.hands.iter_mut().for_each(|hand| hand.lines.set(source, line, on));
    }

    /// The lines of the key table. When keys give the pitch, they pull the hard gate while none is down. A voice without a key is
    /// silent, whatever pulls its hard gate; but the first plays the knob's pitch, as one chain does.
    fn pull_keys(&mut self) {
        let (by_keys, learning) = (self.by_keys(), self.learning);
        let voices = self.settings.chord() == Chord::Voices;
        for (n, hand) in self.hands.iter_mut().enumerate() {
            hand.pull_keys(learning);
            let silent = !hand.keys.sounds(&self.table);
            if by_keys && silent {
                hand.lines.set(Source::Keys, Line::HARD, true);
            }
            hand.lines.hold(Line::HARD, silent && (n > 0 || voices && by_keys));
        }
    }

    /// Whether each stage has an exciter of its own.
    pub(crate) fn by_stage(&self) -> bool {
        self.settings.chord() == Chord::Stages
    }

    fn by_keys(&self) -> bool {
        self.settings.get(Knob::ExciterPitch) > 0.5
    }

    fn follow(&mut self) {
        self.moved = true;
        let mut gliding = false;
        for &knob in Knob::ALL {
            let (now, goal) = (self.glide.get(knob), self.settings.get(knob));
            if now != goal {
                let (low, high) = knob.range();
                let left = goal - now;
                let near = left.abs() <= ARRIVED * (high - low);
                self.glide.set(knob, if near { goal } else { now + self.coefficient * left });
                gliding |= !near;
            }
        }
        for hand in &mut self.hands {
            gliding |= hand.glide(&self.table, self.coefficient);
        }
        self.gliding = gliding;
        self.set_bias();
        self.add_sweeps();
    }

    /// Knob, voltage and pressure on each sweep; together they lead it no further than the knob alone can.
    fn add_sweeps(&mut self) {
        const KNOBS: [Knob; 3] = [Knob::Stage1Sweep, Knob::Stage2Sweep, Knob::Stage3Sweep];
        for hand in &mut self.hands {
            hand.sweeps = std::array::from_fn(|stage| {
                let (low, high) = KNOBS[stage].range();
                let pressure = hand.touch.pressure * self.table.pressure[stage];
                (self.glide.get(KNOBS[stage]) + self.sweep_volts[stage] + pressure).clamp(low, high)
            });
        }
    }

    fn set_bias(&mut self) {
        let [supply, celsius] = [Knob::UnitSupply, Knob::UnitTemperature].map(|knob| self.glide.get(knob));
        let (by_keys, by_stage) = (self.by_keys(), self.by_stage());
        let by_knob = || {
            let [nominal_supply, nominal_celsius] = self.nominal;
            let rate = exciter::volts_hz(self.glide.get(Knob::ExciterRate), self.octaves);
            exciter::bias_for_rate(&self.exciter, rate, nominal_supply, nominal_celsius)
        };
        for hand in &mut self.hands {
            let of_stage = |stage: usize| {
                if !by_keys {
                    return by_knob();
                }
                let (key, bend) = hand.keys.pitch(stage);
                let hertz = exciter::volts_hz(exciter::key_hz(key, bend), self.octaves);
                exciter::bias_for_rate(&self.exciter, hertz, supply, celsius)
            };
            hand.bias = if by_stage { [0, 1, 2].map(of_stage) } else { [of_stage(0); 3] };
        }
    }

    /// Where a knob's value stands on its glide.
    pub(crate) fn value(&self, knob: Knob) -> f64 {
        self.glide.get(knob)
    }

    /// Where the knobs are set.
    pub(crate) fn settings(&self) -> &Settings {
        &self.settings
    }

    /// The lines of a chain.
    pub(crate) fn lines(&self, chain: usize) -> &Lines {
        &self.hands[chain].lines
    }

    /// Seconds by which the last pulls on a chain's lines come after their ticks, by stage; heard once.
    pub(crate) fn take_late(&mut self, chain: usize) -> [f64; 3] {
        std::mem::take(&mut self.hands[chain].late)
    }

    pub(crate) fn treatment(&self) -> Treatment {
        Treatment {
            bleed: self.settings.is_on(Knob::ClickBleed),
            zero_wait: self.settings.is_on(Knob::ClickZeroWait),
            soft_edge: self.settings.get(Knob::ClickSoftEdge),
        }
    }

    /// Gate voltage of each sweep of a chain.
    pub(crate) fn sweeps(&self, chain: usize) -> [f64; 3] {
        self.hands[chain].sweeps
    }

    /// What drives a chain's exciters, by stage; all alike unless [`Controls::by_stage`].
    pub(crate) fn exciters(&self, chain: usize) -> [exciter::Drive; 3] {
        let hand = &self.hands[chain];
        let of = |bias_volts| exciter::Drive {
            bias_volts,
            supply_volts: self.value(Knob::UnitSupply),
            celsius: self.value(Knob::UnitTemperature),
            soft: hand.lines.is_on(Line::SOFT),
            hard: hand.lines.is_on(Line::HARD),
        };
        hand.bias.map(of)
    }

    /// Levels of a chain.
    pub(crate) fn levels(&self, chain: usize) -> Levels {
        let of = |knobs: [Knob; 3]| knobs.map(|knob| self.value(knob));
        let pulses = of([Knob::Stage1Pulse, Knob::Stage2Pulse, Knob::Stage3Pulse]);
        let loudness = self.hands[chain].touch.loudness;
        let level = self.value(Knob::ExciterLevel);
        Levels {
            overdriven: self.settings.is_on(Knob::InputOverdriven),
            drive: self.value(Knob::InputDrive),
            main: of([Knob::Stage1Main, Knob::Stage2Main, Knob::Stage3Main]),
            own: [0.0, self.value(Knob::Stage2In), self.value(Knob::Stage3In)],
            pulse: std::array::from_fn(|stage| pulses[stage] * (level * loudness[stage])),
            link: [Knob::Stage2Link, Knob::Stage3Link].map(|knob| self.value(knob)),
            supply: self.value(Knob::UnitSupply),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_change_takes_effect_on_its_frame_and_glides_there() {
        let board = Board::built_in();
        let mut controls = Controls::new(&board, &Settings::of(&board), 48e3);
        controls.wait(10, 0, Change::Knob(Knob::Stage1Main, 1.0));
        controls.wait(10, 0, Change::Gate(Source::Score, Line::of_stage(2, 3), true, 0.0));
        for frame in 0..10 {
            controls.advance(frame);
            assert_eq!(controls.levels(0).main[0], 0.1);
            assert_eq!(controls.lines(0).codes(), [0, 0, 0]);
        }
        controls.advance(10);
        assert_eq!(controls.lines(0).codes(), [0, 0, 8]);
        let first = controls.levels(0).main[0];
        assert!(first > 0.1 && first < 0.2);
        // A time constant later 1 − 1/e of the way is done.
        for frame in 11..11 + 144 {
            controls.advance(frame);
        }
        approx::assert_abs_diff_eq!(controls.levels(0).main[0], 1.0 - 0.9 / std::f64::consts::E, epsilon = 0.01);
        for frame in 155..48_000 {
            controls.advance(frame);
        }
        assert_eq!(controls.levels(0).main[0], 1.0);
        assert!(!controls.gliding);
    }

    #[test]
    fn with_keys_the_pulse_is_shut_until_one_is_down() {
        let board = Board::built_in();
        let mut controls = Controls::new(&board, &Settings::of(&board), 48e3);
        assert!(!controls.exciters(0)[0].hard);
        controls.wait(0, 0, Change::Knob(Knob::ExciterPitch, 1.0));
        controls.advance(0);
        assert!(controls.exciters(0)[0].hard);
        controls.wait(1, 0, Change::Key(60, 1.0));
        controls.advance(1);
        assert!(!controls.exciters(0)[0].hard);
    }
}

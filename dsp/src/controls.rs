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
use crate::keys::{Held, KeyTable};
use crate::knobs::{Kind, Knob, Settings};
use crate::lines::{Line, Lines, Source};
use crate::pace::TICKS;
use crate::switching::Treatment;
use std::collections::VecDeque;

/// Changes that can wait at once; beyond it the oldest takes effect early.
const WAITING: usize = 8192;
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

/// What a hand does beside pressing keys.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Touch {
    /// The part of the pulse's level that velocity leaves.
    loudness: f64,
    /// 0 to 1.
    pressure: f64,
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
    /// By the tick at which they are due, counted through all frames.
    waiting: VecDeque<(u64, Change)>,
    settings: Settings,
    lines: Lines,
    /// Seconds by which the last edge of each stage's lines comes after its tick.
    late: [f64; 3],
    table: KeyTable,
    keys: Held,
    /// Whether keys leave the lines alone, because the table is being played in.
    learning: bool,
    touch: Touch,
    /// Values on their way to `settings`.
    glide: Settings,
    gliding: bool,
    /// Whether anything has changed since the frame before.
    moved: bool,
    coefficient: f64,
    exciter: crate::board::Exciter,
    /// Supply and temperature at which the rate knob is true.
    nominal: [f64; 2],
    bias: f64,
    /// Control voltages: octaves on the exciter, volts on each sweep.
    octaves: f64,
    sweep_volts: [f64; 3],
    /// Gate voltage of each sweep, all told.
    sweeps: [f64; 3],
}

impl Controls {
    pub(crate) fn new(board: &Board, settings: &Settings, rate_hz: f64) -> Self {
        let mut controls = Self {
            waiting: VecDeque::with_capacity(WAITING),
            settings: *settings,
            lines: Lines::default(),
            late: [0.0; 3],
            table: KeyTable::default(),
            keys: Held::default(),
            learning: false,
            touch: Touch { loudness: 1.0, pressure: 0.0 },
            glide: *settings,
            gliding: false,
            moved: false,
            coefficient: -(-1.0 / (GLIDE_SECONDS * rate_hz)).exp_m1(),
            exciter: board.exciter,
            nominal: [board.supply, board.temperature],
            bias: 0.0,
            octaves: 0.0,
            sweep_volts: [0.0; 3],
            sweeps: [0.0; 3],
        };
        for &knob in Knob::ALL {
            controls.pull_lines(knob);
        }
        controls.arrive();
        controls
    }

    /// What was waiting takes effect, and every glide has arrived.
    pub(crate) fn arrive(&mut self) {
        while let Some((_, change)) = self.waiting.pop_front() {
            self.apply(change);
        }
        self.glide = self.settings;
        self.touch = self.touch_aim();
        self.gliding = false;
        self.set_bias();
        self.add_sweeps();
    }

    /// Another key table. Keys that are down are read in it.
    pub(crate) fn put_keys(&mut self, table: &KeyTable) {
        self.table = table.clone();
        self.keys.read_again(&self.table);
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

    /// Lets a change take effect at a tick of a frame, after those that are already due then.
    pub(crate) fn wait(&mut self, frame: u64, tick: usize, change: Change) {
        let due = due(frame, tick);
        if self.waiting.len() == WAITING
            && let Some((_, oldest)) = self.waiting.pop_front()
        {
            self.apply(oldest);
        }
        let place = self.waiting.partition_point(|(other, _)| *other <= due);
        self.waiting.insert(place, (due, change));
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
        let (next, _) = self.waiting.front()?;
        let tick = next.checked_sub(due(frame, 0)).filter(|tick| *tick < TICKS as u64)?;
        Some(tick as usize)
    }

    /// Lets take effect what is due by a tick of a frame.
    #[inline]
    pub(crate) fn take_due(&mut self, frame: u64, tick: usize) {
        let now = due(frame, tick);
        while let Some(&(due, change)) = self.waiting.front()
            && due <= now
        {
            self.waiting.pop_front();
            self.apply(change);
        }
    }

    fn apply(&mut self, change: Change) {
        self.moved = true;
        match change {
            Change::Knob(knob, value) => {
                self.settings.set(knob, value);
                self.pull_lines(knob);
                if !matches!(knob.kind(), Kind::Value { .. }) {
                    self.glide.set(knob, value);
                }
                self.gliding = true;
            }
            Change::Gate(source, line, on, late) => {
                self.lines.set(source, line, on);
                if let Some(stage) = line.stage() {
                    self.late[stage] = late;
                }
            }
            Change::Key(note, velocity) => {
                let sounded = self.keys.sounds(&self.table);
                self.keys.press(&self.table, note, velocity);
                if !sounded {
                    // Out of silence there is nothing to glide from.
                    self.touch = self.touch_aim();
                }
                self.pull_keys();
                self.gliding = true;
            }
            Change::Bend(semitones) => {
                self.keys.bend = semitones;
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
                self.keys.bend_key(&self.table, note, semitones);
                self.gliding = true;
            }
            Change::Pressure(note, pressure) => {
                self.keys.press_harder(note, pressure);
                self.gliding = true;
            }
            Change::Learn(on) => {
                self.learning = on;
                self.keys.read_again(&self.table);
                self.pull_keys();
                self.gliding = true;
            }
        }
    }

    /// Panel switches and code knobs pull lines; the pitch switch decides whether keys do.
    fn pull_lines(&mut self, knob: Knob) {
        let on = self.settings.is_on(knob);
        match knob {
            Knob::ExciterSoftGate => self.lines.set(Source::Panel, Line::SOFT, on),
            Knob::ExciterHardGate => self.lines.set(Source::Panel, Line::HARD, on),
            Knob::ExciterPitch => self.pull_keys(),
            _ => {}
        }
        for stage in 0..3 {
            if knob == Knob::code(stage) {
                self.lines.set_code(Source::Code, stage, self.settings.get(knob) as u8);
            }
            for bit in 0..4 {
                if knob == Knob::switch(stage, bit) {
                    self.lines.set(Source::Panel, Line::of_stage(stage, bit), on);
                }
            }
        }
    }

    /// The lines of the key table. When keys give the pitch, the hard gate is shut while none is down, whatever they pull.
    fn pull_keys(&mut self) {
        self.lines.set_all(Source::Keys, if self.learning { 0 } else { self.keys.lines() });
        if self.by_keys() && !self.keys.sounds(&self.table) {
            self.lines.set(Source::Keys, Line::HARD, true);
        }
    }

    fn touch_aim(&self) -> Touch {
        let pressure = self.keys.pressure();
        Touch { loudness: self.keys.loudness(&self.table), pressure }
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
        let (goal, touch) = (self.touch_aim(), &mut self.touch);
        for (now, goal) in [(&mut touch.loudness, goal.loudness), (&mut touch.pressure, goal.pressure)] {
            if *now != goal {
                let left = goal - *now;
                let near = left.abs() <= ARRIVED;
                *now = if near { goal } else { *now + self.coefficient * left };
                gliding |= !near;
            }
        }
        self.gliding = gliding;
        self.set_bias();
        self.add_sweeps();
    }

    /// Knob, voltage and pressure on each sweep; together they lead it no further than the knob alone can.
    fn add_sweeps(&mut self) {
        const KNOBS: [Knob; 3] = [Knob::Stage1Sweep, Knob::Stage2Sweep, Knob::Stage3Sweep];
        self.sweeps = std::array::from_fn(|stage| {
            let (low, high) = KNOBS[stage].range();
            let pressure = self.touch.pressure * self.table.pressure[stage];
            (self.value(KNOBS[stage]) + self.sweep_volts[stage] + pressure).clamp(low, high)
        });
    }

    fn set_bias(&mut self) {
        let [supply, celsius] = [Knob::UnitSupply, Knob::UnitTemperature].map(|knob| self.glide.get(knob));
        self.bias = if self.by_keys() {
            let (key, bend) = self.keys.pitch();
            let hertz = exciter::volts_hz(exciter::key_hz(key, bend), self.octaves);
            exciter::bias_for_rate(&self.exciter, hertz, supply, celsius)
        } else {
            let [nominal_supply, nominal_celsius] = self.nominal;
            let rate = exciter::volts_hz(self.glide.get(Knob::ExciterRate), self.octaves);
            exciter::bias_for_rate(&self.exciter, rate, nominal_supply, nominal_celsius)
        };
    }

    /// Where a knob's value stands on its glide.
    pub(crate) fn value(&self, knob: Knob) -> f64 {
        self.glide.get(knob)
    }

    /// Where the knobs are set.
    pub(crate) fn settings(&self) -> &Settings {
        &self.settings
    }

    pub(crate) fn lines(&self) -> &Lines {
        &self.lines
    }

    /// Seconds by which the edge that a stage's lines have just made comes after its tick; heard once.
    pub(crate) fn take_late(&mut self, stage: usize) -> f64 {
        std::mem::take(&mut self.late[stage])
    }

    pub(crate) fn treatment(&self) -> Treatment {
        Treatment {
            bleed: self.settings.is_on(Knob::ClickBleed),
            zero_wait: self.settings.is_on(Knob::ClickZeroWait),
            soft_edge: self.settings.get(Knob::ClickSoftEdge),
        }
    }

    pub(crate) fn sweeps(&self) -> [f64; 3] {
        self.sweeps
    }

    pub(crate) fn exciter(&self) -> exciter::Drive {
        exciter::Drive {
            bias_volts: self.bias,
            supply_volts: self.value(Knob::UnitSupply),
            celsius: self.value(Knob::UnitTemperature),
            soft: self.lines.is_on(Line::SOFT),
            hard: self.lines.is_on(Line::HARD),
        }
    }

    pub(crate) fn levels(&self) -> Levels {
        let of = |knobs: [Knob; 3]| knobs.map(|knob| self.value(knob));
        let pulse = self.value(Knob::ExciterLevel) * self.touch.loudness;
        Levels {
            overdriven: self.settings.is_on(Knob::InputOverdriven),
            drive: self.value(Knob::InputDrive),
            main: of([Knob::Stage1Main, Knob::Stage2Main, Knob::Stage3Main]),
            own: [0.0, self.value(Knob::Stage2In), self.value(Knob::Stage3In)],
            pulse: of([Knob::Stage1Pulse, Knob::Stage2Pulse, Knob::Stage3Pulse]).map(|level| level * pulse),
            link: [Knob::Stage2Link, Knob::Stage3Link].map(|knob| self.value(knob)),
            supply: self.value(Knob::UnitSupply),
        }
    }
}

/// A tick of a frame, counted through all frames.
fn due(frame: u64, tick: usize) -> u64 {
    frame * TICKS as u64 + tick as u64
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
            assert_eq!(controls.levels().main[0], 0.1);
            assert_eq!(controls.lines().codes(), [0, 0, 0]);
        }
        controls.advance(10);
        assert_eq!(controls.lines().codes(), [0, 0, 8]);
        let first = controls.levels().main[0];
        assert!(first > 0.1 && first < 0.2);
        // A time constant later 1 − 1/e of the way is done.
        for frame in 11..11 + 144 {
            controls.advance(frame);
        }
        approx::assert_abs_diff_eq!(controls.levels().main[0], 1.0 - 0.9 / std::f64::consts::E, epsilon = 0.01);
        for frame in 155..48_000 {
            controls.advance(frame);
        }
        assert_eq!(controls.levels().main[0], 1.0);
        assert!(!controls.gliding);
    }

    #[test]
    fn with_keys_the_pulse_is_shut_until_one_is_down() {
        let board = Board::built_in();
        let mut controls = Controls::new(&board, &Settings::of(&board), 48e3);
        assert!(!controls.exciter().hard);
        controls.wait(0, 0, Change::Knob(Knob::ExciterPitch, 1.0));
        controls.advance(0);
        assert!(controls.exciter().hard);
        controls.wait(1, 0, Change::Key(60, 1.0));
        controls.advance(1);
        assert!(!controls.exciter().hard);
    }
}

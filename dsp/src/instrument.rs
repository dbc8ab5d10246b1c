//! The one thing that a shell calls: audio, knobs, lines and keys in; mix and taps out, frame by frame.
//!
//! ```text
//!   set, gate, key ─► controls ─┬─► switching ─┐
//!                               ├─► exciter ───┤
//!   main, in2, in3 ─► ×M ───────┴─► feeds ─────┴─► chain ─► decimator ─┬──────► pulse, tap 1–3
//!                                                                      └─► mixer ─► limiter ─► left, right
//! ```
//! What is set before a `tick` takes effect on that very frame, aligned with the audio of that frame: everything comes out
//! [`Instrument::latency`] frames late, the lines' and knobs' effect with it. What a frame costs is the chain's steps; at rest
//! there are none, see `rest.rs`.

use crate::board::Board;
pub use crate::chain::Counts;
use crate::chain::Levels;
pub use crate::controls::Voltage;
use crate::controls::{Change, Controls};
use crate::engine::Engine;
use crate::exciter::{Drive, Exciter};
use crate::feed::{Feed, Feeds, PULSE, SWEEPS};
use crate::keys::KeyTable;
use crate::knobs::{Knob, Settings};
use crate::limiter::Limiter;
use crate::lines::{Line, Source};
use crate::mixer::{Gains, Mixer};
use crate::oversample::{Decimator, Lanes, Upsampler};
use crate::pace::{Accuracy, LEVELS, TICKS};
use crate::patch::Patch;
use crate::pattern::{Patterns, Player, Transport};
use crate::processor::Instructions;
use crate::radau;
use crate::rest::Rest;
use crate::switching::{Switching, Treatment};

/// Places in a frame to which the edges within it are moved; by how much, the circuit hears.
const EDGES: usize = 128;

/// One frame in, volts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Input {
    /// Main in, left and right; the chain hears their mean.
    pub main: [f64; 2],
    /// Jack of stage 2.
    pub stage2: f64,
    /// Jack of stage 3.
    pub stage3: f64,
}

/// One frame out, volts.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Output {
    /// Stereo mix, left and right.
    pub main: [f64; 2],
    /// The exciter's pulse.
    pub pulse: f64,
    /// Taps 1 to 3.
    pub taps: [f64; 3],
}

/// A sample rate that the instrument does not run at.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
#[error("sample rate: given {0} Hz, allowed is 8 kHz to 768 kHz")]
pub struct RateError(pub f64);

impl RateError {
    pub(crate) fn check(rate_hz: f64) -> Result<(), Self> {
        if (8e3..=768e3).contains(&rate_hz) { Ok(()) } else { Err(Self(rate_hz)) }
    }
}

/// What a jack is clamped to, volts: far beyond any signal, so that nothing overflows inside.
const JACK_LIMIT: f64 = 200.0;
/// What a control voltage is clamped to, volts: ten octaves, or a sweep from end to end.
const CONTROL_LIMIT: f64 = 10.0;
/// The whole unit at one sample rate.
#[derive(Clone, Debug)]
pub struct Instrument {
    panel: Settings,
    controls: Controls,
    player: Player,
    switching: [Switching; 3],
    exciter: Exciter,
    up: Upsampler,
    feeds: Feeds,
    chain: Engine,
    rest: Rest,
    down: Decimator,
    mixer: Mixer,
    limiter: Limiter,
    /// Where everything stands that is set; looked up anew when something has moved.
    levels: Levels,
    drive: Drive,
    treatment: Treatment,
    gains_aim: Gains,
    gains: Gains,
    gains_coefficient: f64,
    /// Frames that wait for the path beside them to catch up.
    gains_waiting: Delay<Gains>,
    direct_waiting: Delay<[f64; 2]>,
    taps_waiting: Delay<Lanes>,
    /// Steps of the grid on which the inputs, the exciter and the click treatments stand.
    factor: usize,
    internal_rate_hz: f64,
    frame: u64,
    sweeps: [f64; 3],
    word: u16,
}

impl Instrument {
    /// Builds the unit at its DC operating point. Allocates; nothing after it does.
    ///
    /// # Errors
    /// A rate outside 8 kHz to 768 kHz.
    pub fn new(board: &Board, settings: &Settings, rate_hz: f64) -> Result<Self, RateError> {
        Self::with(board, settings, rate_hz, Instructions::Widest)
    }

    /// The same, on the instructions asked for.
    ///
    /// # Errors
    /// A rate outside 8 kHz to 768 kHz.
    pub fn with(
        board: &Board,
        settings: &Settings,
        rate_hz: f64,
        instructions: Instructions,
    ) -> Result<Self, RateError> {
        RateError::check(rate_hz)?;
        let factor = settings.quality();
        let internal_rate_hz = rate_hz * factor as f64;
        let controls = Controls::new(board, settings, rate_hz);
        let drive = controls.exciter();
        let (up, limiter) = (Upsampler::new(factor), Limiter::new(rate_hz));
        let gains = Gains::of(settings);
        let mut unit = Self {
            panel: *settings,
            player: Player::new(&Patterns::default(), rate_hz),
            switching: board.stages().map(|stage| Switching::new(board, stage)),
            exciter: Exciter::new(&board.exciter, internal_rate_hz),
            feeds: Feeds::new(factor),
            chain: Engine::new(std::slice::from_ref(board), rate_hz, drive.celsius, Accuracy::of(factor), instructions),
            rest: Rest::new(rate_hz),
            down: Decimator::new(),
            mixer: Mixer::new(rate_hz),
            levels: controls.levels(),
            drive,
            treatment: controls.treatment(),
            gains_aim: gains,
            gains,
            gains_coefficient: Gains::coefficient(rate_hz),
            gains_waiting: Delay::new(Decimator::LATENCY, gains),
            direct_waiting: Delay::new(up.latency_frames() + Decimator::LATENCY, [0.0; 2]),
            taps_waiting: Delay::new(limiter.latency_frames(), [0.0; 4]),
            up,
            limiter,
            factor,
            internal_rate_hz,
            frame: 0,
            sweeps: controls.sweeps(),
            word: 0,
            controls,
        };
        unit.reset();
        Ok(unit)
    }

    /// The unit of a patch, with its key table and its patterns.
    ///
    /// # Errors
    /// A rate outside 8 kHz to 768 kHz.
    pub fn of(patch: &Patch, rate_hz: f64) -> Result<Self, RateError> {
        let mut unit = Self::new(&patch.board, &patch.settings, rate_hz)?;
        unit.put_keys(&patch.keys);
        unit.put_patterns(&patch.patterns);
        unit.reset();
        Ok(unit)
    }

    /// Frames by which everything comes out late.
    pub fn latency(&self) -> usize {
        self.up.latency_frames() + Decimator::LATENCY + self.limiter.latency_frames()
    }

    /// Turns a knob, from the next frame on. `unit.quality` only takes effect on a new instrument.
    pub fn set(&mut self, knob: Knob, value: f64) {
        if knob != Knob::UnitQuality {
            self.panel.set(knob, value);
            self.wait(Change::Knob(knob, self.panel.get(knob)));
        }
    }

    /// Pulls or releases a line, from the next frame on. The panel's own switches are knobs.
    pub fn gate(&mut self, source: Source, line: Line, on: bool) {
        self.wait(Change::Gate(source, line, on, 0.0));
    }

    /// Pulls or releases a line within the next frame, after a part of it (0 to 1): where a gate that runs at an audible rate has
    /// its edges. The exciter hears of its two gates at the frame that follows.
    pub fn gate_within(&mut self, source: Source, line: Line, on: bool, part: f64) {
        let (tick, late) = placed(part, self.frame_seconds());
        self.controls.wait(self.next_frame(), tick, Change::Gate(source, line, on, late));
    }

    /// Another key table, at once; keys that are down are read in it.
    pub fn put_keys(&mut self, table: &KeyTable) {
        self.controls.put_keys(table);
    }

    /// The key table.
    pub fn keys(&self) -> &KeyTable {
        self.controls.table()
    }

    /// The key table, to be played in.
    pub fn keys_mut(&mut self) -> &mut KeyTable {
        self.controls.table_mut()
    }

    /// While the key table is played in keys pull no lines; after it they pull what the table then says. From the next frame on.
    pub fn learn(&mut self, on: bool) {
        self.wait(Change::Learn(on));
    }

    /// Other patterns, from the next frame on.
    pub fn put_patterns(&mut self, patterns: &Patterns) {
        self.player.put(patterns);
    }

    /// What the host's transport does at the next frame: for patterns. To be told at the start of every block and at every jump.
    pub fn transport(&mut self, transport: &Transport) {
        self.player.transport(transport);
    }

    /// Patterns go on where another unit has them, which this one replaces.
    pub fn take_over(&mut self, other: &Self) {
        self.player.take_over(&other.player);
    }

    /// Pulls what the patterns pull within the next frame.
    #[inline]
    fn play_patterns(&mut self) {
        let frame = self.next_frame();
        let seconds = self.frame_seconds();
        let (player, controls) = (&mut self.player, &mut self.controls);
        player.frame(|line, on, part| {
            let (tick, late) = placed(part, seconds);
            controls.wait(frame, tick, Change::Gate(Source::Patterns, line, on, late));
        });
    }

    /// A key goes down (velocity above zero) or up; heard when `exciter.pitch` is `keys`.
    pub fn key(&mut self, note: u8, velocity: f64) {
        self.wait(Change::Key(note, velocity));
    }

    /// Pitch bend in semitones.
    pub fn bend(&mut self, semitones: f64) {
        self.wait(Change::Bend(semitones));
    }

    /// A control voltage stands at so many volts from the next frame on; what is no finite number changes nothing. A sweep goes
    /// there in a straight line over the frame.
    ///
    /// # Panics
    /// A sweep of a stage that there is not.
    pub fn control(&mut self, voltage: Voltage, volts: f64) {
        assert!(!matches!(voltage, Voltage::Sweep(3..)), "a stage is 0 to 2");
        if volts.is_finite() {
            self.wait(Change::Voltage(voltage, volts.clamp(-CONTROL_LIMIT, CONTROL_LIMIT)));
        }
    }

    /// Pitch bend of one key that is down, in semitones, beside that of all.
    pub fn bend_key(&mut self, note: u8, semitones: f64) {
        self.wait(Change::KeyBend(note, semitones));
    }

    /// Pressure (0 to 1) on a key that is down, or on all of them: opens sweeps as the key table says.
    pub fn pressure(&mut self, note: Option<u8>, pressure: f64) {
        self.wait(Change::Pressure(note, pressure.clamp(0.0, 1.0)));
    }

    fn frame_seconds(&self) -> f64 {
        self.factor as f64 / self.internal_rate_hz
    }

    fn wait(&mut self, change: Change) {
        self.controls.wait(self.next_frame(), 0, change);
    }

    /// The frame of the circuit that the next frame of audio will reach.
    fn next_frame(&self) -> u64 {
        self.frame + self.up.latency_frames() as u64
    }

    /// One frame.
    #[inline]
    pub fn tick(&mut self, input: Input) -> Output {
        self.play_patterns();
        let main = input.main.map(jack);
        let jacks = [0.5 * (main[0] + main[1]), jack(input.stage2), jack(input.stage3)];
        for (lane, volts) in jacks.into_iter().enumerate() {
            self.feeds.next(lane, |nodes| self.up.push(lane, volts, nodes));
        }

        let moved = self.controls.advance(self.frame) || self.controls.next_within(self.frame).is_some();
        if moved {
            self.wake();
            self.look_up();
        }
        self.feed();
        if moved || !self.is_quiet() {
            self.wake();
            self.solve();
        } else if self.rest.is_on() {
            self.hold();
        } else {
            self.solve();
            self.rest.watch(self.taps());
        }

        self.frame += 1;

        let lanes = self.down.pull();
        self.gains.glide(&self.gains_aim, self.gains_coefficient);
        let gains = self.gains_waiting.pass(self.gains);
        let direct = self.direct_waiting.pass(main);
        let mix = self.mixer.mix([lanes[1], lanes[2], lanes[3]], direct, &gains);
        let main = self.limiter.tick(mix);
        let [pulse, taps @ ..] = self.taps_waiting.pass(lanes);
        Output { main, pulse, taps }
    }

    /// Where everything stands by now.
    fn look_up(&mut self) {
        self.levels = self.controls.levels();
        self.treatment = self.controls.treatment();
        let drive = self.controls.exciter();
        if drive.celsius != self.drive.celsius {
            self.chain.heat(drive.celsius);
        }
        self.drive = drive;
        self.word = self.controls.lines().word();
        self.want_codes();
        let settings = self.controls.settings();
        self.gains_aim = Gains::of(settings);
        self.limiter.set(settings.is_on(Knob::Limiter), settings.get(Knob::LimiterCeiling));
    }

    fn want_codes(&mut self) {
        for (switching, code) in self.switching.iter_mut().zip(self.controls.lines().codes()) {
            switching.want(code);
        }
    }

    /// What reaches the chain besides audio: the pulse, of which the decimator hears too, and the sweeps.
    #[inline]
    fn feed(&mut self) {
        let (exciter, down, drive) = (&mut self.exciter, &mut self.down, &self.drive);
        let level = self.factor.ilog2() as usize;
        self.feeds.next(PULSE, |nodes| {
            let moves = exciter.frame(drive, nodes);
            if moves {
                for (k, step) in nodes.as_chunks::<3>().0.iter().enumerate() {
                    down.take(0, k << (LEVELS - 1 - level), level, step);
                }
            } else {
                down.hold(0);
            }
            moves
        });
        let from = std::mem::replace(&mut self.sweeps, self.controls.sweeps());
        for (stage, (from, to)) in from.into_iter().zip(self.sweeps).enumerate() {
            self.feeds.next(SWEEPS + stage, |nodes| {
                if from != to {
                    let steps = self.factor as f64;
                    for (k, step) in nodes.as_chunks_mut::<3>().0.iter_mut().enumerate() {
                        *step = radau::C.map(|c| from + (to - from) * (k as f64 + c) / steps);
                    }
                }
                from != to
            });
        }
    }

    /// Solves one frame; the decimator hears of it.
    #[inline]
    fn solve(&mut self) {
        let treatment = self.treatment;
        let grid = LEVELS - 1 - self.factor.ilog2() as usize;
        self.chain.begin_frame();
        let mut tick = 0;
        while tick < TICKS {
            let idle = (0..3).all(|stage| self.switching[stage].is_idle(treatment));
            if !idle {
                self.switch(treatment);
            }
            let still = (0..3).all(|stage| self.switching[stage].is_idle(treatment));
            // While an edge waits or glides, the switches are looked after at every step of the grid.
            let looked_after = if still { TICKS } else { ((tick >> grid) + 1) << grid };
            let next = self.controls.next_within(self.frame).unwrap_or(TICKS);
            let end = looked_after.min(next);
            self.chain.cover(std::slice::from_ref(&self.feeds), &self.levels, tick..end, |_, tick, level, taps| {
                for (stage, nodes) in taps.iter().enumerate() {
                    self.down.take(1 + stage, tick, level, nodes);
                }
            });
            tick = end;
            if tick == next {
                self.controls.take_due(self.frame, tick);
                self.want_codes();
            }
        }
    }

    /// Whether nothing reaches the chain that is not as it was in the frame before.
    #[inline]
    fn is_quiet(&self) -> bool {
        let heard = self.levels.pulse != [0.0; 3];
        self.feeds.are_still(heard) && self.switching.iter().all(|switching| switching.is_idle(self.treatment))
    }

    /// A frame at rest.
    #[inline]
    fn hold(&mut self) {
        let frames = self.rest.pass();
        self.make_up(frames);
        for stage in 0..3 {
            if frames > 0 {
                self.down.take(1 + stage, 0, 0, &[self.chain.state(0, stage).volts; 3]);
            } else {
                self.down.hold(1 + stage);
            }
        }
    }

    /// The rest is over, if there was one.
    #[inline]
    fn wake(&mut self) {
        let frames = self.rest.end();
        self.make_up(frames);
    }

    /// The chain goes through the frames of rest that have passed.
    #[inline]
    fn make_up(&mut self, frames: usize) {
        if frames > 0 {
            self.chain.make_up(frames, &self.feed_at_rest(), &self.levels);
        }
    }

    /// Silence, and the sweeps where they stand.
    fn feed_at_rest(&self) -> Feed {
        Feed { sweep: self.sweeps.map(|gate| [gate; 3]), ..Feed::default() }
    }

    /// Tank voltages at the end of the last step.
    #[inline]
    fn taps(&self) -> [f64; 3] {
        std::array::from_fn(|stage| self.chain.state(0, stage).volts)
    }

    /// What the switches do at the start of a step of the grid.
    fn switch(&mut self, treatment: Treatment) {
        for stage in 0..3 {
            let step = 1.0 / self.internal_rate_hz;
            let late = self.controls.take_late(stage);
            let edge = self.switching[stage].advance(treatment, self.chain.state(0, stage).volts, step);
            if edge.changed {
                self.chain.switch(0, stage, self.switching[stage].siemens(), if edge.hard { late } else { 0.0 });
            }
            if edge.hard {
                self.chain.inject(0, stage, edge.charge);
                self.down.jump(1 + stage, self.chain.state(0, stage).volts);
                self.chain.edge();
            }
        }
    }

    /// Back to the DC operating point, as a new instrument with the same knobs and lines.
    pub fn reset(&mut self) {
        self.controls.arrive();
        self.player.reset();
        self.frame = 0;
        self.look_up();
        self.chain.heat(self.drive.celsius);
        self.sweeps = self.controls.sweeps();
        let codes = self.controls.lines().codes();
        let treatment = self.treatment;
        for (stage, code) in codes.into_iter().enumerate() {
            self.switching[stage].rest(code, treatment, 0.0);
            self.chain.switch(0, stage, self.switching[stage].siemens(), 0.0);
        }
        let feed = self.feed_at_rest();
        self.rest.reset();
        self.chain.settle(&feed, &self.levels);
        self.feeds.settle(&feed);
        for (stage, code) in codes.into_iter().enumerate() {
            self.switching[stage].rest(code, treatment, self.chain.state(0, stage).volts);
        }
        let taps = self.taps();
        let lanes = [0.0, taps[0], taps[1], taps[2]];
        self.exciter.reset();
        self.up.reset();
        self.down.settle(lanes);
        self.mixer.settle(taps);
        self.limiter.reset();
        self.gains = self.gains_aim;
        self.gains_waiting.fill(self.gains);
        self.direct_waiting.fill([0.0; 2]);
        self.taps_waiting.fill(lanes);
    }

    /// What the solver had to do since the last reset.
    pub fn counts(&self) -> Counts {
        Counts { rests: self.rest.total(), ..self.chain.counts() }
    }

    /// Where the knobs stand on the panel.
    pub fn settings(&self) -> &Settings {
        &self.panel
    }

    /// State of every line on the frame that sounds next, in the order of [`Line::all`].
    pub fn lines(&self) -> [bool; Line::COUNT] {
        let mut states = [false; Line::COUNT];
        for line in Line::all() {
            states[line.index()] = self.controls.lines().is_on(line);
        }
        states
    }

    /// Every line at the start of the frame that was solved last, bit n for the nth in the order of [`Line::all`].
    pub fn line_word(&self) -> u16 {
        self.word
    }

    /// Frames by which the circuit, and [`Instrument::line_word`] with it, is ahead of what comes out.
    pub fn ahead(&self) -> usize {
        Decimator::LATENCY + self.limiter.latency_frames()
    }

    /// The circuit as it stands: states of stage `stage` (0–2).
    pub fn state(&self, stage: usize) -> crate::stage::State {
        self.chain.state(0, stage)
    }
}

/// Where an edge is moved to that comes after a part of a frame of so many seconds: the tick, and by how much it comes after it.
fn placed(part: f64, frame_seconds: f64) -> (usize, f64) {
    let places = part.clamp(0.0, 1.0) * EDGES as f64;
    let late = (places - places.round()) * frame_seconds / EDGES as f64;
    (places.round() as usize * (TICKS / EDGES), late)
}

/// What a jack passes on: finite and within its clamp.
#[inline]
fn jack(volts: f64) -> f64 {
    if volts.is_finite() { volts.clamp(-JACK_LIMIT, JACK_LIMIT) } else { 0.0 }
}

/// A delay of whole frames.
#[derive(Clone, Debug)]
struct Delay<T> {
    waiting: Box<[T]>,
    place: usize,
}

impl<T: Copy> Delay<T> {
    fn new(frames: usize, value: T) -> Self {
        Self { waiting: vec![value; frames].into_boxed_slice(), place: 0 }
    }

    #[inline]
    fn pass(&mut self, value: T) -> T {
        let Some(slot) = self.waiting.get_mut(self.place) else { return value };
        let out = std::mem::replace(slot, value);
        self.place = if self.place + 1 == self.waiting.len() { 0 } else { self.place + 1 };
        out
    }

    fn fill(&mut self, value: T) {
        self.waiting.fill(value);
        self.place = 0;
    }
}

#[cfg(test)]
mod tests;

//! Where units are built and scrapped: never on the audio thread.
//!
//! ```text
//!   quality turned ── order ──► builder ──┐                    ┌──► fades in
//!   state loaded ─── loader's thread ─────┴─► ready ─► audio ──┤
//!                               builder ◄──── scrap ◄──────────┘ the unit that was playing
//!                       bench ◄── lesson ◄── key table that was played in
//! ```
//! `ready`, `scrap` and `lesson` are lock-free queues. The board is behind a lock that the audio thread never touches.

use crate::panel::Panel;
use crossbeam_queue::ArrayQueue;
use nice_plug::prelude::nice_error;
use parking_lot::{Mutex, MutexGuard};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::Duration;
use tritank_dsp::board::Board;
use tritank_dsp::instrument::{Instrument, RateError};
use tritank_dsp::keys::KeyTable;
use tritank_dsp::knobs::Settings;
use tritank_dsp::patch::Patch;

/// Units that can wait to be scrapped. The audio thread takes no new unit while this is full.
const SCRAP: usize = 4;
/// Sheets for key tables on their way to the bench: one that is written, one that waits, one that is read.
const SHEETS: usize = 3;
/// How often the builder looks for an order and for scrap.
const LOOKS: Duration = Duration::from_millis(10);

/// An instrument, and the direct way round it.
pub struct Unit {
    /// The instrument.
    pub instrument: Instrument,
    /// The input, as late as the instrument.
    pub round: Delay<[f32; 2]>,
    /// The lines, as late as what comes out.
    pub lines: Delay<u16>,
    /// Which patch on the bench it was built from.
    pub patch: u64,
}

/// A key table that was played in, and the patch whose it is.
struct Lesson {
    patch: u64,
    keys: KeyTable,
}

/// A delay of whole frames.
pub struct Delay<T> {
    frames: Box<[T]>,
    next: usize,
}

impl<T: Copy + Default> Delay<T> {
    /// A silent delay.
    pub fn new(frames: usize) -> Self {
        Self { frames: vec![T::default(); frames].into_boxed_slice(), next: 0 }
    }

    /// One frame in, the one of so many frames ago out.
    pub fn pass(&mut self, frame: T) -> T {
        let Some(place) = self.frames.get_mut(self.next) else { return frame };
        let late = std::mem::replace(place, frame);
        self.next = (self.next + 1) % self.frames.len();
        late
    }

    /// Silent again.
    pub fn clear(&mut self) {
        self.frames.fill(T::default());
    }

    /// Takes over what another delay still holds, as much of it as fits: the newest.
    pub fn take_over(&mut self, other: &Self) {
        let (long, short) = (other.frames.len(), self.frames.len().min(other.frames.len()));
        self.clear();
        self.next = 0;
        for back in 1..=short {
            let from = (other.next + long - back) % long;
            let to = self.frames.len() - back;
            self.frames[to] = other.frames[from];
        }
    }
}

/// What the shell, its panel and its builder share.
pub struct Workshop {
    bench: Mutex<Bench>,
    /// Units ready to be played; the newest replaces one that nobody fetched.
    ready: ArrayQueue<Box<Unit>>,
    scrap: ArrayQueue<Box<Unit>>,
    /// What was learnt last; the newest replaces one that the bench has not taken up.
    lesson: ArrayQueue<Box<Lesson>>,
    /// Sheets to write the next on.
    sheets: ArrayQueue<Box<Lesson>>,
    ordered: AtomicBool,
    closing: AtomicBool,
}

/// What a unit is built from. Held locked from the first part to the hand-over, so that no older unit can follow a newer.
struct Bench {
    /// Board and tables; where the knobs stand the panel knows.
    patch: Patch,
    /// How many patches were on the bench before it.
    number: u64,
    /// None until the host has said it.
    rate_hz: Option<f64>,
}

impl Default for Workshop {
    fn default() -> Self {
        Self::new()
    }
}

impl Workshop {
    /// A workshop with the built-in board on its bench.
    pub fn new() -> Self {
        let sheets = ArrayQueue::new(SHEETS);
        for _ in 0..SHEETS {
            let _ = sheets.push(Box::new(Lesson { patch: 0, keys: KeyTable::default() }));
        }
        Self {
            bench: Mutex::new(Bench { patch: Patch::new(Board::built_in()), number: 0, rate_hz: None }),
            ready: ArrayQueue::new(1),
            scrap: ArrayQueue::new(SCRAP),
            lesson: ArrayQueue::new(1),
            sheets,
            ordered: AtomicBool::new(false),
            closing: AtomicBool::new(false),
        }
    }

    /// What is, or will be, played: board and tables, with the knobs as they are told.
    pub fn patch(&self, settings: &Settings) -> Patch {
        Patch { settings: *settings, ..self.bench().patch.clone() }
    }

    /// The bench with all that was learnt until now.
    fn bench(&self) -> MutexGuard<'_, Bench> {
        let mut bench = self.bench.lock();
        while let Some(lesson) = self.lesson.pop() {
            // What was learnt of another patch went with it.
            if lesson.patch == bench.number {
                bench.patch.keys = lesson.keys.clone();
            }
            let _ = self.sheets.push(lesson);
        }
        bench
    }

    /// Sends the key table that a unit was taught to the bench. Returns whether there was a sheet for it: always, since only who has
    /// the bench reads one.
    pub fn teach(&self, unit: &Unit) -> bool {
        let Some(mut lesson) = self.sheets.pop() else { return false };
        lesson.patch = unit.patch;
        lesson.keys.clone_from(unit.instrument.keys());
        if let Some(older) = self.lesson.force_push(lesson) {
            // There is room: it was one of the sheets.
            let _ = self.sheets.push(older);
        }
        true
    }

    /// Builds the first unit at a rate; all that was ready is out of date.
    ///
    /// # Errors
    /// A rate that the instrument does not run at.
    pub fn open(&self, settings: &Settings, rate_hz: f64) -> Result<Box<Unit>, RateError> {
        let mut bench = self.bench();
        let unit = bench.build(settings, rate_hz)?;
        bench.rate_hz = Some(rate_hz);
        self.ordered.store(false, Ordering::Release);
        while self.ready.pop().is_some() || self.scrap.pop().is_some() {}
        Ok(unit)
    }

    /// Builds a unit here and now: for an offline render, which has the time and must not depend on another thread's.
    pub fn build_here(&self, settings: &Settings) -> Option<Box<Unit>> {
        let bench = self.bench();
        bench.build(settings, bench.rate_hz?).ok()
    }

    /// Puts another board with its tables on the bench and, if the host is playing, makes a unit of it ready. Not on the audio
    /// thread.
    pub fn rebuild_with(&self, patch: Patch, settings: &Settings) {
        let mut bench = self.bench.lock();
        bench.patch = patch;
        bench.number += 1;
        self.make_ready(&bench, settings);
    }

    fn make_ready(&self, bench: &Bench, settings: &Settings) {
        let Some(rate_hz) = bench.rate_hz else { return };
        match bench.build(settings, rate_hz) {
            Ok(unit) => drop(self.ready.force_push(unit)),
            Err(error) => nice_error!("no new unit, the old one plays on: {error}"),
        }
    }

    /// The newest unit, if one is ready and there is room for the one it replaces.
    pub fn fetch(&self) -> Option<Box<Unit>> {
        if self.scrap.is_full() { None } else { self.ready.pop() }
    }

    /// Leaves a unit to be scrapped. Gives it back when there is no room.
    pub fn leave(&self, unit: Box<Unit>) -> Option<Box<Unit>> {
        self.scrap.push(unit).err()
    }
}

impl Bench {
    fn build(&self, settings: &Settings, rate_hz: f64) -> Result<Box<Unit>, RateError> {
        let patch = Patch { settings: *settings, ..self.patch.clone() };
        let instrument = Instrument::of(&patch, rate_hz)?;
        let (round, lines) = (Delay::new(instrument.latency()), Delay::new(instrument.ahead()));
        Ok(Box::new(Unit { instrument, round, lines, patch: self.number }))
    }
}

/// The thread that builds on order and scraps what was left. One per plugin: the framework's own background thread
/// would be joined by itself if a host took the plugin away during a build.
pub struct Builder {
    workshop: Arc<Workshop>,
    thread: Option<JoinHandle<()>>,
}

impl Builder {
    /// Starts the thread.
    ///
    /// # Errors
    /// When the system gives no thread.
    pub fn start(workshop: Arc<Workshop>, panel: Arc<Panel>) -> std::io::Result<Self> {
        workshop.closing.store(false, Ordering::Release);
        let thread = thread::Builder::new().name("tritank builder".into()).spawn({
            let workshop = workshop.clone();
            move || {
                while !workshop.closing.load(Ordering::Acquire) {
                    while workshop.scrap.pop().is_some() {}
                    if workshop.ordered.swap(false, Ordering::AcqRel) {
                        let bench = workshop.bench();
                        workshop.make_ready(&bench, &panel.settings());
                    } else {
                        thread::park_timeout(LOOKS);
                    }
                }
            }
        })?;
        Ok(Self { workshop, thread: Some(thread) })
    }

    /// Orders a unit for the panel as it stands. The thread looks for orders by itself: to wake it would be a system call.
    pub fn order(&self) {
        self.workshop.ordered.store(true, Ordering::Release);
    }
}

impl Drop for Builder {
    fn drop(&mut self) {
        self.workshop.closing.store(true, Ordering::Release);
        if let Some(thread) = self.thread.take() {
            thread.thread().unpark();
            // A builder that panicked has nothing left to say: the panic was logged, and the plugin is going.
            let _ = thread.join();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_delay_is_late_by_its_frames_and_a_short_one_takes_over_the_newest() {
        let mut long = Delay::new(5);
        let passed: Vec<_> = (1..=8u8).map(|n| long.pass([f32::from(n); 2])[0]).collect();
        assert_eq!(passed, [0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 2.0, 3.0]);

        let mut short = Delay::new(3);
        short.pass([9.0; 2]);
        short.take_over(&long);
        let passed: Vec<_> = (9..=12u8).map(|n| short.pass([f32::from(n); 2])[0]).collect();
        assert_eq!(passed, [6.0, 7.0, 8.0, 9.0], "as if it had always been this short");

        let mut longer = Delay::new(5);
        longer.take_over(&short);
        let passed: Vec<_> = (0..6u8).map(|_| longer.pass([0.0; 2])[0]).collect();
        assert_eq!(passed, [0.0, 0.0, 10.0, 11.0, 12.0, 0.0], "silence where the old one had nothing");

        assert_eq!(Delay::new(0).pass([1.0, 2.0]), [1.0, 2.0]);
    }

    #[test]
    fn an_ordered_unit_gets_ready_and_the_left_one_is_scrapped() {
        let workshop = Arc::new(Workshop::new());
        let panel = Arc::new(Panel::new(workshop.clone()));
        let first = workshop.open(&panel.settings(), 48e3).unwrap();
        assert!(workshop.fetch().is_none());
        let builder = Builder::start(workshop.clone(), panel).unwrap();
        builder.order();
        let second = loop {
            if let Some(unit) = workshop.fetch() {
                break unit;
            }
            thread::yield_now();
        };
        assert_eq!(second.instrument.build(), first.instrument.build());
        assert!(workshop.leave(first).is_none());
        while !workshop.scrap.is_empty() {
            thread::yield_now();
        }
    }

    /// However many lessons come before the bench looks, it has the last; those of another patch it leaves.
    #[test]
    fn the_bench_has_the_last_lesson_of_its_own_patch() {
        use tritank_dsp::lines::Line;
        let workshop = Workshop::new();
        let settings = Settings::of(&Board::built_in());
        let mut unit = workshop.open(&settings, 48e3).unwrap();
        for note in 0..20 {
            unit.instrument.keys_mut().learn(note, Line::SOFT, true);
            assert!(workshop.teach(&unit), "lesson {note}");
            if note == 11 {
                assert_eq!(&workshop.patch(&settings).keys, unit.instrument.keys());
            }
        }
        assert_eq!(&workshop.build_here(&settings).unwrap().instrument.keys().row(19), &unit.instrument.keys().row(19));
        assert_eq!(&workshop.patch(&settings).keys, unit.instrument.keys());
        workshop.teach(&unit);
        workshop.rebuild_with(Patch::new(Board::built_in()), &settings);
        assert_eq!(workshop.patch(&settings).keys, KeyTable::default());
        workshop.teach(&unit);
        assert_eq!(workshop.patch(&settings).keys, KeyTable::default());
    }

    #[test]
    fn no_unit_is_fetched_while_there_is_no_room_for_the_old_one() {
        let workshop = Workshop::new();
        let settings = Settings::of(&Board::built_in());
        for _ in 0..SCRAP {
            let unit = workshop.bench.lock().build(&settings, 48e3).unwrap();
            assert!(workshop.leave(unit).is_none());
        }
        workshop.bench.lock().rate_hz = Some(48e3);
        workshop.rebuild_with(Patch::new(Board::built_in()), &settings);
        assert!(workshop.fetch().is_none());
        workshop.scrap.pop();
        assert!(workshop.fetch().is_some());
    }
}

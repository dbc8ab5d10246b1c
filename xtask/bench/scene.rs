//! What a unit plays while it is timed or counted.

use tritank_dsp::board::Board;
use tritank_dsp::instrument::{Input, Instrument};
use tritank_dsp::knobs::{Chord, Knob, Settings};
use tritank_dsp::lines::{Line, Source};
use tritank_dsp::processor::Instructions;
use tritank_dsp::quartet::Quartet;

pub(crate) const RATE: usize = 48_000;

/// A chord of four notes.
pub(crate) const KEYS: [u8; 4] = [45, 52, 57, 61];

/// An organ chord into main in of the built-in board.
pub(crate) struct Scene {
    pub(crate) name: String,
    knobs: Vec<(Knob, f64)>,
    volts: f64,
    /// Frames from one turn of a switch line to the next, if any turns.
    every: Option<usize>,
    /// Held from the first frame on.
    keys: &'static [u8],
    instructions: Instructions,
}

impl Scene {
    /// Half a volt at the peak.
    pub(crate) fn new(name: &str) -> Self {
        Self {
            name: name.to_owned(),
            knobs: vec![(Knob::Stage1Main, 0.4)],
            volts: 0.5,
            every: None,
            keys: &[],
            instructions: Instructions::Widest,
        }
    }

    pub(crate) fn with(mut self, knob: Knob, value: f64) -> Self {
        self.knobs.push((knob, value));
        self
    }

    /// Every channel half open.
    pub(crate) fn swept(self) -> Self {
        [Knob::Stage1Sweep, Knob::Stage2Sweep, Knob::Stage3Sweep]
            .into_iter()
            .fold(self, |scene, knob| scene.with(knob, 1.0))
    }

    pub(crate) fn volts(self, volts: f64) -> Self {
        Self { volts, ..self }
    }

    pub(crate) fn switching(self, every: usize) -> Self {
        Self { every: Some(every), ..self }
    }

    /// Keys play the exciter into all stages instead of the organ; what becomes of several says [`Knob::ExciterChord`].
    pub(crate) fn played(self, keys: &'static [u8], chord: Chord) -> Self {
        let choice = Chord::ALL.iter().position(|other| *other == chord).unwrap_or_default();
        let knobs = [
            (Knob::ExciterPitch, 1.0),
            (Knob::ExciterLevel, 0.6),
            (Knob::ExciterChord, choice as f64),
            (Knob::Stage1Pulse, 0.2),
            (Knob::Stage2Pulse, 0.2),
            (Knob::Stage3Pulse, 0.2),
        ];
        let scene = knobs.into_iter().fold(self.volts(0.0), |scene, (knob, value)| scene.with(knob, value));
        Self { keys, ..scene }
    }

    pub(crate) fn on(self, instructions: Instructions) -> Self {
        Self { instructions, ..self }
    }

    pub(crate) fn instrument(&self) -> Instrument {
        let board = Board::built_in();
        let unit = Instrument::with(&board, &self.settings(&board), RATE as f64, self.instructions);
        let mut unit = unit.expect("48 kHz is allowed");
        self.keys.iter().for_each(|&key| unit.key(key, 1.0));
        unit
    }

    /// Four of the built-in board.
    pub(crate) fn quartet(&self) -> Quartet {
        let board = Board::built_in();
        let boards = std::array::from_fn(|_| board.clone());
        Quartet::with(&boards, &self.settings(&board), RATE as f64, self.instructions).expect("48 kHz is allowed")
    }

    fn settings(&self, board: &Board) -> Settings {
        let mut settings = Settings::of(board);
        for &(knob, value) in &self.knobs {
            settings.set(knob, value);
        }
        settings
    }

    /// So many frames of the chord, in volts.
    pub(crate) fn chord(&self, frames: usize) -> Vec<f64> {
        (0..frames).map(|n| self.volts * chord(n as f64 / RATE as f64)).collect()
    }

    /// Frame `n` of the chord through the unit, main out, volts.
    #[inline]
    pub(crate) fn tick(&self, unit: &mut Instrument, n: usize, volts: f64) -> f64 {
        if let Some(every) = self.every.filter(|every| n.is_multiple_of(*every)) {
            let turn = n / every;
            unit.gate(Source::Score, Line::of_stage(turn % 3, turn / 3 % 4), (turn / 12).is_multiple_of(2));
        }
        unit.tick(Input { main: [volts; 2], ..Input::default() }).main[0]
    }
}

/// Frame `n` of a chord through four chains, each somewhere else in it; tap 3 of the last, volts.
#[inline]
pub(crate) fn tick_four(quartet: &mut Quartet, n: usize, chord: &[f64]) -> f64 {
    quartet.tick(std::array::from_fn(|chain| chord[(n + 1000 * chain) % chord.len()]))[3][2]
}

/// Three notes of nine partials each, peak about 1.
pub(crate) fn chord(seconds: f64) -> f64 {
    let notes = [110.0, 164.81, 220.0];
    let tone = |hertz: f64| -> f64 {
        (1..=9).map(f64::from).map(|k: f64| (std::f64::consts::TAU * k * hertz * seconds).sin() / k).sum()
    };
    notes.into_iter().map(tone).sum::<f64>() / 4.0
}

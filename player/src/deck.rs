//! What plays: sound from a file that goes round, or from the machine's input; keys; the instrument; a fade at both ends.
//!
//! ```text
//!   file, over and over ─┐
//!   machine's input ─────┴─► instrument ─► fade ─► left, right of the machine's output
//!   MIDI ─► keyboard ─────────┘
//! ```
//! The input's clock is not the output's. Between them lie as many frames as the machine asks for: when they run out, the
//! input is silent until as many are there again; when they pile up to three times as many, the oldest are left out.

use crate::wires::{Frame, Side, Wires};
use nice_plug::prelude::NoteEvent;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use tritank::denormals::Flushed;
use tritank::keyboard;
use tritank_dsp::gate_input::GateInput;
use tritank_dsp::instrument::{Input, Instrument};
use tritank_dsp::keys::Keyboard;
use tritank_dsp::lines::{Line, Source};
use tritank_dsp::pattern::{Place, Transport};

/// From silence to sound at the start, and back at the end.
const FADE_SECONDS: f64 = 0.02;

/// Where the sound comes from.
#[derive(Debug)]
pub enum Sound {
    /// From nowhere: the exciter plays alone.
    Silence,
    /// Frames that are played over and over, volts.
    Loop(Vec<[f32; 2]>),
    /// The machine's input.
    Live,
}

/// The audio thread's part of a session.
pub struct Deck {
    instrument: Instrument,
    keyboard: Keyboard,
    gates: GateInput,
    sound: Sound,
    place: usize,
    /// Whether enough frames have come in.
    primed: bool,
    wires: Arc<Wires>,
    /// Share of the sound, 0 to 1.
    faded: f64,
    fade_step: f64,
}

impl Deck {
    /// A deck that has not begun, at the rate of its instrument. Patterns run from the first frame on, at the tempo of the patch:
    /// there is no host to start them.
    pub fn new(mut instrument: Instrument, rate_hz: f64, sound: Sound, wires: Arc<Wires>) -> Self {
        instrument.transport(&Transport { playing: true, place: Some(Place::default()), tempo: None });
        Self {
            instrument,
            keyboard: Keyboard::default(),
            gates: GateInput::default(),
            sound,
            place: 0,
            primed: false,
            wires,
            faded: 0.0,
            fade_step: 1.0 / (FADE_SECONDS * rate_hz),
        }
    }

    /// Frames by which the instrument is late.
    pub fn latency(&self) -> usize {
        self.instrument.latency()
    }

    /// Plays one block: `channels` interleaved. The first two are left and right; a machine of one channel gets their mean, and
    /// further channels are silent. What is beyond full scale is cut off there, as the machine would.
    pub fn fill(&mut self, out: &mut [f32], channels: usize) {
        let _flushed = Flushed::here();
        let closing = self.wires.closing.load(Ordering::Relaxed);
        let letting_go = self.wires.each_message(|bytes| {
            let event = NoteEvent::<()>::from_midi(0, &bytes).ok();
            if let Some(message) = event.as_ref().and_then(keyboard::message) {
                self.keyboard.play(message, &mut self.instrument);
            }
        });
        if letting_go {
            self.keyboard.let_go(&mut self.instrument);
        }
        self.look_at_input();
        let (mut most_in, mut most_out) = (0.0f32, 0.0f32);
        for frame in out.chunks_exact_mut(channels.max(1)) {
            let Frame { main, gates } = self.next();
            for (line, volts) in Line::all().zip(gates) {
                if let Some(on) = self.gates.hear(line, volts) {
                    self.instrument.gate(Source::Inputs, line, on);
                }
            }
            let heard = self.instrument.tick(Input { main: main.map(f64::from), ..Input::default() }).main;
            let step = if closing { -self.fade_step } else { self.fade_step };
            self.faded = (self.faded + step).clamp(0.0, 1.0);
            let [left, right] = heard.map(|volts| (volts * self.faded).clamp(-1.0, 1.0) as f32);
            most_in = most_in.max(main[0].abs()).max(main[1].abs());
            most_out = most_out.max(left.abs()).max(right.abs());
            match frame {
                [mono] => *mono = f32::midpoint(left, right),
                [first, second, rest @ ..] => {
                    (*first, *second) = (left, right);
                    rest.fill(0.0);
                }
                [] => {}
            }
        }
        self.wires.turn(Side::Out);
        self.wires.show(Side::In, most_in);
        self.wires.show(Side::Out, most_out);
        if closing && self.faded == 0.0 {
            self.wires.closed.store(true, Ordering::Release);
        }
    }

    fn look_at_input(&mut self) {
        let Sound::Live = self.sound else { return };
        let (waiting, between) = (self.wires.sound.len(), self.wires.between());
        self.primed |= waiting >= between;
        if waiting >= between.max(1).saturating_mul(3) {
            for _ in between..waiting {
                self.wires.sound.pop();
            }
            self.wires.slip();
        }
    }

    fn next(&mut self) -> Frame {
        match &self.sound {
            Sound::Loop(frames) => {
                let main = frames.get(self.place).copied().unwrap_or_default();
                self.place = if self.place + 1 < frames.len() { self.place + 1 } else { 0 };
                Frame { main, ..Frame::default() }
            }
            Sound::Live if self.primed => self.wires.sound.pop().unwrap_or_else(|| {
                self.primed = false;
                self.wires.slip();
                // A gate that was high stays so: what is no number changes nothing.
                Frame { main: [0.0; 2], gates: [f32::NAN; Line::COUNT] }
            }),
            Sound::Live => Frame { main: [0.0; 2], gates: [f32::NAN; Line::COUNT] },
            Sound::Silence => Frame::default(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tritank_dsp::board::Board;
    use tritank_dsp::factory::Factory;
    use tritank_dsp::knobs::Settings;
    use tritank_dsp::patch::Patch;

    const RATE_HZ: f64 = 48e3;

    fn instrument() -> Instrument {
        let board = Board::built_in();
        Instrument::new(&board, &Settings::of(&board), RATE_HZ).unwrap()
    }

    fn deck(sound: Sound) -> (Deck, Arc<Wires>) {
        let wires = Arc::new(Wires::new(4096));
        (Deck::new(instrument(), RATE_HZ, sound, wires.clone()), wires)
    }

    /// One that is silent while no key is down.
    fn deck_with_keys(sound: Sound) -> (Deck, Arc<Wires>) {
        let board = Board::built_in();
        let mut settings = Settings::of(&board);
        settings.assign("exciter.pitch", "keys").unwrap();
        settings.assign("exciter.level", "1").unwrap();
        let wires = Arc::new(Wires::new(64));
        let unit = Instrument::new(&board, &settings, RATE_HZ).unwrap();
        (Deck::new(unit, RATE_HZ, sound, wires.clone()), wires)
    }

    fn tone(n: usize) -> [f32; 2] {
        [(n as f32 * 0.03).sin() * 0.5, (n as f32 * 0.05).sin() * 0.3]
    }

    /// What the instrument makes of the same frames, driven directly.
    fn directly(frames: impl Iterator<Item = [f32; 2]>) -> Vec<[f32; 2]> {
        let mut unit = instrument();
        let play = |main: [f32; 2]| unit.tick(Input { main: main.map(f64::from), ..Input::default() }).main;
        frames.map(play).map(|volts| volts.map(|volts| volts as f32)).collect()
    }

    #[test]
    fn a_file_goes_round_and_round_through_the_instrument_after_the_fade() {
        let (mut deck, wires) = deck(Sound::Loop((0..700).map(tone).collect()));
        let mut heard = Vec::new();
        for block in [64, 1, 500, 3000] {
            let mut out = vec![f32::NAN; block * 3];
            deck.fill(&mut out, 3);
            heard.extend(out.chunks_exact(3).map(|frame| [frame[0], frame[1], frame[2]]));
        }
        let expected = directly((0..heard.len()).map(|n| tone(n % 700)));
        for (n, (heard, expected)) in heard.iter().zip(&expected).enumerate() {
            let faded = ((n + 1) as f32 / 960.0).min(1.0);
            assert!((heard[0] - expected[0] * faded).abs() < 1e-6, "frame {n}");
            assert!((heard[1] - expected[1] * faded).abs() < 1e-6 && heard[2] == 0.0);
        }
        assert!(wires.peak(Side::In) > 0.499 && wires.peak(Side::Out) > 0.05);
        assert_eq!(wires.peak(Side::Out), 0.0, "a peak is told once");
    }

    #[test]
    fn the_inputs_frames_are_played_in_order_and_slips_are_counted() {
        let (mut deck, wires) = deck(Sound::Live);
        wires.put_between(200);
        let (mut came, mut heard, mut fed) = (0, Vec::new(), Vec::new());
        let mut come = |frames: usize| {
            for _ in 0..frames {
                wires.sound.push(Frame { main: tone(came), ..Frame::default() }).unwrap();
                came += 1;
            }
        };
        let mut play = |frames: usize, fed_now: Vec<[f32; 2]>| {
            let mut out = vec![0.0; frames * 2];
            deck.fill(&mut out, 2);
            heard.extend(out.as_chunks::<2>().0.to_vec());
            fed.extend(fed_now);
        };
        // Too few at first: silence; then all in order; then it runs dry, and waits for as many again.
        come(100);
        play(100, vec![[0.0; 2]; 100]);
        come(100);
        play(100, (0..100).map(tone).collect());
        play(150, (100..200).map(tone).chain([[0.0; 2]; 50]).collect());
        assert_eq!(wires.slips.load(Ordering::Relaxed), 1);
        come(250);
        play(100, (200..300).map(tone).collect());
        // Piled up: the newest 200 are left.
        come(600);
        play(100, (850..950).map(tone).collect());
        assert_eq!((wires.slips.load(Ordering::Relaxed), wires.sound.len()), (2, 100));
        let expected = directly(fed.into_iter());
        for n in 960..heard.len() {
            assert_eq!(heard[n], expected[n], "frame {n}");
        }
        for n in 0..960.min(heard.len()) {
            let faded = (n + 1) as f32 / 960.0;
            assert!((heard[n][0] - expected[n][0] * faded).abs() < 1e-6, "frame {n}");
        }
    }

    #[test]
    fn a_key_and_a_gate_reach_the_instrument() {
        let (mut deck, wires) = deck_with_keys(Sound::Live);
        wires.put_between(0);
        let mut out = vec![0.0; 2 * 2400];
        deck.fill(&mut out, 2);
        let silent = wires.peak(Side::Out);
        wires.hear([0x90, 45, 100]);
        wires.hear([0xf8, 0, 0]);
        deck.fill(&mut out, 2);
        let sounding = wires.peak(Side::Out);
        assert!(silent < 1e-6 && sounding > 0.01, "{silent} {sounding}");
        let mut gates = [0.0; Line::COUNT];
        gates[4] = 3.3;
        wires.sound.push(Frame { main: [0.0; 2], gates }).unwrap();
        deck.fill(&mut out, 2);
        assert_eq!(deck.instrument.line_word(), 1 << 4, "the input ran dry with the gate high");
    }

    #[test]
    fn no_key_hangs_when_its_way_up_is_lost_or_its_device_goes() {
        let (mut deck, wires) = deck_with_keys(Sound::Silence);
        let mut peak = |seconds: usize| {
            deck.fill(&mut vec![0.0; 2 * 48_000 * seconds], 2);
            wires.peak(Side::Out)
        };
        let hear = |messages: &[[u8; 3]]| messages.iter().copied().for_each(|message| wires.hear(message));
        let (pedal_down, pedal_up) = ([0xb0, 64, 127], [0xb0, 64, 0]);
        let (key_down, key_up) = ([0x90, 45, 100], [0x80, 45, 0]);
        // A wheel that never rests takes all the room there is: key and pedal go up unheard.
        hear(&[pedal_down, key_down]);
        assert!(peak(1) > 0.01);
        (0..2000u16).for_each(|n| wires.hear([0xe0, (n % 128) as u8, 100]));
        hear(&[key_up, pedal_up]);
        peak(2);
        assert_eq!((peak(1) > 1e-4, wires.floods.load(Ordering::Relaxed)), (false, 1));
        // The pedal keeps nothing either.
        hear(&[key_down]);
        assert!(peak(1) > 0.01);
        hear(&[key_up]);
        peak(2);
        assert!(peak(1) < 1e-4);
        // A device that goes while key and pedal are down, and is no flood.
        hear(&[pedal_down, key_down]);
        assert!(peak(1) > 0.01);
        wires.let_go();
        peak(2);
        hear(&[key_down, key_up]);
        peak(2);
        assert_eq!((peak(1) > 1e-4, wires.floods.load(Ordering::Relaxed)), (false, 1));
    }

    #[test]
    fn patterns_run_without_a_host() {
        let board = Board::built_in();
        let riff = Factory::find("talking-riff").unwrap();
        let patch = Patch::from_toml(riff.toml, &board).unwrap();
        let wires = Arc::new(Wires::new(64));
        let mut deck = Deck::new(Instrument::of(&patch, RATE_HZ).unwrap(), RATE_HZ, Sound::Silence, wires.clone());
        let (mut out, mut words) = (vec![0.0; 2 * 480], std::collections::BTreeSet::new());
        for _ in 0..100 {
            deck.fill(&mut out, 2);
            words.insert(deck.instrument.line_word());
        }
        // A second: three steps of an eighth at 96 quarters a minute.
        assert!(words.len() >= 3 && wires.peak(Side::Out) > 0.01, "{words:?}");
    }

    #[test]
    fn it_fades_out_before_it_closes_and_mono_is_the_mean() {
        let (mut deck, wires) = deck(Sound::Loop((0..700).map(tone).collect()));
        let mut out = vec![0.0; 2000];
        deck.fill(&mut out, 1);
        let expected = directly((0..2000).map(|n| tone(n % 700)));
        assert!((out[1999] - f32::midpoint(expected[1999][0], expected[1999][1])).abs() < 1e-6);
        wires.closing.store(true, Ordering::Relaxed);
        deck.fill(&mut out[..480], 1);
        assert!(!wires.closed.load(Ordering::Relaxed));
        deck.fill(&mut out[..481], 1);
        assert!(wires.closed.load(Ordering::Relaxed) && out[480] == 0.0);
    }
}

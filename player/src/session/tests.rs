//! Sessions on a machine of the tests' own, which loses its devices and finds them again.

use super::*;
use crate::machine::{Device, Devices};
use crate::wires::Frame;
use std::cell::RefCell;
use std::rc::Rc;
use tritank_dsp::board::Board;

/// What happens to a machine at a time, in looks.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Fate {
    Unplugged,
    /// Gone, and nobody tells.
    Frozen,
    PluggedIn,
    /// More MIDI than can wait.
    Flooded,
    Closed,
}

/// What an open stream plays.
type Playing = Rc<RefCell<Option<(Deck, Arc<Wires>)>>>;

/// A machine with one device and no clock but the session's own: while the session waits, it plays as much.
struct Fake<'a> {
    there: bool,
    /// Whether a loss is told.
    told: bool,
    time: Duration,
    fates: Vec<(u64, Fate)>,
    closing: &'a AtomicBool,
    playing: Playing,
    opened: u32,
    heard: Vec<f32>,
    with_input: bool,
    waits: u32,
}

struct Stream(Playing);

impl Drop for Stream {
    fn drop(&mut self) {
        self.0.borrow_mut().take();
    }
}

impl Machine for Fake<'_> {
    type Stream = Stream;

    fn devices(&mut self) -> Result<Devices, String> {
        Ok(Devices::default())
    }

    fn open(
        &mut self,
        wanted: &Wanted,
        wires: &Arc<Wires>,
        build: &mut crate::machine::Build<'_>,
    ) -> Result<(Stream, Opened), String> {
        if !self.there {
            return Err("output: there is none".into());
        }
        let input = self.with_input.then(|| "ear".to_owned());
        let block = wanted.block.unwrap();
        let opened = Opened { output: "horn".into(), input, rate_hz: wanted.rate_hz, resampled_hz: None, block };
        wires.put_between(2 * block as usize);
        self.playing.replace(Some((build(wanted.rate_hz)?, wires.clone())));
        self.opened += 1;
        Ok((Stream(self.playing.clone()), opened))
    }

    fn midi(&mut self) -> Vec<Device> {
        vec![Device { name: "keys".into(), ..Device::default() }]
    }

    fn tend(&mut self, _wanted: &Wanted, _wires: &Arc<Wires>) -> Vec<String> {
        if self.time.is_zero() { vec!["keys".into()] } else { Vec::new() }
    }

    fn wait(&mut self, time: Duration) {
        self.waits += 1;
        assert!(self.waits < 1000, "the session does not end");
        let from = self.time;
        self.time += time;
        let now = self.time;
        let due = |looks: u64| (from..now).contains(&(LOOKS * looks as u32));
        let fates: Vec<_> = self.fates.iter().filter(|(looks, _)| due(*looks)).map(|(_, fate)| *fate).collect();
        for fate in fates {
            match fate {
                Fate::Unplugged => self.there = false,
                Fate::Frozen => (self.there, self.told) = (false, false),
                Fate::PluggedIn => (self.there, self.told) = (true, true),
                Fate::Flooded => {
                    let playing = self.playing.borrow();
                    let (_, wires) = playing.as_ref().unwrap();
                    (0..2000).for_each(|_| wires.hear([0xe0, 0, 64]));
                }
                Fate::Closed => self.closing.store(true, Ordering::Relaxed),
            }
        }
        if let Some((deck, wires)) = self.playing.borrow_mut().as_mut() {
            if !self.there {
                if self.told {
                    wires.lose(Side::Out);
                }
                return;
            }
            let frames = (time.as_secs_f64() * 48e3) as usize;
            let mut out = vec![0.0; 2 * 256];
            for _ in 0..frames / 256 {
                for n in 0..256 {
                    let volts = (n as f32 * std::f32::consts::TAU / 64.0).sin() * 0.5;
                    let _ = wires.sound.push(Frame { main: [volts; 2], ..Frame::default() });
                }
                wires.turn(Side::In);
                deck.fill(&mut out, 2);
                self.heard.extend(&out);
            }
        }
    }
}

fn session(there: bool, with_input: bool, fates: &[(u64, Fate)]) -> (Result<(), String>, String, Vec<f32>, u32) {
    let closing = AtomicBool::new(false);
    let mut machine = Fake {
        there,
        told: true,
        time: Duration::ZERO,
        fates: fates.to_vec(),
        closing: &closing,
        playing: Rc::default(),
        opened: 0,
        heard: Vec::new(),
        with_input,
        waits: 0,
    };
    let input = with_input.then(|| "ear".to_owned());
    let midi = Some("pads".to_owned());
    let wanted = Wanted { rate_hz: 48_000, block: Some(256), input, midi, ..Wanted::default() };
    let recording = Recording { rate_hz: 24_000, channels: vec![vec![0.25; 24_000]] };
    let music = Music { patch: Patch::new(Board::built_in()), recording: (!with_input).then_some(recording) };
    let mut screen = Vec::new();
    let done = play(&mut machine, &wanted, &music, &closing, &mut Screen { out: &mut screen, meters: true });
    let (heard, opened) = (std::mem::take(&mut machine.heard), machine.opened);
    (done, String::from_utf8(screen).unwrap(), heard, opened)
}

#[test]
fn a_session_plays_shows_meters_and_fades_out_at_the_end() {
    let (done, screen, heard, opened) = session(true, true, &[(20, Fate::Closed)]);
    assert_eq!((done, opened), (Ok(()), 1));
    let awaited = "midi     given \"pads\", there are: keys; it is waited for\n";
    assert!(screen.contains(awaited), "{screen}");
    assert!(screen.contains("output   horn, 48000 Hz, blocks of 256\ninput    ear\nlatency  "), "{screen}");
    assert!(screen.contains("midi     keys\n") && screen.contains("from in to out 10.7 ms"), "{screen}");
    assert!(screen.contains("in [") && screen.contains("  -6.0 dB") && !screen.contains("slips"), "{screen}");
    assert!(screen.ends_with("\r\x1b[K"), "the line of meters is cleared");
    assert!(heard[40_000..60_000].iter().any(|volts| volts.abs() > 1e-2));
    // The last block is silent, and the way there is without a jump larger than the sound's own.
    assert!(heard[heard.len() - 512..].iter().all(|volts| *volts == 0.0));
    let steepest = |part: &[f32]| part.windows(3).fold(0.0f32, |most, pair| most.max((pair[2] - pair[0]).abs()));
    let before = steepest(&heard[40_000..60_000]);
    assert!(steepest(&heard[60_000..]) <= 1.5 * before);
}

#[test]
fn a_device_that_is_lost_is_waited_for() {
    let fates = [(5, Fate::Unplugged), (38, Fate::PluggedIn), (60, Fate::Closed)];
    let (done, screen, _, opened) = session(true, false, &fates);
    assert_eq!((done, opened), (Ok(()), 2));
    assert!(screen.contains("horn is gone; waiting for it (Ctrl-C ends)\n"), "{screen}");
    assert_eq!(screen.matches("input    a recording of 1.0 s, over and over\n").count(), 2, "{screen}");
    // And while it waits it can be ended.
    let (done, _, _, opened) = session(true, false, &[(5, Fate::Unplugged), (50, Fate::Closed)]);
    assert_eq!((done, opened), (Ok(()), 1));
}

#[test]
fn a_device_that_falls_silent_without_a_word_is_waited_for_too() {
    let fates = [(5, Fate::Frozen), (60, Fate::PluggedIn), (80, Fate::Closed)];
    let (done, screen, _, opened) = session(true, true, &fates);
    assert_eq!((done, opened), (Ok(()), 2));
    assert!(screen.contains("horn is gone; waiting for it (Ctrl-C ends)\n"), "{screen}");
    assert!(screen.contains("waiting  output: there is none\n"), "{screen}");
    // Closed before anyone has noticed: it ends all the same.
    let (done, _, _, opened) = session(true, true, &[(5, Fate::Frozen), (10, Fate::Closed)]);
    assert_eq!((done, opened), (Ok(()), 1));
}

#[test]
fn what_was_counted_is_told_in_the_end_even_without_meters() {
    let (done, screen, ..) = session(true, false, &[(5, Fate::Flooded), (20, Fate::Closed)]);
    assert_eq!(done, Ok(()));
    let told = "\r\x1b[Kmidi     1: more came at once than can wait; all keys were let go\n";
    assert!(screen.contains(" dB   midi 1") && screen.ends_with(told), "{screen}");
}

#[test]
fn a_recording_of_one_frame_goes_round_at_any_rate() {
    for (from_hz, to_hz) in [(44_100, 48_000), (8000, 768_000), (768_000, 8000), (48_000, 48_000)] {
        let recording = Some(Recording { rate_hz: from_hz, channels: vec![vec![0.5], vec![-0.5]] });
        let music = Music { patch: Patch::new(Board::built_in()), recording };
        let mut deck = music.deck(to_hz, false, &Arc::new(Wires::new(1))).unwrap();
        let mut out = [f32::NAN; 64];
        deck.fill(&mut out, 2);
        assert!(out.iter().all(|volts| volts.is_finite()), "{from_hz} Hz to {to_hz} Hz");
    }
}

#[test]
fn all_that_makes_it_late_is_told_and_added_up() {
    let output = "horn".to_owned();
    let input = Some("ear".to_owned());
    let opened = Opened { output, input, rate_hz: 48_000, resampled_hz: Some(96_000), block: 480 };
    let wanted = Wanted { rate_hz: 44_100, block: Some(480), ..Wanted::default() };
    let music = Music { patch: Patch::new(Board::built_in()), recording: None };
    assert_eq!(
        told(&wanted, &opened, &music, 96, 960),
        "output   horn, 48000 Hz (nearest to 44100 Hz), blocks of 480\ninput    ear, resampled from 96000 Hz\n\
         latency  33.0 ms and what the converters take: unit 2.0 ms, block 10.0 ms, from in to out 20.0 ms, \
         resampling 1.0 ms\n"
    );
}

#[test]
fn no_device_to_begin_with_is_told_at_once() {
    let (done, screen, _, opened) = session(false, false, &[]);
    assert_eq!((done, opened), (Err("output: there is none".into()), 0));
    assert!(screen.is_empty());
}

#[test]
fn meters_read_decibels_and_say_what_is_over() {
    assert_eq!(meters([0.0, 1.0], [0; 2]), "in [----------]  -inf dB   out [##########]   0.0 dB!");
    let line = meters([0.5, 0.1], [3, 2]);
    assert!(line.contains("  -6.0 dB") && line.contains(" -20.0 dB") && line.ends_with("  slips 3  midi 2"), "{line}");
    assert_eq!(line.matches('#').count(), 9 + 7);
    for volts in [f32::MAX, f32::INFINITY] {
        assert!(meters([volts; 2], [9_999_999, 9_999]).len() < 80);
    }
    assert_eq!(counted([0; 2]), "");
    let said = counted([3, 2]);
    assert!(said.starts_with("slips    3: ") && said.contains("\nmidi     2: ") && said.ends_with('\n'), "{said}");
}

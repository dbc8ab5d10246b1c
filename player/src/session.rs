//! One session: open, play, show meters, open again when a device is lost, fade out at the end.
//!
//! ```text
//!   open ──► play ──┬── Ctrl-C ──► fade ──► done
//!     ▲             └── lost ──► wait a second ─┐
//!     └─────────────────────────────────────────┘     the first time something is wrong at once, it is told and over
//! ```

use crate::deck::{Deck, Sound};
use crate::inlet::HELD;
use crate::machine::{Machine, Opened, Wanted, midi_awaited};
use crate::wires::{Side, Wires};
use std::io::Write;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tritank_dsp::instrument::Instrument;
use tritank_dsp::knobs::Knob;
use tritank_dsp::patch::Patch;
use tritank_workbench::sound::Sound as Recording;

/// How often meters are drawn.
const LOOKS: Duration = Duration::from_millis(100);
/// Looks between two attempts to open, and between two looks after MIDI.
const PATIENCE: u32 = 10;
/// Looks that a fade may take, beside two blocks, before the stream is closed anyway.
const FADE_LOOKS: u32 = 5;
/// Looks without a block after which a stream is taken for lost: some systems do not tell.
const STALLED_LOOKS: u32 = 30;
/// Blocks that may be on their way through a device: one that is being played, one that waits.
const ON_THE_WAY: u32 = 2;
/// Frames that a block may have at most (as `--block` allows).
const LONGEST_BLOCK: usize = 8192;

/// What is played.
#[derive(Clone, Debug)]
pub struct Music {
    /// The unit.
    pub patch: Patch,
    /// A recording that goes round and round, instead of the machine's input.
    pub recording: Option<Recording>,
}

impl Music {
    /// A deck at a rate, with or without an input of the machine's.
    fn deck(&self, rate_hz: u32, live: bool, wires: &Arc<Wires>) -> Result<Deck, String> {
        let instrument = Instrument::of(&self.patch, f64::from(rate_hz)).map_err(|error| error.to_string())?;
        let sound = match &self.recording {
            Some(recording) => {
                let at_rate = recording.at_rate(rate_hz).map_err(|error| error.to_string())?;
                let [left, right] = [0, at_rate.channels.len() - 1].map(|channel| &at_rate.channels[channel]);
                Sound::Loop(left.iter().zip(right).map(|(left, right)| [*left as f32, *right as f32]).collect())
            }
            None if live => Sound::Live,
            None => Sound::Silence,
        };
        Ok(Deck::new(instrument, f64::from(rate_hz), sound, wires.clone()))
    }
}

/// Where a session says what it does.
pub struct Screen<'a> {
    /// The terminal, or what takes its place.
    pub out: &'a mut dyn Write,
    /// Whether it is one on which a line can be drawn over and over.
    pub meters: bool,
}

impl Screen<'_> {
    /// Draws the line of meters anew.
    fn draw(&mut self, text: &str) {
        if self.meters {
            self.put(&format!("\r\x1b[K{text}"));
        }
    }

    /// Says something that stays.
    fn say(&mut self, text: &str) {
        self.draw("");
        self.put(text);
    }

    fn put(&mut self, text: &str) {
        // A terminal that is gone is no reason to stop playing.
        let _ = write!(self.out, "{text}").and_then(|()| self.out.flush());
    }
}

/// Plays until `closing`; what it says goes to `screen`, a line each, the meters over and over on the last.
///
/// # Errors
/// What could not be opened to begin with, on one line.
pub fn play<M: Machine>(
    machine: &mut M,
    wanted: &Wanted,
    music: &Music,
    closing: &AtomicBool,
    screen: &mut Screen<'_>,
) -> Result<(), String> {
    let mut begun = false;
    let mut why = String::new();
    while !closing.load(Ordering::Relaxed) {
        // A second, and three of the longest blocks: more between input and output than anyone waits for.
        let wires = Arc::new(Wires::new((wanted.rate_hz as usize).max(8 * LONGEST_BLOCK)));
        let mut late = 0;
        let opened = machine.open(wanted, &wires, &mut |rate_hz| {
            let deck = music.deck(rate_hz, wanted.input.is_some(), &wires)?;
            late = deck.latency();
            Ok(deck)
        });
        let (stream, opened) = match opened {
            Ok(opened) => opened,
            Err(error) if !begun => return Err(error),
            Err(error) => {
                if error != why {
                    screen.say(&format!("waiting  {error}\n"));
                    why = error;
                }
                machine.wait(LOOKS * PATIENCE);
                continue;
            }
        };
        let by_keys = music.patch.settings.is_on(Knob::ExciterPitch);
        if !begun && let Some(said) = midi_awaited(&machine.midi(), wanted.midi.as_deref(), by_keys) {
            screen.say(&format!("midi     {said}\n"));
        }
        begun = true;
        why.clear();
        screen.say(&told(wanted, &opened, music, late, wires.between()));
        let mut looks = 0;
        let mut pulse = Pulse::default();
        while !closing.load(Ordering::Relaxed) && wires.lost().is_none() {
            if looks % PATIENCE == 0 {
                for name in machine.tend(wanted, &wires) {
                    screen.say(&format!("midi     {name}\n"));
                }
            }
            machine.wait(LOOKS);
            looks += 1;
            pulse.feel(&wires, &opened);
            let peaks = [Side::In, Side::Out].map(|side| wires.peak(side));
            screen.draw(&meters(peaks, counts(&wires)));
        }
        let ending = closing.load(Ordering::Relaxed);
        if ending {
            fade_out(machine, &wires, &opened);
        }
        screen.say(&counted(counts(&wires)));
        if !ending {
            let gone = match (wires.lost(), &opened.input) {
                (Some(Side::In), Some(input)) => input,
                _ => &opened.output,
            };
            screen.say(&format!("{gone} is gone; waiting for it (Ctrl-C ends)\n"));
            drop(stream);
            machine.wait(LOOKS * PATIENCE);
        }
    }
    Ok(())
}

/// Whether the streams of a session still take and bring blocks.
#[derive(Default)]
struct Pulse {
    turns: [u64; 2],
    still: [u32; 2],
}

impl Pulse {
    /// One look; a stream without a block for too many of them is lost.
    fn feel(&mut self, wires: &Wires, opened: &Opened) {
        let sides = [Side::Out, Side::In];
        for (n, side) in sides.into_iter().enumerate().take(1 + usize::from(opened.input.is_some())) {
            let turns = wires.turns(side);
            self.still[n] = if turns == self.turns[n] { self.still[n] + 1 } else { 0 };
            self.turns[n] = turns;
            if self.still[n] >= STALLED_LOOKS {
                wires.lose(side);
            }
        }
    }
}

/// Lets the sound fade, and what is on its way be heard.
fn fade_out<M: Machine>(machine: &mut M, wires: &Wires, opened: &Opened) {
    wires.closing.store(true, Ordering::Relaxed);
    let on_the_way = Duration::from_secs_f64(f64::from(ON_THE_WAY * opened.block) / f64::from(opened.rate_hz));
    let looks = FADE_LOOKS + on_the_way.as_secs_f64().div_euclid(LOOKS.as_secs_f64()) as u32;
    for _ in 0..looks {
        if wires.closed.load(Ordering::Acquire) {
            return machine.wait(on_the_way);
        }
        if wires.lost().is_some() {
            return;
        }
        machine.wait(LOOKS);
    }
}

/// What was opened, and how late it is; `between` are the frames between a machine's input and its output.
fn told(wanted: &Wanted, opened: &Opened, music: &Music, late: usize, between: usize) -> String {
    let nearest = |given: u32, got: u32, unit: &str| {
        if given == got { String::new() } else { format!(" (nearest to {given}{unit})") }
    };
    let rate = nearest(wanted.rate_hz, opened.rate_hz, " Hz");
    let block = wanted.block.map(|block| nearest(block, opened.block, "")).unwrap_or_default();
    let ms = |frames: usize| 1e3 * frames as f64 / f64::from(opened.rate_hz);
    let (input, live) = match (&music.recording, &opened.input) {
        (Some(recording), _) => (format!("a recording of {:.1} s, over and over", recording.seconds()), 0),
        (None, Some(name)) => {
            let resampled = opened.resampled_hz.map(|rate_hz| format!(", resampled from {rate_hz} Hz"));
            (format!("{name}{}", resampled.unwrap_or_default()), between)
        }
        (None, None) => ("none (--input FILE.wav or --record NAME)".to_owned(), 0),
    };
    let device = opened.block as usize;
    let queue = if live > 0 { format!(", from in to out {:.1} ms", ms(live)) } else { String::new() };
    let held = opened.resampled_hz.map_or(0.0, |rate_hz| 1e3 * HELD as f64 / f64::from(rate_hz));
    let resampling = if held > 0.0 { format!(", resampling {held:.1} ms") } else { String::new() };
    format!(
        "output   {}, {} Hz{rate}, blocks of {device}{block}\ninput    {input}\n\
         latency  {:.1} ms and what the converters take: unit {:.1} ms, block {:.1} ms{queue}{resampling}\n",
        opened.output,
        opened.rate_hz,
        ms(late + device + live) + held,
        ms(late),
        ms(device),
    )
}

/// How often the input slipped, and how often more MIDI came than can wait.
fn counts(wires: &Wires) -> [u64; 2] {
    [&wires.slips, &wires.floods].map(|count| count.load(Ordering::Relaxed))
}

/// What is said of these in the end, if they are any.
fn counted([slips, floods]: [u64; 2]) -> String {
    let slips = if slips > 0 {
        format!("slips    {slips}: the input ran dry or over, or a block came late\n")
    } else {
        String::new()
    };
    let midi = if floods > 0 {
        format!("midi     {floods}: more came at once than can wait; all keys were let go\n")
    } else {
        String::new()
    };
    slips + &midi
}

/// A meter of 10 places from −60 dB to full scale for in and out, and what was counted: less than 80 columns, since
/// a line that is broken cannot be drawn over.
pub fn meters([heard, played]: [f32; 2], [slips, floods]: [u64; 2]) -> String {
    const PLACES: usize = 10;
    const LOWEST_DB: f32 = -60.0;
    let meter = |name: &str, volts: f32| {
        let db = 20.0 * volts.max(1e-6).log10();
        let full = (1.0 - db.min(0.0) / LOWEST_DB).clamp(0.0, 1.0) * PLACES as f32;
        let full = full.round() as usize;
        let level = if db <= LOWEST_DB { "  -inf".to_owned() } else { format!("{db:6.1}") };
        let over = if volts >= 1.0 { '!' } else { ' ' };
        format!("{name} [{}{}]{level} dB{over}", "#".repeat(full), "-".repeat(PLACES - full))
    };
    let count = |name: &str, count: u64| if count > 0 { format!("  {name} {count}") } else { String::new() };
    let (slips, midi) = (count("slips", slips), count("midi", floods));
    format!("{}  {}{slips}{midi}", meter("in", heard), meter("out", played))
}

#[cfg(test)]
mod tests {
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
        assert!(
            line.contains("  -6.0 dB") && line.contains(" -20.0 dB") && line.ends_with("  slips 3  midi 2"),
            "{line}"
        );
        assert_eq!(line.matches('#').count(), 9 + 7);
        for volts in [f32::MAX, f32::INFINITY] {
            assert!(meters([volts; 2], [9_999_999, 9_999]).len() < 80);
        }
        assert_eq!(counted([0; 2]), "");
        let said = counted([3, 2]);
        assert!(said.starts_with("slips    3: ") && said.contains("\nmidi     2: ") && said.ends_with('\n'), "{said}");
    }
}

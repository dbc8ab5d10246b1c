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
mod tests;

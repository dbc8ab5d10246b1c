//! A song: a Standard MIDI File that plays the key table, and whose tempo map the patterns follow.
//!
//! ```text
//!   tracks ──► all events by tick ──┬──► messages, by seconds ──► keyboard
//!                                   └──► tempi: quarters and seconds of each ──► transport
//! ```
//! Formats 0 and 1, counted in ticks of a quarter (RP-001, "Standard MIDI Files 1.0"). Before the first tempo it is 120 quarters a
//! minute, as that text has it. Every channel plays. Time is kept in whole microseconds × ticks, so nothing drifts.

use crate::fault::Fault;
use midly::{Format, MetaMessage, MidiMessage, Smf, Timing, TrackEventKind};
use std::path::Path;
use tritank_dsp::keys::Message;
use tritank_dsp::pattern::{Place, TEMPO, Transport};

/// Microseconds of a quarter before any tempo is told.
const FIRST_TEMPO: u32 = 500_000;
const TIME_CODE: &str = "header: given time code, allowed are ticks of a quarter";
/// Longest song, seconds: as long as a rendering may be.
const LONGEST_SECONDS: f64 = 1e6;

/// What is played when.
#[derive(Clone, Debug, PartialEq)]
pub struct Song {
    /// Messages and their seconds, in order.
    pub messages: Vec<(f64, Message)>,
    /// Tempi, in order; the first at zero.
    pub tempi: Vec<Tempo>,
    /// Where the last event lies, seconds.
    pub seconds: f64,
}

/// A tempo and where it begins.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tempo {
    /// Where it begins.
    pub place: Place,
    /// Quarters a minute.
    pub per_minute: f64,
}

impl Song {
    /// Reads a Standard MIDI File.
    ///
    /// # Errors
    /// The file, the place in it, what was given and what is allowed.
    pub fn read(file: &Path) -> Result<Self, Fault> {
        let bytes = std::fs::read(file).map_err(|error| Fault::in_file(file, crate::fault::told(&error)))?;
        Self::parse(&bytes).map_err(|what| Fault::in_file(file, what))
    }

    /// The same, of bytes.
    ///
    /// # Errors
    /// The place, what was given and what is allowed.
    pub fn parse(bytes: &[u8]) -> Result<Self, String> {
        if !bytes.starts_with(b"MThd") {
            return Err("byte 0: given no header \"MThd\", allowed is a Standard MIDI File".into());
        }
        // Before the rest is read: the reader stumbles over some rates of time code.
        if bytes.get(12).is_some_and(|division| division & 0x80 != 0) {
            return Err(TIME_CODE.into());
        }
        let smf = Smf::parse(bytes).map_err(|error| {
            let (place, error) = (broken_at(bytes), error.kind().message());
            format!("{place}: given what is no Standard MIDI File ({error}), allowed are whole tracks of events")
        })?;
        let Timing::Metrical(ticks) = smf.header.timing else {
            return Err(TIME_CODE.into());
        };
        if smf.header.format == Format::Sequential {
            return Err("header: given format 2, allowed are formats 0 and 1".into());
        }
        let ticks = u32::from(ticks.as_int());
        if ticks == 0 {
            return Err("header: given 0 ticks of a quarter, allowed is 1 to 32767".into());
        }
        let mut events: Vec<(u64, usize, TrackEventKind<'_>)> = Vec::new();
        for (track, row) in smf.tracks.iter().enumerate() {
            let mut tick = 0u64;
            for event in row {
                tick += u64::from(event.delta.as_int());
                events.push((tick, track, event.kind));
            }
        }
        // Stable: events of one tick stay in the order of their tracks.
        events.sort_by_key(|(tick, ..)| *tick);
        let mut clock = Clock { ticks, tick: 0, passed: 0, tempo: FIRST_TEMPO };
        let mut song = Self { messages: Vec::new(), tempi: vec![clock.tempo()], seconds: 0.0 };
        for (tick, track, kind) in events {
            clock.go_on(tick);
            song.seconds = clock.place().seconds;
            if song.seconds > LONGEST_SECONDS {
                let place = at(track, tick, song.seconds);
                return Err(format!("{place}: given a song of more than {LONGEST_SECONDS} s, allowed is less"));
            }
            match kind {
                TrackEventKind::Meta(MetaMessage::Tempo(tempo)) => {
                    clock.tempo = tempo.as_int();
                    let told = clock.tempo();
                    if !TEMPO.contains(&told.per_minute) {
                        let (low, high, place) = (TEMPO.start(), TEMPO.end(), at(track, tick, song.seconds));
                        return Err(format!(
                            "{place}: given a quarter of {} µs, allowed are {low} to {high} quarters a minute",
                            clock.tempo
                        ));
                    }
                    song.tempi.retain(|other| other.place != told.place);
                    song.tempi.push(told);
                }
                TrackEventKind::Midi { channel, message } => {
                    song.messages.extend(said(channel.as_int(), message).map(|said| (song.seconds, said)));
                }
                _ => {}
            }
        }
        Ok(song)
    }

    /// What a host would tell of a place in seconds.
    pub fn transport(&self, seconds: f64) -> Transport {
        let tempo = self.tempo(|place| place.seconds <= seconds);
        let quarters = self.quarters(seconds);
        Transport { playing: true, place: Some(Place { quarters, seconds }), tempo: Some(tempo.per_minute) }
    }

    /// Quarters from the start to a time.
    pub fn quarters(&self, seconds: f64) -> f64 {
        let Tempo { place, per_minute } = self.tempo(|place| place.seconds <= seconds);
        place.quarters + (seconds - place.seconds) * per_minute / 60.0
    }

    /// Seconds from the start to so many quarters.
    pub fn seconds_of(&self, quarters: f64) -> f64 {
        let Tempo { place, per_minute } = self.tempo(|place| place.quarters <= quarters);
        place.seconds + (quarters - place.quarters) * 60.0 / per_minute
    }

    /// The last tempo of those that have begun.
    fn tempo(&self, has_begun: impl Fn(Place) -> bool) -> Tempo {
        self.tempi.iter().rev().copied().find(|tempo| has_begun(tempo.place)).unwrap_or(self.tempi[0])
    }
}

/// The place of an event, its track counted from 0.
fn at(track: usize, tick: u64, seconds: f64) -> String {
    format!("track {}, tick {tick} ({seconds:.3} s)", track + 1)
}

/// Where in a broken file the reader stumbles: the first byte of what it cannot read.
fn broken_at(bytes: &[u8]) -> String {
    let Ok((_, mut tracks)) = midly::parse(bytes) else { return "header".to_owned() };
    let mut track = 1;
    loop {
        let begin = bytes.len() - tracks.unread().len();
        let mut events = match tracks.next() {
            Some(Ok(events)) => events,
            Some(Err(_)) => return format!("track {track}, byte {begin}"),
            // Every track reads: their number is not that of the header.
            None => return "header".to_owned(),
        };
        let end = bytes.len() - tracks.unread().len();
        let mut tick = 0u64;
        loop {
            let begin = end - events.unread().len();
            match events.next() {
                Some(Ok(event)) => tick += u64::from(event.delta.as_int()),
                Some(Err(_)) => return format!("track {track}, byte {begin}, behind tick {tick}"),
                None => break,
            }
        }
        track += 1;
    }
}

/// Runs through the ticks under changing tempi.
struct Clock {
    /// Ticks of a quarter.
    ticks: u32,
    tick: u64,
    /// Microseconds × ticks that have passed.
    passed: u128,
    /// Microseconds of a quarter.
    tempo: u32,
}

impl Clock {
    fn go_on(&mut self, tick: u64) {
        self.passed += u128::from(tick - self.tick) * u128::from(self.tempo);
        self.tick = tick;
    }

    fn place(&self) -> Place {
        let ticks = f64::from(self.ticks);
        Place { quarters: self.tick as f64 / ticks, seconds: self.passed as f64 / (1e6 * ticks) }
    }

    fn tempo(&self) -> Tempo {
        Tempo { place: self.place(), per_minute: 60e6 / f64::from(self.tempo) }
    }
}

/// What a MIDI message says to the keyboard (MIDI 1.0: a note on of velocity 0 is a note off).
fn said(channel: u8, message: MidiMessage) -> Option<Message> {
    let part = |value: midly::num::u7| f64::from(value.as_int()) / 127.0;
    Some(match message {
        MidiMessage::NoteOn { key, vel } if vel > 0 => {
            Message::Down { channel, note: key.as_int(), velocity: part(vel) }
        }
        MidiMessage::NoteOn { key, .. } | MidiMessage::NoteOff { key, .. } => {
            Message::Up { channel: Some(channel), note: key.as_int() }
        }
        MidiMessage::Aftertouch { key, vel } => Message::KeyPressure(key.as_int(), part(vel)),
        MidiMessage::ChannelAftertouch { vel } => Message::Pressure { channel, value: part(vel) },
        MidiMessage::PitchBend { bend } => {
            Message::Wheel { channel, value: (f64::from(bend.0.as_int()) - 8192.0) / 8192.0 }
        }
        MidiMessage::Controller { controller, value } => {
            Message::Controller { channel, number: controller.as_int(), value: value.as_int() }
        }
        MidiMessage::ProgramChange { .. } => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A file from its header's numbers and its tracks' bytes.
    fn file(format: u16, division: u16, tracks: &[&[u8]]) -> Vec<u8> {
        let mut bytes = b"MThd\0\0\0\x06".to_vec();
        for number in [format, tracks.len() as u16, division] {
            bytes.extend(number.to_be_bytes());
        }
        for track in tracks {
            bytes.extend(b"MTrk");
            bytes.extend((track.len() as u32).to_be_bytes());
            bytes.extend(*track);
        }
        bytes
    }

    const END: [u8; 4] = [0, 0xff, 0x2f, 0];

    fn track(events: &[u8]) -> Vec<u8> {
        [events, &END].concat()
    }

    /// By hand: 96 ticks a quarter. 120 a minute: a quarter is 0.5 s. Then, from quarter 2 (1 s) on, 60 a minute.
    #[test]
    fn notes_fall_where_the_tempo_map_has_them_running_status_and_all() {
        let tempo = track(&[0x81, 0x40, 0xff, 0x51, 3, 0x0f, 0x42, 0x40]);
        // Note on at 0; running status: off by velocity 0 at quarter 1, on at quarter 2, off at quarter 3, then a bend.
        let notes = track(&[0, 0x92, 60, 127, 0x60, 60, 0, 0x60, 64, 64, 0x60, 64, 0, 0, 0xe2, 0, 0x60]);
        let song = Song::parse(&file(1, 96, &[&tempo, &notes])).unwrap();
        assert_eq!(
            song.messages,
            [
                (0.0, Message::Down { channel: 2, note: 60, velocity: 1.0 }),
                (0.5, Message::Up { channel: Some(2), note: 60 }),
                (1.0, Message::Down { channel: 2, note: 64, velocity: 64.0 / 127.0 }),
                (2.0, Message::Up { channel: Some(2), note: 64 }),
                (2.0, Message::Wheel { channel: 2, value: 0.5 }),
            ]
        );
        assert_eq!(song.tempi.iter().map(|tempo| tempo.per_minute).collect::<Vec<_>>(), [120.0, 60.0]);
        assert_eq!(song.seconds, 2.0);
        for (seconds, quarters) in [(0.0, 0.0), (0.25, 0.5), (1.0, 2.0), (3.5, 4.5)] {
            assert_eq!(song.transport(seconds).place.unwrap().quarters, quarters);
        }
        let one = Song::parse(&file(0, 96, &[&notes])).unwrap();
        assert_eq!(one.messages[3].0, 1.5);
    }

    #[test]
    fn what_is_no_such_file_is_refused_with_its_place() {
        let notes = track(&[0, 0x90, 60, 127]);
        let good = file(0, 96, &[&notes]);
        assert!(Song::parse(&good).is_ok());
        let instant = track(&[0, 0xff, 0x51, 3, 0, 0, 1]);
        let zero = track(&[0x10, 0xff, 0x51, 3, 0, 0, 0]);
        // A note, then a message that no such file may hold (RP-001: none of the system's but 0xf0, 0xf7 and 0xff).
        let broken = [&[0x10, 0x90, 60, 127, 0x60, 0xf4][..], &END].concat();
        let late = track(&[0xff, 0xff, 0xff, 0x7f, 0x90, 60, 127]);
        for (bytes, place, given) in [
            (Vec::new(), "byte 0", "no header"),
            (b"RIFF once upon a time".to_vec(), "byte 0", "no header"),
            // The file's header is 14 bytes long and a track's 8 (RP-001): the first track's events begin at byte 22.
            (good[..good.len() - 3].to_vec(), "track 1, byte 14:", "no Standard MIDI File"),
            (good[..10].to_vec(), "header", "no Standard MIDI File"),
            (file(1, 96, &[&notes, &broken]), "track 2, byte 42, behind tick 16:", "no Standard MIDI File"),
            (file(0, 96, &[&notes, &notes]), "header", "multiple tracks"),
            (file(0, 0, &[&notes]), "header", "0 ticks"),
            (file(2, 96, &[&notes]), "header", "format 2"),
            (file(0, 0xe728, &[&notes]), "header", "time code"),
            (file(0, 96, &[&instant]), "track 1, tick 0 (0.000 s)", "1 µs"),
            // A sixth of a quarter of half a second.
            (file(1, 96, &[&notes, &zero]), "track 2, tick 16 (0.083 s)", "0 µs"),
            (file(0, 1, &[&late]), "track 1, tick 268435455 (134217727.500 s)", "more than"),
            (file(0, 96, &[&[0, 60, 64]]), "track 1, byte 22, behind tick 0:", "no Standard MIDI File"),
        ] {
            let error = Song::parse(&bytes).unwrap_err();
            assert!(error.contains(place) && error.contains(given) && error.contains("allowed"), "{error}");
        }
        // Every broken copy is refused or read, and none of them stops the program.
        for place in 0..good.len() {
            for byte in [0, 0x7f, 0x80, 0xff] {
                let mut broken = good.clone();
                broken[place] = byte;
                let _ = Song::parse(&broken);
            }
        }
    }
}

//! What a session asks of a machine, and how it chooses among what a machine has.

use crate::deck::Deck;
use crate::wires::Wires;
use std::sync::Arc;
use std::time::Duration;

/// Devices by name.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Devices {
    /// That play.
    pub outputs: Vec<String>,
    /// That record.
    pub inputs: Vec<String>,
    /// That send MIDI.
    pub midi: Vec<String>,
}

/// What a player asks for.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Wanted {
    /// Part of the name of the device that plays; the system's own choice without.
    pub output: Option<String>,
    /// Part of the name of the device that records; none without.
    pub input: Option<String>,
    /// Part of the name of the device that sends MIDI; all of them without.
    pub midi: Option<String>,
    /// Frames a second.
    pub rate_hz: u32,
    /// Frames a block; the system's own choice without.
    pub block: Option<u32>,
    /// The input's channel (from 1) with the gate of line 1.0; the others follow.
    pub gates_from: Option<usize>,
    /// Volts that a sample at full scale of such a channel stands for.
    pub gate_volts: f32,
}

/// What came of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Opened {
    /// The device that plays.
    pub output: String,
    /// The device that records.
    pub input: Option<String>,
    /// Frames a second.
    pub rate_hz: u32,
    /// Frames a block, as far as the system tells.
    pub block: Option<u32>,
}

/// Makes a deck for what was opened.
pub type Build<'a> = dyn FnMut(&Opened) -> Result<Deck, String> + 'a;

/// A machine with devices.
pub trait Machine {
    /// A stream that plays until it is dropped.
    type Stream;

    /// What there is.
    ///
    /// # Errors
    /// On one line.
    fn devices(&mut self) -> Result<Devices, String>;

    /// Opens what is wanted and plays the deck on it; tells the wires when the stream is lost.
    ///
    /// # Errors
    /// On one line: what was asked for, and what there is.
    fn open(
        &mut self,
        wanted: &Wanted,
        wires: &Arc<Wires>,
        build: &mut Build<'_>,
    ) -> Result<(Self::Stream, Opened), String>;

    /// Looks after MIDI devices that came or went; says their names.
    fn tend(&mut self, wanted: &Wanted, wires: &Arc<Wires>) -> Vec<String>;

    /// Waits.
    fn wait(&mut self, time: Duration);
}

/// The one device whose name has these words in it, whatever their case; a whole name goes before a part.
///
/// # Errors
/// What was given, and what there is.
pub fn choose<'a>(kind: &str, names: &'a [String], wanted: &str) -> Result<&'a str, String> {
    let told = if names.is_empty() { "there is none".to_owned() } else { format!("there are: {}", names.join("; ")) };
    let wanted_small = wanted.to_lowercase();
    if let Some(name) = names.iter().find(|name| name.to_lowercase() == wanted_small) {
        return Ok(name);
    }
    let mut found = names.iter().filter(|name| name.to_lowercase().contains(&wanted_small));
    match (found.next(), found.next()) {
        (Some(name), None) => Ok(name),
        (None, _) => Err(format!("{kind}: given \"{wanted}\", {told}")),
        (Some(_), Some(_)) => Err(format!("{kind}: given \"{wanted}\", which is part of several names; {told}")),
    }
}

/// The rate nearest to the one wanted among ranges that a device allows, both ends included, hertz.
pub fn nearest_rate(wanted_hz: u32, ranges_hz: impl Iterator<Item = (u32, u32)>) -> Option<u32> {
    ranges_hz.map(|(low, high)| wanted_hz.clamp(low, high.max(low))).min_by_key(|rate| rate.abs_diff(wanted_hz))
}

/// What to do about MIDI devices: those to leave, and those to connect to.
pub fn midi_changes(connected: &[String], present: &[String], wanted: Option<&str>) -> (Vec<String>, Vec<String>) {
    let is_wanted = |name: &&String| wanted.is_none_or(|part| name.to_lowercase().contains(&part.to_lowercase()));
    let gone = connected.iter().filter(|name| !present.contains(name)).cloned().collect();
    let come = present.iter().filter(is_wanted).filter(|name| !connected.contains(name)).cloned().collect();
    (gone, come)
}

/// A message to one channel as three bytes, of which it may leave out the last; clocks, dumps and the like are none
/// (MIDI 1.0: status bytes 0x80 to 0xEF).
pub fn channel_message(bytes: &[u8]) -> Option<[u8; 3]> {
    match *bytes {
        [status @ 0x80..=0xef, first, second] => Some([status, first, second]),
        [status @ 0xc0..=0xdf, first] => Some([status, first, 0]),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(names: &[&str]) -> Vec<String> {
        names.iter().map(|name| (*name).to_owned()).collect()
    }

    #[test]
    fn a_device_is_chosen_by_a_part_of_its_name_that_no_other_has() {
        let there = names(&["Built-in Audio", "USB Audio 4x4", "USB Audio 4x4 Loopback"]);
        assert_eq!(choose("output", &there, "built"), Ok("Built-in Audio"));
        assert_eq!(choose("output", &there, "usb audio 4X4"), Ok("USB Audio 4x4"));
        let error = choose("output", &there, "audio").unwrap_err();
        assert!(error.contains("\"audio\"") && error.contains("Built-in Audio; USB Audio 4x4;"), "{error}");
        assert!(choose("output", &there, "tape").unwrap_err().contains("there are"));
        assert_eq!(choose("output", &[], "x").unwrap_err(), "output: given \"x\", there is none");
    }

    #[test]
    fn the_rate_is_the_nearest_that_a_device_allows() {
        let card = [(8000, 44_100), (96_000, 192_000)];
        assert_eq!(nearest_rate(44_100, card.into_iter()), Some(44_100));
        assert_eq!(nearest_rate(48_000, card.into_iter()), Some(44_100));
        assert_eq!(nearest_rate(88_200, card.into_iter()), Some(96_000));
        assert_eq!(nearest_rate(48_000, std::iter::empty()), None);
    }

    #[test]
    fn messages_to_a_channel_are_three_bytes_and_others_are_none() {
        assert_eq!(channel_message(&[0x91, 60, 100]), Some([0x91, 60, 100]));
        assert_eq!(channel_message(&[0xd0, 64]), Some([0xd0, 64, 0]));
        for none in [&[0xf8][..], &[0xf0, 1, 0xf7], &[0x90, 60], &[60, 100, 0], &[]] {
            assert_eq!(channel_message(none), None, "{none:?}");
        }
    }

    #[test]
    fn midi_devices_that_went_are_left_and_those_that_came_are_connected_to() {
        let (here, there) = (names(&["keys", "pads"]), names(&["pads", "big keys", "clock"]));
        assert_eq!(midi_changes(&here, &there, None), (names(&["keys"]), names(&["big keys", "clock"])));
        assert_eq!(midi_changes(&here, &there, Some("KEYS")), (names(&["keys"]), names(&["big keys"])));
        assert_eq!(midi_changes(&there, &there, None), (vec![], vec![]));
    }
}

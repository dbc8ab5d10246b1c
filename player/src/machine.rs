//! What a session asks of a machine, and how it chooses among what a machine has.

use crate::deck::Deck;
use crate::wires::Wires;
use std::sync::Arc;
use std::time::Duration;
use tritank_dsp::lines::Line;

/// One device for audio, or one that sends MIDI.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Device {
    /// What its maker calls it.
    pub name: String,
    /// What the system calls it, where that is something else; no two have the same.
    pub address: String,
}

impl Device {
    /// Whether the system made it up so that what is played goes nowhere.
    pub fn is_nowhere(&self) -> bool {
        self.address == "null"
    }

    /// How good a way to a device it is among others to the same one, best last: with the system's conversions, so that any
    /// rate and format will do, and with nothing else between (ALSA's `plughw`).
    fn ease(&self) -> u8 {
        u8::from(self.address.starts_with("plughw:"))
    }
}

/// Devices by name.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Devices {
    /// That play.
    pub outputs: Vec<Device>,
    /// That record.
    pub inputs: Vec<Device>,
    /// That send MIDI.
    pub midi: Vec<Device>,
}

/// What a player asks for.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Wanted {
    /// Part of the name of the device that plays; the system's own choice without.
    pub output: Option<String>,
    /// Part of the name of the device that records; none without.
    pub input: Option<String>,
    /// Part of the name of the device that sends MIDI, or its address; all of them without.
    pub midi: Option<String>,
    /// Frames a second.
    pub rate_hz: u32,
    /// Frames a block; [`USUAL_BLOCK`] or what is nearest to it without.
    pub block: Option<u32>,
    /// The input's channel (from 1) with the gate of line 1.0; the others follow.
    pub gates_from: Option<usize>,
    /// Volts that a sample at full scale of such a channel stands for.
    pub gate_volts: f32,
}

impl Wanted {
    /// Channels that are asked of the device that records.
    pub fn channels(&self) -> usize {
        self.gates_from.map_or(2, |from| from + Line::COUNT - 1)
    }
}

/// Frames of a block when nobody says.
pub const USUAL_BLOCK: u32 = 512;

/// What came of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Opened {
    /// The device that plays.
    pub output: String,
    /// The device that records.
    pub input: Option<String>,
    /// Frames a second that are played.
    pub rate_hz: u32,
    /// Frames a second that come in, when they are resampled.
    pub resampled_hz: Option<u32>,
    /// Frames a block of the output.
    pub block: u32,
}

/// Makes a deck for a rate in hertz.
pub type Build<'a> = dyn FnMut(u32) -> Result<Deck, String> + 'a;

/// A machine with devices.
pub trait Machine {
    /// A stream that plays until it is dropped.
    type Stream;

    /// What there is.
    ///
    /// # Errors
    /// On one line.
    fn devices(&mut self) -> Result<Devices, String>;

    /// What sends MIDI.
    fn midi(&mut self) -> Vec<Device>;

    /// Opens what is wanted and plays the deck on it; tells the wires how many frames lie between input and output, and when
    /// a stream is lost.
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

/// The one device whose name or address has these words in it, whatever their case; a whole name goes before a part. Where
/// several addresses lead to a device of one name, the easiest of them.
///
/// # Errors
/// What was given, and what there is.
pub fn choose<'a>(kind: &str, devices: &'a [Device], wanted: &str) -> Result<&'a Device, String> {
    let wanted_small = wanted.to_lowercase();
    let words = |device: &Device| [device.name.to_lowercase(), device.address.to_lowercase()];
    let pick = |found: &dyn Fn(&str) -> bool| -> Vec<&Device> {
        devices.iter().filter(|device| words(device).iter().any(|word| found(word))).collect()
    };
    let mut found = pick(&|word| word == wanted_small);
    if found.is_empty() {
        found = pick(&|word| word.contains(&wanted_small));
    }
    let told = there_are(devices);
    let Some(first) = found.first() else {
        return Err(format!("{kind}: given \"{wanted}\", {told}"));
    };
    if found.iter().any(|device| device.name != first.name) {
        return Err(format!("{kind}: given \"{wanted}\", which is part of several names; {told}"));
    }
    // The first of equals: so the system lists them.
    Ok(found.iter().rev().max_by_key(|device| device.ease()).unwrap_or(first))
}

/// The rate nearest to the one wanted among ranges that a device allows, both ends included, hertz.
pub fn nearest_rate(wanted_hz: u32, ranges_hz: impl Iterator<Item = (u32, u32)>) -> Option<u32> {
    ranges_hz.map(|(low, high)| wanted_hz.clamp(low, high.max(low))).min_by_key(|rate| rate.abs_diff(wanted_hz))
}

/// What is wrong with a recording device that has too few channels: two for the sound or, with gates, up to the last of them.
///
/// # Errors
/// What was given, and what is allowed.
pub fn check_gates(name: &str, wanted: &Wanted, channels: usize) -> Result<(), String> {
    let Some(from) = wanted.gates_from.filter(|_| channels < wanted.channels()) else { return Ok(()) };
    let allowed = match (channels + 1).checked_sub(Line::COUNT) {
        Some(last @ 1..) => format!("allowed is 1 to {last}"),
        _ => format!("allowed is a device of {} channels or more", Line::COUNT),
    };
    Err(format!("record {name}: given --gates-from {from}, where it has {channels} channels; {allowed}"))
}

/// The names of devices, each once.
fn there_are(devices: &[Device]) -> String {
    let mut names: Vec<&str> = Vec::new();
    for device in devices.iter().filter(|device| !device.is_nowhere()) {
        if !names.contains(&&*device.name) {
            names.push(&device.name);
        }
    }
    if names.is_empty() { "there is none".to_owned() } else { format!("there are: {}", names.join("; ")) }
}

fn is_wanted(device: &Device, wanted: Option<&str>) -> bool {
    wanted
        .map(str::to_lowercase)
        .is_none_or(|wanted| device.name.to_lowercase().contains(&wanted) || device.address.to_lowercase() == wanted)
}

/// What to say when no MIDI device has the wanted name, yet, or none is there for a patch whose pitch is given by keys.
pub fn midi_awaited(present: &[Device], wanted: Option<&str>, by_keys: bool) -> Option<String> {
    if present.iter().any(|device| is_wanted(device, wanted)) {
        return None;
    }
    match wanted {
        Some(part) => Some(format!("given \"{part}\", {}; it is waited for", there_are(present))),
        None if by_keys => {
            Some("there is none; keys give the pitch of this patch: no pulse until one sends some".into())
        }
        None => None,
    }
}

/// What to do about MIDI devices: those to leave, and those to connect to. Two of one name have two addresses.
pub fn midi_changes(connected: &[Device], present: &[Device], wanted: Option<&str>) -> (Vec<Device>, Vec<Device>) {
    let gone = connected.iter().filter(|device| !present.contains(device)).cloned().collect();
    let is_wanted = |device: &&Device| is_wanted(device, wanted) && !connected.contains(device);
    (gone, present.iter().filter(is_wanted).cloned().collect())
}

/// A message to one channel as three bytes, of which it may leave out the last; clocks, dumps and the like are none
/// (MIDI 1.0: status bytes 0x80 to 0xEF, data bytes below 0x80).
pub fn channel_message(bytes: &[u8]) -> Option<[u8; 3]> {
    match *bytes {
        [status @ 0x80..=0xef, first @ ..=0x7f, second @ ..=0x7f] => Some([status, first, second]),
        [status @ 0xc0..=0xdf, first @ ..=0x7f] => Some([status, first, 0]),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn devices(rows: &[(&str, &str)]) -> Vec<Device> {
        rows.iter().map(|(name, address)| Device { name: (*name).into(), address: (*address).into() }).collect()
    }

    #[test]
    fn a_device_is_chosen_by_a_part_of_its_name_that_no_other_has() {
        let there = devices(&[("Built-in Audio", ""), ("USB Audio 4x4", ""), ("USB Audio 4x4 Loopback", "")]);
        let choose_name = |wanted| choose("output", &there, wanted).map(|device| &*device.name);
        assert_eq!(choose_name("built"), Ok("Built-in Audio"));
        assert_eq!(choose_name("usb audio 4X4"), Ok("USB Audio 4x4"));
        let error = choose("output", &there, "audio").unwrap_err();
        assert!(error.contains("\"audio\"") && error.contains("Built-in Audio; USB Audio 4x4;"), "{error}");
        assert!(choose("output", &there, "tape").unwrap_err().contains("there are"));
        assert_eq!(choose("output", &[], "x").unwrap_err(), "output: given \"x\", there is none");
    }

    #[test]
    fn of_several_ways_to_one_device_the_easiest_is_taken_and_any_by_its_address() {
        let there = devices(&[
            ("Nothing", "null"),
            ("USB Audio 4x4", "hw:CARD=4x4,DEV=0"),
            ("USB Audio 4x4", "plughw:CARD=4x4,DEV=0"),
            ("USB Audio 4x4", "front:CARD=4x4,DEV=0"),
            ("Tape", "tape"),
        ]);
        let address = |wanted| choose("output", &there, wanted).map(|device| &*device.address);
        assert_eq!(address("usb"), Ok("plughw:CARD=4x4,DEV=0"));
        assert_eq!(address("hw:card=4x4,dev=0"), Ok("hw:CARD=4x4,DEV=0"));
        assert_eq!(address("front:"), Ok("front:CARD=4x4,DEV=0"));
        assert_eq!(address("null"), Ok("null"));
        let error = address("horn").unwrap_err();
        assert_eq!(error, "output: given \"horn\", there are: USB Audio 4x4; Tape");
    }

    #[test]
    fn a_midi_device_that_is_not_there_is_awaited_with_a_word() {
        let there = devices(&[("Pads", "24:0"), ("Pads", "28:0"), ("Clock", "14:0")]);
        assert_eq!(midi_awaited(&there, None, true), None);
        assert_eq!(midi_awaited(&[], None, false), None);
        assert!(midi_awaited(&[], None, true).unwrap().starts_with("there is none; keys give the pitch"));
        assert_eq!(midi_awaited(&there, Some("pad"), true), None);
        assert_eq!(midi_awaited(&there, Some("28:0"), true), None);
        let said = midi_awaited(&there, Some("keys"), true).unwrap();
        assert_eq!(said, "given \"keys\", there are: Pads; Clock; it is waited for");
        assert!(midi_awaited(&[], Some("keys"), true).unwrap().contains("there is none"));
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
        for none in [&[0xf8][..], &[0xf0, 1, 0xf7], &[0x90, 60], &[60, 100, 0], &[], &[0xe0, 0, 0x80], &[0xd0, 0xff]] {
            assert_eq!(channel_message(none), None, "{none:?}");
        }
    }

    #[test]
    fn midi_devices_that_went_are_left_and_those_that_came_are_connected_to() {
        let names = |names: &[&str]| devices(&names.iter().map(|name| (*name, "")).collect::<Vec<_>>());
        let (here, there) = (names(&["keys", "pads"]), names(&["pads", "big keys", "clock"]));
        assert_eq!(midi_changes(&here, &there, None), (names(&["keys"]), names(&["big keys", "clock"])));
        assert_eq!(midi_changes(&here, &there, Some("KEYS")), (names(&["keys"]), names(&["big keys"])));
        assert_eq!(midi_changes(&there, &there, None), (vec![], vec![]));
    }

    #[test]
    fn of_two_midi_devices_of_one_name_each_is_connected_to_left_and_found_again() {
        let (one, both) = (devices(&[("keys", "a")]), devices(&[("keys", "a"), ("keys", "b")]));
        let other = devices(&[("keys", "b")]);
        assert_eq!(midi_changes(&[], &both, Some("keys")), (vec![], both.clone()));
        assert_eq!(midi_changes(&both, &one, Some("keys")), (other.clone(), vec![]));
        assert_eq!(midi_changes(&one, &both, Some("keys")), (vec![], other.clone()));
        assert_eq!(midi_changes(&one, &both, Some("B")), (vec![], other), "one of them, by its address");
        // The address goes to another between two looks.
        let pads = devices(&[("pads", "a")]);
        assert_eq!(midi_changes(&one, &pads, None), (one, pads.clone()));
    }

    #[test]
    fn a_device_with_too_few_channels_for_gates_says_where_they_may_begin() {
        let wanted = |gates_from| Wanted { gates_from, ..Wanted::default() };
        assert_eq!(check_gates("ear", &wanted(None), 1), Ok(()));
        assert_eq!(check_gates("ear", &wanted(Some(3)), 2 + Line::COUNT), Ok(()));
        let error = check_gates("ear", &wanted(Some(4)), 2 + Line::COUNT).unwrap_err();
        assert_eq!(error, "record ear: given --gates-from 4, where it has 16 channels; allowed is 1 to 3");
        let error = check_gates("ear", &wanted(Some(1)), 2).unwrap_err();
        assert!(error.ends_with("it has 2 channels; allowed is a device of 14 channels or more"), "{error}");
    }

    #[test]
    fn every_name_is_told_once() {
        let there = devices(&[("Horn", "a"), ("Tape", "b"), ("Horn", "plughw:a")]);
        assert_eq!(choose("output", &there, "drum").unwrap_err(), "output: given \"drum\", there are: Horn; Tape");
    }
}

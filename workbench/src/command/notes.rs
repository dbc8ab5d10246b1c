//! Notes: what a person should not miss beside what was asked for, and programs find in `notes`.

use crate::score::Edge;
use crate::song::Song;
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::Path;
use tritank_dsp::keys::{KEYS, KeyTable, Message, Pitch};
use tritank_dsp::knobs::{Chord, Knob};
use tritank_dsp::lines::Line;
use tritank_dsp::patch::Patch;

/// Told at once on standard error, and kept for the document.
#[derive(Debug, Default, serde::Serialize)]
#[serde(transparent)]
pub(super) struct Notes(Vec<String>);

impl Notes {
    pub(super) fn add(&mut self, text: impl Into<String>) {
        let text = text.into();
        super::remark(&text);
        self.0.push(text);
    }

    pub(super) fn add_all(&mut self, texts: impl IntoIterator<Item = String>) {
        texts.into_iter().for_each(|text| self.add(text));
    }
}

/// Why a score moves nothing before its end, if it does not.
pub(super) fn score_is_still(file: &Path, edges: &[Edge], seconds: f64) -> Option<String> {
    let mut on = [false; Line::COUNT];
    for edge in edges.iter().take_while(|edge| edge.seconds < seconds) {
        if std::mem::replace(&mut on[edge.line.index()], edge.on) != edge.on {
            return None;
        }
    }
    Some(match edges {
        [] => format!("{} has no edges; each is a row such as 0.5,1.2,on", file.display()),
        [first, ..] if first.seconds >= seconds => {
            format!("{} begins at {} s; --seconds takes more of it", file.display(), first.seconds)
        }
        _ => format!("{} pulls no line: each is off until it says on", file.display()),
    })
}

/// Why the keys of a song pull no line.
pub(super) fn song_pulls_nothing(file: &Path, song: &Song, table: &KeyTable) -> String {
    let struck: BTreeSet<u8> = struck(song).collect();
    let pulling: BTreeSet<u8> = (0..KEYS as u8).filter(|&key| pulls(table, key)).collect();
    let file = file.display();
    if struck.is_empty() {
        format!("{file} has no notes")
    } else if pulling.is_empty() {
        "no key of the patch pulls a line; a key table says which do, [keys] in the file of --patch, and tritank keys \
         writes one"
            .to_owned()
    } else if struck.is_disjoint(&pulling) {
        format!("{file} plays {}, and of the patch's keys those that pull lines are {}", span(&struck), span(&pulling))
    } else {
        format!("{file} plays keys that pull the same lines throughout")
    }
}

/// Why a song does nothing at all to a unit that it plays, if it does not.
pub(super) fn song_is_still(file: &Path, song: &Song, patch: &Patch) -> Option<String> {
    let Patch { settings, keys: table, patterns, .. } = patch;
    let by_keys = settings.is_on(Knob::ExciterPitch);
    // Velocity turns the pulse down whatever gives the pitch; with voices each key brings a chain in.
    let heard = by_keys || table.velocity > 0.0;
    let sounds = |key: u8| heard && table.row(key).pitch != Pitch::None || settings.chord() == Chord::Voices;
    let does = |message: &Message| match *message {
        Message::Down { note, .. } => sounds(note) || pulls(table, note),
        // The fine part of a controller stands 32 above it; pedals pull lines.
        Message::Controller { channel, number, .. } => {
            [Some(number), number.checked_sub(32)].into_iter().flatten().any(|n| table.controller(n).is_some())
                || matches!((number, channel), (80..=83, 0..=2))
        }
        Message::Pressure { .. } | Message::KeyPressure(..) => table.pressure != [0.0; 3],
        _ => false,
    };
    if song.messages.iter().any(|(_, message)| does(message)) {
        return None;
    }
    if struck(song).next().is_none() {
        // Patterns follow its tempo.
        return patterns.is_empty().then(|| format!("{} has no notes, and the patch no patterns", file.display()));
    }
    let mut why = song_pulls_nothing(file, song, table);
    if !by_keys {
        let _ = write!(why, "; --set {}=keys lets keys give the pitch", Knob::ExciterPitch.id());
    }
    Some(why)
}

/// Why an exciter that is turned up gave no pulse at all, and what helps.
pub(super) fn exciter_is_still(patch: &Patch, song: Option<(&Path, &Song)>) -> Option<String> {
    let settings = &patch.settings;
    let parts = [Knob::Stage1Pulse, Knob::Stage2Pulse, Knob::Stage3Pulse];
    if settings.get(Knob::ExciterLevel) == 0.0 || parts.iter().all(|&knob| settings.get(knob) == 0.0) {
        return None;
    }
    let (pitch, temperature) = (Knob::ExciterPitch, Knob::UnitTemperature);
    if !settings.is_on(pitch) {
        let told = temperature.write(settings.get(temperature));
        return Some(format!(
            "the exciter gives no pulse: the line soft or hard stops it, or at {told} of {} it is too cold for {}",
            temperature.id(),
            Knob::ExciterRate.id()
        ));
    }
    let silent = "keys give the exciter's pitch";
    match song {
        None => Some(format!("{silent}, and none is down: --keys takes a song, --set {}=knob needs none", pitch.id())),
        Some((file, song)) if struck(song).next().is_none() => {
            Some(format!("{silent}, and {} strikes none", file.display()))
        }
        Some(_) => None,
    }
}

/// What keeps the keys of a patch from being heard by themselves, and what helps.
pub(super) fn keys_are_silent(patch: &Patch) -> Option<String> {
    let settings = &patch.settings;
    let down = |knobs: &[Knob]| knobs.iter().all(|&knob| settings.get(knob) == 0.0);
    let level_is_down = down(&[Knob::ExciterLevel]);
    let parts_are_down = down(&[Knob::Stage1Pulse, Knob::Stage2Pulse, Knob::Stage3Pulse]);
    let by_knob = !settings.is_on(Knob::ExciterPitch);
    let turns = [
        (level_is_down, Knob::ExciterLevel, "0.6"),
        (parts_are_down, Knob::Stage1Pulse, "0.4"),
        (by_knob, Knob::ExciterPitch, "keys"),
    ];
    let turns: Vec<_> =
        turns.iter().filter(|(is, ..)| *is).map(|(_, knob, text)| format!("--set {}={text}", knob.id())).collect();
    let turns = turns.join(" ");
    if level_is_down || parts_are_down {
        Some(format!("without sound in, the patch is silent: its pulse is down; {turns} lets keys sound"))
    } else if by_knob {
        let rate = Knob::ExciterRate;
        let hertz = rate.write(settings.get(rate));
        Some(format!("keys give no pitch: the pulse goes on at {} {hertz}; {turns} lets them", rate.id()))
    } else {
        None
    }
}

/// The keys that a song strikes.
fn struck(song: &Song) -> impl Iterator<Item = u8> {
    song.messages.iter().filter_map(|(_, message)| match message {
        Message::Down { note, .. } => Some(*note),
        _ => None,
    })
}

fn pulls(table: &KeyTable, key: u8) -> bool {
    table.row(key).lines.is_some_and(|lines| lines != 0)
}

/// `key 60`, or `keys 36 to 84`.
fn span(keys: &BTreeSet<u8>) -> String {
    match (keys.first(), keys.last()) {
        (Some(low), Some(high)) if low != high => format!("keys {low} to {high}"),
        (Some(key), _) => format!("key {key}"),
        (None, _) => "no key".to_owned(),
    }
}

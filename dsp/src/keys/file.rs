//! The key table as text: the table `keys` of a patch.
//!
//! ```toml
//! [keys]
//! hold = "latched"             # or "held": only while the key is down
//! velocity = 0.0               # part of the pulse level that hangs on velocity
//! bend = 2.0                   # semitones at the end of the wheel
//! pressure = [0.0, 0.0, 0.0]   # volts that full pressure adds to the sweep of each stage
//! members = 0                  # of 15: an MPE controller's channels 2 to 16 carry one note each
//! stages = ["low", "middle", "high"]   # note of a chord for each stage, when `exciter.chord` is `stages`
//!
//! [[keys.fill]]                # any number of them, one after the other; then come the rows
//! way = "gray"                 # or "codes", "random"
//! keys = [36, 84]
//! lines = ["1.0", "1.1"]       # that take part; without it, all twelve of the stages
//! first = 0                    # number of the first key; of "random", its seed
//!
//! [keys.rows.60]
//! code = [5, 0, 12]
//! soft = false
//! hard = false
//! pitch = "own"                # or "none", or a key number such as 57.5
//! stages = ["low", "low", "high"]      # while this key is the last one
//!
//! [keys.controllers]
//! 74 = "stage1.sweep"          # over its whole range
//! 1 = { knob = "stage2.sweep", from = "0.8 V", to = "2 V" }    # from here to there; may be turned over
//! ```

use super::{
    Hold, KEYS, KeyTable, MOST_BEND, MOST_MEMBERS, MOST_PRESSURE, Pitch, Place, Row, Turn, fill, lines_of_codes,
};
use crate::knobs::Knob;
use crate::lines::Line;
use crate::text::{Entry, any_row, row};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The table as it is written.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Written {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    hold: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    velocity: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    bend: Option<f64>,
    #[serde(default, deserialize_with = "any_row", skip_serializing_if = "Option::is_none")]
    pressure: Option<[f64; 3]>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    members: Option<i64>,
    #[serde(default, deserialize_with = "any_row", skip_serializing_if = "Option::is_none")]
    stages: Option<[String; 3]>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    fill: Vec<WrittenFill>,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    rows: BTreeMap<String, WrittenRow>,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    controllers: BTreeMap<String, WrittenTurn>,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenFill {
    way: String,
    #[serde(deserialize_with = "row")]
    keys: [i64; 2],
    #[serde(default, skip_serializing_if = "Option::is_none")]
    lines: Option<Vec<String>>,
    #[serde(default)]
    first: u32,
}

#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenRow {
    #[serde(default, deserialize_with = "any_row", skip_serializing_if = "Option::is_none")]
    code: Option<[i64; 3]>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    soft: Option<bool>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    hard: Option<bool>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pitch: Option<WrittenPitch>,
    #[serde(default, deserialize_with = "any_row", skip_serializing_if = "Option::is_none")]
    stages: Option<[String; 3]>,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(untagged, expecting = "given what is no pitch, allowed are own, none or a key number")]
enum WrittenPitch {
    Word(String),
    Key(f64),
}

#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(
    untagged,
    deny_unknown_fields,
    expecting = "given what turns no knob, allowed are a knob in quotes, or { knob = \"stage1.sweep\", from = 0.8, to = 2 }"
)]
enum WrittenTurn {
    Whole(String),
    Part {
        knob: String,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        from: Option<Entry>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        to: Option<Entry>,
    },
}

/// A place in the table, and what is wrong there.
type Refusal = (String, String);

impl Written {
    /// The table that it means.
    ///
    /// # Errors
    /// The first place in the table that is wrong (`rows.60.code`), and there what was given and what is allowed.
    pub fn read(&self) -> Result<KeyTable, Refusal> {
        let hold = match self.hold.as_deref() {
            None | Some("latched") => Hold::Latched,
            Some("held") => Hold::Held,
            Some(other) => return Err(("hold".into(), format!("given \"{other}\", allowed are latched and held"))),
        };
        let mut table = KeyTable { hold, ..KeyTable::default() };
        if let Some(velocity) = self.velocity {
            table.velocity = within("velocity", velocity, 0.0, 1.0)?;
        }
        if let Some(bend) = self.bend {
            table.bend = within("bend", bend, 0.0, MOST_BEND)?;
        }
        if let Some(pressure) = self.pressure {
            for (place, volts) in table.pressure.iter_mut().zip(pressure) {
                *place = within("pressure", volts, -MOST_PRESSURE, MOST_PRESSURE)?;
            }
        }
        if let Some(members) = self.members {
            let allowed = u8::try_from(members).ok().filter(|members| *members <= MOST_MEMBERS);
            let refuse = || ("members".into(), format!("given {members}, allowed is 0 to {MOST_MEMBERS}"));
            table.members = allowed.ok_or_else(refuse)?;
        }
        if let Some(stages) = &self.stages {
            table.stages = places(stages).map_err(|what| ("stages".to_owned(), what))?;
        }
        for (n, written) in self.fill.iter().enumerate() {
            written.fill(&mut table).map_err(|(field, what)| (format!("fill.{n}.{field}"), what))?;
        }
        for (name, written) in &self.rows {
            let note = number("rows", name)?;
            let row = written.read(table.row(note)).map_err(|(field, what)| (format!("rows.{name}.{field}"), what))?;
            table.put(note, row);
        }
        for (name, written) in &self.controllers {
            let controller = number("controllers", name)?;
            let turn = written.read().map_err(|(field, what)| (format!("controllers.{name}{field}"), what))?;
            if let Some(other) = table.controller_of(turn.knob) {
                let id = turn.knob.id();
                let what = format!("given {id}, which {other} turns already, allowed is one controller a knob");
                return Err((format!("controllers.{name}"), what));
            }
            table.control(controller, Some(turn));
        }
        Ok(table)
    }

    /// The table in full: rows by hand, wherever a key does other than play its own pitch.
    pub fn of(table: &KeyTable) -> Self {
        let hold = match table.hold {
            Hold::Latched => "latched",
            Hold::Held => "held",
        };
        let notes = 0..KEYS as u8;
        Self {
            hold: Some(hold.into()),
            velocity: Some(table.velocity),
            bend: Some(table.bend),
            pressure: Some(table.pressure),
            members: (table.members > 0).then(|| table.members.into()),
            stages: Some(names(table.stages)),
            fill: Vec::new(),
            rows: notes
                .clone()
                .filter(|&note| table.row(note) != Row::default())
                .map(|note| (note.to_string(), WrittenRow::of(table.row(note))))
                .collect(),
            controllers: notes
                .filter_map(|number| Some((number.to_string(), WrittenTurn::of(table.controller(number)?))))
                .collect(),
        }
    }
}

impl WrittenFill {
    fn fill(&self, table: &mut KeyTable) -> Result<(), (&'static str, String)> {
        let [low, high] = self.keys;
        if low < 0 || high < low || high > 127 {
            return Err((
                "keys",
                format!("given [{low}, {high}], allowed are the lowest and the highest key, 0 to 127"),
            ));
        }
        let keys = low as u8..=high as u8;
        let mut lines = fill::STAGES;
        if let Some(names) = &self.lines {
            lines = 0;
            for name in names {
                let line = Line::parse(name).ok_or_else(|| {
                    (
                        "lines",
                        format!("given \"{name}\", allowed are 1.0 to 1.3, 2.0 to 2.3, 3.0 to 3.3, soft and hard"),
                    )
                })?;
                lines |= 1 << line.index();
            }
        }
        let first = self.first as u16;
        if self.way != "random" && self.first > u32::from(fill::ALL) {
            return Err(("first", format!("given {}, allowed is 0 to {}", self.first, fill::ALL)));
        }
        match self.way.as_str() {
            "codes" => fill::codes(table, keys, lines, first),
            "gray" => fill::gray(table, keys, lines, first),
            "random" => fill::random(table, keys, lines, self.first),
            other => return Err(("way", format!("given \"{other}\", allowed are codes, gray and random"))),
        }
        Ok(())
    }
}

impl WrittenTurn {
    fn read(&self) -> Result<Turn, (&'static str, String)> {
        let (id, from, to) = match self {
            Self::Whole(id) => (id, &None, &None),
            Self::Part { knob, from, to } => (knob, from, to),
        };
        let knob = Knob::find(id).map_err(|error| ("", error.to_string()))?;
        let whole = Turn::from(knob);
        let end = |field, written: &Option<Entry>, whole| {
            let given = written.as_ref().map(|entry| knob.parse(&entry.text()));
            given.unwrap_or(Ok(whole)).map_err(|error| (field, error.what))
        };
        Ok(Turn { from: end(".from", from, whole.from)?, to: end(".to", to, whole.to)?, ..whole })
    }

    fn of(turn: Turn) -> Self {
        let knob = turn.knob.id().to_owned();
        if turn == Turn::from(turn.knob) {
            return Self::Whole(knob);
        }
        let [from, to] = [turn.from, turn.to].map(|value| Some(Entry::Text(turn.knob.write(value))));
        Self::Part { knob, from, to }
    }
}

impl WrittenRow {
    /// The row, where it says nothing as it was.
    fn read(&self, before: Row) -> Result<Row, (&'static str, String)> {
        let mut row = before;
        if let Some(codes) = self.code {
            if !codes.iter().all(|code| (0..16).contains(code)) {
                return Err(("code", format!("given {codes:?}, allowed are three codes from 0 to 15")));
            }
            let gates = row.lines.unwrap_or(0) & !fill::STAGES;
            row.lines = Some(lines_of_codes(codes.map(|code| code as u8)) | gates);
        }
        for (line, state) in [(Line::SOFT, self.soft), (Line::HARD, self.hard)] {
            if let Some(on) = state {
                let mask = 1 << line.index();
                row.lines = Some(row.lines.unwrap_or(0) & !mask | if on { mask } else { 0 });
            }
        }
        match &self.pitch {
            None => {}
            Some(WrittenPitch::Word(word)) if word == "own" => row.pitch = Pitch::Own,
            Some(WrittenPitch::Word(word)) if word == "none" => row.pitch = Pitch::None,
            Some(WrittenPitch::Key(key)) if (0.0..=127.0).contains(key) => row.pitch = Pitch::Fixed(*key),
            Some(WrittenPitch::Word(word)) => return Err(("pitch", format!("given \"{word}\", allowed is {PITCHES}"))),
            Some(WrittenPitch::Key(key)) => return Err(("pitch", format!("given {key}, allowed is {PITCHES}"))),
        }
        if let Some(stages) = &self.stages {
            row.stages = Some(places(stages).map_err(|what| ("stages", what))?);
        }
        Ok(row)
    }

    fn of(row: Row) -> Self {
        let lines = row.lines.map(i64::from);
        Self {
            code: lines.map(|lines| [lines & 15, lines >> 4 & 15, lines >> 8 & 15]),
            soft: row.lines.map(|lines| lines >> Line::SOFT.index() & 1 == 1),
            hard: row.lines.map(|lines| lines >> Line::HARD.index() & 1 == 1),
            pitch: match row.pitch {
                Pitch::Own => None,
                Pitch::Fixed(key) => Some(WrittenPitch::Key(key)),
                Pitch::None => Some(WrittenPitch::Word("none".into())),
            },
            stages: row.stages.map(names),
        }
    }
}

const PITCHES: &str = "\"own\", \"none\" or a key number from 0 to 127 without quotes";

fn names(places: [Place; 3]) -> [String; 3] {
    places.map(|place| place.name().to_owned())
}

fn places(names: &[String; 3]) -> Result<[Place; 3], String> {
    let mut places = Place::ALL;
    for (place, name) in places.iter_mut().zip(names) {
        *place = Place::ALL
            .into_iter()
            .find(|place| place.name() == name)
            .ok_or_else(|| format!("given \"{name}\", allowed are low, middle and high"))?;
    }
    Ok(places)
}

fn within(place: &str, given: f64, low: f64, high: f64) -> Result<f64, Refusal> {
    let good = (low..=high).contains(&given);
    if good { Ok(given) } else { Err((place.to_owned(), format!("given {given}, allowed is {low} to {high}"))) }
}

/// The number of a key or of a controller.
fn number(place: &str, name: &str) -> Result<u8, Refusal> {
    let refuse = || (place.to_owned(), format!("given \"{name}\", allowed is a whole number from 0 to 127"));
    let plain = |number: &u8| usize::from(*number) < KEYS && number.to_string() == name;
    name.parse().ok().filter(plain).ok_or_else(refuse)
}

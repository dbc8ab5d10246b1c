//! What boards and patches share as texts: errors of the TOML reader in a builder's words, rows of a fixed length, values of knobs.

use crate::board::BoardError;
use serde::de::{Deserializer, Error};
use serde::{Deserialize, Serialize};

/// An error of the TOML reader: its line and place, and what was given and what is allowed.
pub(crate) fn error(text: &str, error: &toml::de::Error) -> BoardError {
    let line = error.span().map(|span| 1 + text[..span.start].matches('\n').count());
    let place = line.map_or_else(String::new, |line| place_at(text, line));
    BoardError { line, place, what: in_words(error.message()) }
}

/// The `table.key` that stands on a line of the text.
pub(crate) fn place_at(text: &str, line: usize) -> String {
    let mut table = String::new();
    let mut key = String::new();
    for row in text.lines().take(line) {
        let row = row.trim();
        if row.starts_with('[') {
            let name = row.trim_start_matches('[');
            name.split(']').next().unwrap_or_default().trim().clone_into(&mut table);
            key.clear();
        } else if let Some((name, _)) = row.split_once('=') {
            name.trim().clone_into(&mut key);
        }
    }
    match (table.is_empty(), key.is_empty()) {
        (true, _) => key,
        (false, true) => table,
        (false, false) => format!("{table}.{key}"),
    }
}

/// The reader speaks of its types; a builder reads of numbers, texts, lists and tables.
fn in_words(message: &str) -> String {
    let message = message.replace('\n', " ");
    let plain = |text: &str| text.replace('`', "");
    if let Some((given, allowed)) = ["invalid type: ", "invalid value: "]
        .iter()
        .find_map(|kind| message.strip_prefix(kind)?.rsplit_once(", expected "))
    {
        return format!("given {}, allowed is {}", plain(kind_given(given)), plain(kind_allowed(allowed)));
    }
    let names = ["unknown field ", "unknown variant "].iter().find_map(|kind| message.strip_prefix(kind));
    if let Some((given, allowed)) = names.and_then(|names| names.split_once(", expected ")) {
        let allowed = plain(allowed.strip_prefix("one of ").unwrap_or(allowed)).replace(" or ", " and ");
        return format!("given {}, allowed are {allowed}", given.replace('`', "\""));
    }
    if let Some(name) = message.strip_prefix("missing field ") {
        return format!("given no {}, which must be there", name.replace('`', "\""));
    }
    if message.starts_with("string values must be quoted") {
        return "given a text without quotes, allowed is a text in quotes".to_owned();
    }
    if message.ends_with("with a dotted key") {
        return "given a dot behind a name that has a value, allowed is a name in quotes: a name with a dot stands in quotes"
            .to_owned();
    }
    message
}

fn kind_given(given: &str) -> &str {
    let named = ["string ", "integer ", "floating point ", "boolean "].iter().find_map(|kind| given.strip_prefix(kind));
    named.unwrap_or(match given {
        "map" => "a table",
        "sequence" => "a list",
        other => other,
    })
}

fn kind_allowed(allowed: &str) -> &str {
    match allowed {
        "u8" => "a whole number from 0 to 255",
        "u32" => "a whole number from 0 to 4294967295",
        "i64" => "a whole number",
        "f64" => "a number",
        "a boolean" => "true or false",
        "a string" => "a text in quotes",
        "a sequence" => "a list in brackets",
        "a map" => "a table",
        other if other.starts_with("struct ") => "a table",
        other => other,
    }
}

/// A row of just so many values; one too many is refused as well as one too few.
pub(crate) fn row<'de, D: Deserializer<'de>, T: Deserialize<'de>, const N: usize>(from: D) -> Result<[T; N], D::Error> {
    let row = Vec::deserialize(from)?;
    let count = row.len();
    row.try_into().map_err(|_| D::Error::custom(format!("given {count} values, allowed are {N}")))
}

/// A row that may be left out.
pub(crate) fn any_row<'de, D: Deserializer<'de>, T: Deserialize<'de>, const N: usize>(
    from: D,
) -> Result<Option<[T; N]>, D::Error> {
    row(from).map(Some)
}

/// What may stand behind a knob's id.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(
    untagged,
    expecting = "given what is no value of a knob, allowed are a number, a text, true or false; a name with a dot stands in \
                 quotes, \"exciter.rate\" = 110"
)]
pub(crate) enum Entry {
    Switch(bool),
    Whole(i64),
    Number(f64),
    Text(String),
}

impl Entry {
    /// As it was typed.
    pub(crate) fn text(&self) -> String {
        match self {
            Self::Switch(on) => on.to_string(),
            Self::Whole(n) => n.to_string(),
            Self::Number(x) => x.to_string(),
            Self::Text(text) => text.clone(),
        }
    }
}

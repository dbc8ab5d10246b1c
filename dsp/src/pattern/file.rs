//! The lanes as text: the table `patterns` of a patch.
//!
//! ```toml
//! [patterns]
//! clock = "transport"          # or "free": from the start of the unit, without the host
//! tempo = 120.0                # where no host says any
//!
//! [patterns.lanes."1.2"]
//! steps = "x..x..x."           # or even = [3, 8]
//! rate = "1/16"                # 1/1 … 1/32, dotted "1/8.", triplet "1/8t", or "7.5 Hz"
//! swing = 0.5                  # part of a pair of steps that the first takes, 0.25 to 0.75
//! probability = 1.0
//! seed = 0
//! offset = 0                   # step on which it begins
//! gate = 0.5                   # part of a step for which it pulls
//! ```

use super::{Clock, Lane, Patterns, Rate, Steps, TEMPO};
use crate::lines::Line;
use crate::text::any_row;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The table as it is written.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Written {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    clock: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    tempo: Option<f64>,
    #[serde(default)]
    lanes: BTreeMap<String, WrittenLane>,
}

#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenLane {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    steps: Option<String>,
    #[serde(default, deserialize_with = "any_row", skip_serializing_if = "Option::is_none")]
    even: Option<[u8; 2]>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    rate: Option<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    swing: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    probability: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    seed: Option<u32>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    offset: Option<u8>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    gate: Option<f64>,
}

impl Written {
    /// The lanes that it means.
    ///
    /// # Errors
    /// The first place in the table that is wrong (`lanes.1.2.gate`), and there what was given and what is allowed.
    pub fn read(&self) -> Result<Patterns, (String, String)> {
        let clock = match self.clock.as_deref() {
            None | Some("transport") => Clock::Transport,
            Some("free") => Clock::Free,
            Some(other) => {
                return Err(("clock".into(), format!("given \"{other}\", allowed are transport and free")));
            }
        };
        let mut patterns = Patterns { clock, ..Patterns::default() };
        if let Some(tempo) = self.tempo {
            if !TEMPO.contains(&tempo) {
                let (low, high) = (TEMPO.start(), TEMPO.end());
                return Err(("tempo".into(), format!("given {tempo}, allowed is {low} to {high}")));
            }
            patterns.tempo = tempo;
        }
        for (name, written) in &self.lanes {
            let line = Line::parse(name).ok_or_else(|| {
                let what = format!("given \"{name}\", allowed are 1.0 to 1.3, 2.0 to 2.3, 3.0 to 3.3, soft and hard");
                ("lanes".to_owned(), what)
            })?;
            let lane = written.read().map_err(|(field, what)| (format!("lanes.{name}.{field}"), what))?;
            patterns.put(line, Some(lane));
        }
        Ok(patterns)
    }

    /// The table of these lanes, every field of it.
    pub fn of(patterns: &Patterns) -> Self {
        let clock = match patterns.clock {
            Clock::Transport => "transport",
            Clock::Free => "free",
        };
        let lanes = Line::all()
            .filter_map(|line| patterns.lane(line).map(|lane| (line.to_string(), WrittenLane::of(lane))))
            .collect();
        Self { clock: Some(clock.into()), tempo: Some(patterns.tempo), lanes }
    }
}

impl WrittenLane {
    fn read(&self) -> Result<Lane, (&'static str, String)> {
        let steps = match (&self.steps, self.even) {
            (Some(text), None) => Steps::parse(text).map_err(|what| ("steps", what))?,
            (None, Some([hits, length])) => Steps::spread(hits.into(), length.into()).ok_or_else(|| {
                let allowed = "1 to 64 steps and no more hits than steps, as [3, 8]";
                ("even", format!("given [{hits}, {length}], allowed are {allowed}"))
            })?,
            (None, None) => {
                return Err(("steps", "given none, allowed is a row such as \"x..x..x.\", or even = [3, 8]".into()));
            }
            (Some(_), Some(_)) => return Err(("even", "given beside steps, allowed is either".into())),
        };
        let new = Lane::new(steps);
        let rate = self.rate.as_deref().map(Rate::parse).transpose().map_err(|what| ("rate", what))?;
        let lane = Lane {
            steps,
            rate: rate.unwrap_or(new.rate),
            swing: self.swing.unwrap_or(new.swing),
            probability: self.probability.unwrap_or(new.probability),
            seed: self.seed.unwrap_or(new.seed),
            offset: self.offset.unwrap_or(new.offset),
            gate: self.gate.unwrap_or(new.gate),
        };
        lane.check()?;
        Ok(lane)
    }

    fn of(lane: &Lane) -> Self {
        Self {
            steps: Some(lane.steps.to_string()),
            even: None,
            rate: Some(lane.rate.to_string()),
            swing: Some(lane.swing),
            probability: Some(lane.probability),
            seed: Some(lane.seed),
            offset: Some(lane.offset),
            gate: Some(lane.gate),
        }
    }
}

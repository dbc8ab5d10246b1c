//! A unit on which every port is heard, turned by a host and directly.

use super::{Event, Performance, Rig, directly, instrument};
use tritank_dsp::board::Board;
use tritank_dsp::instrument::Output;
use tritank_dsp::knobs::Settings;

pub const RATE_HZ: f64 = 48e3;

pub fn new_unit() -> Settings {
    Settings::of(&Board::built_in())
}

/// A unit on which every port is heard: the exciter runs, and the jacks are up.
const PATCHED: [(&str, &str); 4] =
    [("exciter.level", "0.5"), ("direct.level", "0.2"), ("stage2.in", "0.3"), ("stage3.in", "0.3")];

pub fn patched(rig: &mut Rig) -> Vec<(usize, Event)> {
    PATCHED.iter().map(|(id, text)| (0, rig.turn(id, text))).collect()
}

pub fn patched_settings() -> Settings {
    let mut settings = new_unit();
    for (id, text) in PATCHED {
        settings.assign(id, text).unwrap();
    }
    settings
}

pub fn reference(performance: &Performance) -> Vec<Output> {
    directly(&mut instrument(&patched_settings(), RATE_HZ), performance, |_, _| {})
}

//! A score: who pulls which line when, as `seconds,line,state`.

use tritank_dsp::lines::Line;

/// One edge of one line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edge {
    /// When, seconds from the start.
    pub seconds: f64,
    /// Which line.
    pub line: Line,
    /// On or off from then.
    pub on: bool,
}

//! Magnitude and phase against frequency.

use super::Picture;
use num_complex::Complex64;
use tritank_dsp::response::Peak;

/// One curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// What the legend says.
    pub name: String,
    /// Frequency in hertz, rising, and V/V there.
    pub points: Vec<(f64, Complex64)>,
    /// Where it peaks, to be marked; `None` leaves it unmarked.
    pub peak: Option<Peak>,
}

/// A few curves in two panes: magnitude in dB above, phase in degrees below.
pub fn curves(title: &str, curves: &[Curve]) -> Picture {
    let _ = (title, curves);
    Picture { svg: String::new() }
}

/// A unit under one code, in three panes: each stage alone; the taps, magnitude and phase.
pub fn board(title: &str, stages: &[Curve], taps: &[Curve]) -> Picture {
    let _ = (title, stages, taps);
    Picture { svg: String::new() }
}

/// Many curves, magnitude only: a pane for each stage (its title and its curves, one for each code).
pub fn families(title: &str, panes: &[(String, Vec<Curve>)]) -> Picture {
    let _ = (title, panes);
    Picture { svg: String::new() }
}

//! Magnitude and phase against frequency.

use super::axis::step;
use super::pane::{Line, Pane, decibels};
use super::{Picture, STAGES};
use num_complex::Complex64;
use plotters::prelude::*;
use tritank_dsp::response::Peak;

/// One curve.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// What the legend says.
    pub name: String,
    /// Frequency in hertz, rising, and V/V there.
    pub points: Vec<(f64, Complex64)>,
    /// Where it peaks, to be marked and told in the legend; `None` leaves it unmarked.
    pub peak: Option<Peak>,
}

const WIDTH: i32 = 1080;
const PANE: i32 = 320;

/// A few curves in two panes: magnitude in dB above, phase in degrees below.
pub fn curves(title: &str, curves: &[Curve]) -> Picture {
    draw(title, &[magnitudes("Magnitude", curves, 60.0, 2.0), phases("Phase", curves)], curves)
}

/// A unit under one code, in three panes: each stage alone; the taps, magnitude and phase.
pub fn board(title: &str, stages: &[Curve], taps: &[Curve]) -> Picture {
    let panes = [
        magnitudes("Each stage alone, from its bus to its tap", stages, 60.0, 2.0),
        magnitudes("Taps through the chain, per volt of main in on bus 1", taps, 60.0, 2.0),
        phases("Phase of the taps", taps),
    ];
    draw(title, &panes, stages)
}

/// Many curves, magnitude only: a pane for each stage (its title and its curves, one for each code).
pub fn families(title: &str, panes: &[(String, Vec<Curve>)]) -> Picture {
    let drawn: Vec<_> = panes
        .iter()
        .enumerate()
        .map(|(stage, (name, curves))| {
            let mut pane = magnitudes(name, curves, 40.0, 1.4);
            let last = curves.len().saturating_sub(1).max(1) as f64;
            for (n, line) in pane.lines.iter_mut().enumerate() {
                line.color = shade(STAGES[stage % STAGES.len()], n as f64 / last);
            }
            pane
        })
        .collect();
    let all: Vec<_> = panes.iter().flat_map(|(_, curves)| curves.iter().cloned()).collect();
    draw(title, &drawn, &all)
}

/// All panes below each other, over the frequencies of the curves.
fn draw(title: &str, panes: &[Pane], curves: &[Curve]) -> Picture {
    let hertz = || curves.iter().flat_map(|curve| curve.points.iter().map(|point| point.0));
    let (left, right) = (hertz().fold(f64::INFINITY, f64::min), hertz().fold(0.0, f64::max));
    let span = if left < right { [left, right] } else { [20.0, 20e3] };
    Picture::draw(title, [WIDTH, 44 + PANE * panes.len() as i32], |canvas| {
        canvas.split_evenly((panes.len(), 1)).iter().zip(panes).try_for_each(|(area, pane)| pane.draw(area, span))
    })
}

/// Magnitudes down to `depth` decibels below the highest: what lies deeper says nothing of a resonance.
fn magnitudes(title: &str, curves: &[Curve], depth: f64, stroke: f64) -> Pane {
    let lines: Vec<_> = curves
        .iter()
        .enumerate()
        .map(|(n, curve)| Line {
            color: STAGES[n % STAGES.len()],
            points: curve.points.iter().map(|(hertz, value)| (*hertz, decibels(value.norm()))).collect(),
            peak: curve.peak,
            name: curve.name.clone(),
        })
        .collect();
    let values = || lines.iter().flat_map(|line| line.points.iter().map(|point| point.1)).filter(|y| y.is_finite());
    let top = values().fold(f64::NEG_INFINITY, f64::max);
    let bottom = values().fold(f64::INFINITY, f64::min);
    let (low, high) = if top.is_finite() {
        (10.0 * (bottom.max(top - depth) / 10.0).floor(), 10.0 * ((top + 2.0) / 10.0).ceil())
    } else {
        (-60.0, 0.0)
    };
    Pane { title: title.to_owned(), quantity: "magnitude, dB", low, high, step: 10.0, lines, stroke }
}

fn phases(title: &str, curves: &[Curve]) -> Pane {
    let lines: Vec<_> = curves
        .iter()
        .enumerate()
        .map(|(n, curve)| Line {
            color: STAGES[n % STAGES.len()],
            points: unwrapped(&curve.points),
            peak: None,
            name: curve.name.clone(),
        })
        .collect();
    let values = || lines.iter().flat_map(|line| line.points.iter().map(|point| point.1)).filter(|y| y.is_finite());
    let low = 90.0 * (values().fold(0.0, f64::min) / 90.0).floor();
    let high = (90.0 * (values().fold(0.0, f64::max) / 90.0).ceil()).max(low + 90.0);
    let step = 90.0 * (step(high - low, 8.0) / 90.0).ceil();
    Pane { title: title.to_owned(), quantity: "phase, degrees", low, high, step, lines, stroke: 2.0 }
}

/// Phase in degrees without the jumps of a whole turn.
fn unwrapped(points: &[(f64, Complex64)]) -> Vec<(f64, f64)> {
    let mut turns = 0.0;
    let mut last = None;
    let mut phase = Vec::with_capacity(points.len());
    for (hertz, value) in points {
        let degrees = value.arg().to_degrees();
        if let Some(last) = last {
            turns -= 360.0 * f64::round((degrees - last) / 360.0);
        }
        last = Some(degrees);
        phase.push((*hertz, degrees + turns));
    }
    phase
}

/// A stage's colour from light (0) over itself to dark (1).
fn shade(RGBColor(r, g, b): RGBColor, place: f64) -> RGBColor {
    let mix = |channel: u8| {
        let channel = f64::from(channel);
        let light = 0.5 * channel + 0.5 * 235.0;
        let dark = 0.45 * channel;
        let value = if place < 0.5 {
            light + (channel - light) * 2.0 * place
        } else {
            channel + (dark - channel) * (2.0 * place - 1.0)
        };
        value.round() as u8
    };
    RGBColor(mix(r), mix(g), mix(b))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A delay of a second: 360 degrees a hertz, however often it winds.
    #[test]
    fn phase_winds_on_without_jumps() {
        let points: Vec<_> = (0..50)
            .map(|n| f64::from(n) * 0.2)
            .map(|f| (f, Complex64::from_polar(1.0, -std::f64::consts::TAU * f)))
            .collect();
        for (hertz, degrees) in unwrapped(&points) {
            approx::assert_abs_diff_eq!(degrees, -360.0 * hertz, epsilon = 1e-6);
        }
    }

    #[test]
    fn a_curve_of_zeros_is_drawn_as_no_line_and_breaks_nothing() {
        let silent =
            Curve { name: "silent".into(), points: vec![(20.0, Complex64::ZERO), (20e3, Complex64::ZERO)], peak: None };
        assert!(curves("Nothing", &[silent]).svg().contains("silent"));
        assert!(curves("Nothing at all", &[]).svg().contains("Nothing at all"));
    }
}

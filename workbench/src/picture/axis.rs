//! An axis with labels at round numbers, even or logarithmic.

use plotters::coord::ranged1d::{DefaultFormatting, KeyPointHint, Ranged};
use std::ops::Range;

/// One axis; it may run downwards.
#[derive(Clone, Debug)]
pub(super) struct Axis {
    ends: [f64; 2],
    labels: Vec<f64>,
    logarithmic: bool,
}

impl Axis {
    /// Even, labelled at multiples of `step`.
    pub(super) fn even(low: f64, high: f64, step: f64) -> Self {
        Self { ends: [low, high], labels: multiples(low, high, step), logarithmic: false }
    }

    /// Even, without labels.
    pub(super) fn plain(from: f64, to: f64) -> Self {
        Self { ends: [from, to], labels: Vec::new(), logarithmic: false }
    }

    /// Seconds from zero, with the digits that its labels need.
    pub(super) fn time(seconds: f64) -> (Self, usize) {
        let step = step(seconds, 10.0);
        (Self::even(0.0, seconds, step), (-step.log10().floor()).max(0.0) as usize)
    }

    /// Frequency, logarithmic, labelled at 1, 2, 5 × 10ⁿ.
    pub(super) fn frequency(low: f64, high: f64) -> Self {
        let decades = (low.log10().floor() as i32)..=(high.log10().ceil() as i32);
        let all = decades.flat_map(|n| [1.0, 2.0, 5.0].map(|digit| digit * 10f64.powi(n)));
        let labels = all.filter(|hertz| (low * (1.0 - 1e-9)..=high * (1.0 + 1e-9)).contains(hertz)).collect();
        Self { ends: [low, high], labels, logarithmic: true }
    }
}

impl Axis {
    /// Frequency, logarithmic, over an octave or three: labelled at the round numbers that are about a tenth of it apart.
    pub(super) fn formant(low: f64, high: f64) -> Self {
        Self { ends: [low, high], labels: multiples(low, high, step(high - low, 8.0)), logarithmic: true }
    }
}

impl Ranged for Axis {
    type FormatOption = DefaultFormatting;
    type ValueType = f64;

    fn map(&self, value: &f64, (from, to): (i32, i32)) -> i32 {
        let [low, high] = self.ends;
        let share =
            if self.logarithmic { (value / low).ln() / (high / low).ln() } else { (value - low) / (high - low) };
        from + (share * f64::from(to - from)).round() as i32
    }

    fn key_points<Hint: KeyPointHint>(&self, hint: Hint) -> Vec<f64> {
        if hint.weight().allow_light_points() { Vec::new() } else { self.labels.clone() }
    }

    fn range(&self) -> Range<f64> {
        self.ends[0]..self.ends[1]
    }
}

/// The step 1, 2 or 5 × 10ⁿ that cuts a span into `most` parts or fewer.
pub(super) fn step(span: f64, most: f64) -> f64 {
    let rough = span / most;
    let power = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0].into_iter().find(|digit| digit * power >= rough * (1.0 - 1e-9)).unwrap_or(10.0);
    step * power
}

/// Multiples of a step within a range.
pub(super) fn multiples(low: f64, high: f64, step: f64) -> Vec<f64> {
    let (first, last) = ((low / step - 1e-9).ceil() as i64, (high / step + 1e-9).floor() as i64);
    (first..=last).map(|n| n as f64 * step).collect()
}

/// A frequency as an axis says it: `500`, `2k`.
pub(super) fn frequency_label(hertz: f64) -> String {
    if hertz >= 1000.0 {
        format!("{}k", (hertz / 100.0).round() / 10.0)
    } else {
        format!("{}", (hertz * 1e3).round() / 1e3)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn axes_are_cut_at_round_numbers() {
        assert_eq!(step(60.0, 7.0), 10.0);
        assert_eq!(step(0.9, 10.0), 0.1);
        assert_eq!(multiples(-25.0, 20.0, 10.0), [-20.0, -10.0, 0.0, 10.0, 20.0]);
        let labels: Vec<_> = Axis::frequency(20.0, 20e3).labels.into_iter().map(frequency_label).collect();
        assert_eq!(labels.join(" "), "20 50 100 200 500 1k 2k 5k 10k 20k");
    }

    #[test]
    fn an_axis_may_be_logarithmic_or_run_downwards() {
        assert_eq!(Axis::frequency(20.0, 20e3).map(&632.455_532, (0, 1000)), 500);
        assert_eq!(Axis::plain(8.0, 0.0).map(&2.0, (100, 0)), 25);
    }
}

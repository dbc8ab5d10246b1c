//! The three stages under the codes of every vowel, one small pane each, all on the same axes.
//!
//! ```text
//!   i  men      3,5,0
//!   │  ╱╲ ╎ ╱╲╱╲         curves: the stages alone, a dot on each peak
//!   │ ╱  ╲╎╱    ╲        ╎ target
//!   └──────────────
//! ```

use super::axis::{Axis, frequency_label};
use super::pane::decibels;
use super::{Canvas, Drawn, FAINT, FINE, INK, Picture, STAGES, text};
use num_complex::Complex64;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

/// One target under its codes.
#[derive(Clone, Debug, PartialEq)]
pub struct Vowel {
    /// A vowel, or whatever the target is called.
    pub name: String,
    /// Whose.
    pub group: String,
    /// One a stage.
    pub codes: [u8; 3],
    /// Where the stages should peak, hertz.
    pub target: [f64; 3],
    /// Where they do: hertz and V/V.
    pub peaks: [(f64, f64); 3],
    /// Each stage alone, from its bus to its tap: hertz, rising, and V/V.
    pub curves: [Vec<(f64, Complex64)>; 3],
}

const WIDTH: i32 = 1080;
/// Pixels of a pane: its height where there are many and where there are few, and what its title and the numbers below take of it.
const PANE: i32 = 156;
const TALL: i32 = 230;
const TITLE: i32 = 20;
const NUMBERS: i32 = 20;
/// Pixels to the left for the numbers of the levels, and right of every pane.
const LEVELS: i32 = 40;
const GAP: i32 = 10;
const LEGEND: i32 = 26;
/// From the highest level down, dB.
const DEPTH: f64 = 40.0;
/// Most letters of a title.
const LETTERS: usize = 18;

/// Panes in the order of the vowels, five in a row when there are many.
pub fn vowels(title: &str, vowels: &[Vowel]) -> Picture {
    let (across, high) = match vowels.len() {
        0..=3 => (vowels.len().max(1), TALL),
        4..=8 => (4, TALL),
        _ => (5, PANE),
    };
    let down = vowels.len().div_ceil(across).max(1) as i32;
    let points = || vowels.iter().flat_map(|vowel| vowel.curves.iter().flatten());
    let span = [
        points().map(|point| point.0).fold(f64::INFINITY, f64::min),
        points().map(|point| point.0).fold(0.0, f64::max),
    ];
    let span = if span[0] < span[1] { span } else { [100.0, 5e3] };
    let loudest = points().map(|point| decibels(point.1.norm())).filter(|level| level.is_finite());
    let top = 10.0 * ((loudest.fold(-100.0, f64::max) + 2.0) / 10.0).ceil();
    let width = (WIDTH - LEVELS) / across as i32;
    Picture::draw(title, [WIDTH, 44 + LEGEND + high * down], |canvas| {
        let (above, below) = canvas.split_vertically(LEGEND * FINE);
        legend(&above)?;
        let right_edges = (1..across as i32).map(|n| (LEVELS + width * n) * FINE);
        let lower_edges = (1..down).map(|n| high * n * FINE);
        let places = below.split_by_breakpoints(right_edges.collect::<Vec<_>>(), lower_edges.collect::<Vec<_>>());
        places
            .iter()
            .zip(vowels)
            .enumerate()
            .try_for_each(|(n, (place, vowel))| pane(place, vowel, n % across == 0, span, top))
    })
}

fn legend(area: &Canvas<'_>) -> Drawn {
    let middle = |color: RGBColor| text(11, color).pos(Pos::new(HPos::Left, VPos::Center));
    let y = 10 * FINE;
    let mut x = 16;
    for (n, color) in (1..).zip(STAGES) {
        let stroke = color.stroke_width((2 * FINE) as u32);
        area.draw(&PathElement::new([(x * FINE, y), ((x + 20) * FINE, y)], stroke))?;
        area.draw_text(&format!("stage {n}"), &middle(INK), ((x + 26) * FINE, y))?;
        x += 86;
    }
    area.draw(&Circle::new(((x + 4) * FINE, y), 3 * FINE, INK.filled()))?;
    area.draw_text("peak as planned", &middle(INK), ((x + 14) * FINE, y))?;
    x += 124;
    for n in 0..3 {
        let at = |pixels: i32| (x * FINE, y + (pixels - 7) * FINE);
        area.draw(&PathElement::new([at(5 * n), at(5 * n + 3)], INK.stroke_width(FINE as u32)))?;
    }
    area.draw_text("target", &middle(INK), ((x + 8) * FINE, y))?;
    let axes = "across: frequency, Hz; up: each stage alone, from its bus to its tap, dB";
    area.draw_text(axes, &middle(INK), ((x + 76) * FINE, y))
}

fn pane(area: &Canvas<'_>, vowel: &Vowel, leftmost: bool, [left, right]: [f64; 2], top: f64) -> Drawn {
    let (wide, _) = area.dim_in_pixel();
    let levels = if leftmost { LEVELS } else { 0 };
    let name = if vowel.group.is_empty() { vowel.name.clone() } else { format!("{}  {}", vowel.name, vowel.group) };
    let [a, b, c] = vowel.codes;
    area.draw_text(&shortened(&name), &text(12, INK), (levels * FINE, 3 * FINE))?;
    let at_right = text(11, INK).pos(Pos::new(HPos::Right, VPos::Top));
    area.draw_text(&format!("{a},{b},{c}"), &at_right, (wide as i32 - GAP * FINE, 4 * FINE))?;
    let bottom = top - DEPTH;
    let mut plot = ChartBuilder::on(area)
        .margin_top(TITLE * FINE)
        .margin_right(GAP * FINE)
        .x_label_area_size(NUMBERS * FINE)
        .y_label_area_size(levels * FINE)
        .build_cartesian_2d(Axis::frequency(left, right), Axis::even(bottom, top, 20.0))?;
    let mut mesh = plot.configure_mesh();
    mesh.bold_line_style(FAINT.stroke_width(FINE as u32))
        .light_line_style(TRANSPARENT)
        .axis_style(INK.stroke_width(FINE as u32))
        .label_style(text(10, INK))
        .x_label_formatter(&|hertz| frequency_label(*hertz))
        .y_label_formatter(&|level| format!("{level:.0}"));
    mesh.draw()?;
    for (stage, color) in STAGES.into_iter().enumerate() {
        let target = vowel.target[stage];
        if (left..=right).contains(&target) {
            let mark = [(target, bottom), (target, top)];
            let stroke = color.stroke_width(FINE as u32);
            plot.draw_series(DashedLineSeries::new(mark, 3 * FINE, 2 * FINE, stroke))?;
        }
        let points: Vec<_> =
            vowel.curves[stage].iter().map(|(hertz, value)| (*hertz, decibels(value.norm()))).collect();
        let on_paper = |level: f64| (bottom..=top).contains(&level);
        let stroke = color.stroke_width((FINE * 3 / 2) as u32);
        for part in points.split(|point| !on_paper(point.1)).filter(|part| part.len() > 1) {
            plot.draw_series(LineSeries::new(part.iter().copied(), stroke))?;
        }
        let (hertz, gain) = vowel.peaks[stage];
        if (left..=right).contains(&hertz) && on_paper(decibels(gain)) {
            plot.draw_series([Circle::new((hertz, decibels(gain)), 5 * FINE / 2, color.filled())])?;
        }
    }
    Ok(())
}

/// A name that a title has room for.
fn shortened(name: &str) -> String {
    if name.chars().count() <= LETTERS {
        return name.to_owned();
    }
    name.chars().take(LETTERS - 1).chain(['…']).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn vowel(name: &str) -> Vowel {
        let curve = |hertz: f64| {
            (0..50)
                .map(|n| 100.0 * (f64::from(n) / 10.0).exp2())
                .map(|f| (f, Complex64::new(1.0, 5.0 * (f / hertz - hertz / f)).inv() * 10.0))
                .collect()
        };
        let target = [300.0, 1200.0, 2400.0];
        let peaks = target.map(|hertz| (hertz, 10.0));
        Vowel { name: name.into(), group: "low".into(), codes: [3, 15, 0], target, peaks, curves: target.map(curve) }
    }

    #[test]
    fn every_vowel_has_its_pane_with_three_targets() {
        for count in [0, 1, 3, 8, 20, 40] {
            let all: Vec<_> = (0..count).map(|n| vowel(&format!("vowel{n}"))).collect();
            let picture = vowels("Vowels", &all);
            for vowel in &all {
                assert!(picture.svg().contains(&format!("{}  low", vowel.name)), "{}", vowel.name);
            }
            assert_eq!(picture.svg().matches("3,15,0").count(), count);
        }
    }

    #[test]
    fn a_long_name_is_cut_and_what_is_not_finite_breaks_nothing() {
        let mut odd = vowel("a name that no pane has room for");
        odd.curves[1] = vec![(100.0, Complex64::ZERO), (3200.0, Complex64::new(f64::NAN, 0.0))];
        odd.peaks[1] = (f64::NAN, f64::INFINITY);
        assert!(vowels("Odd", &[odd]).svg().contains("a name that no pa…"));
    }
}

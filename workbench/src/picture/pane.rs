//! A pane: curves over a logarithmic frequency axis, with their legend beside them.
//!
//! ```text
//!   title
//!   dB │  ╱╲                peak, Hz    Q   gain, dB
//!      │ ╱  ╲     ─ stage 1      998  6.5       36.6
//!      └──────
//!        Hz
//! ```

use super::axis::{Axis, frequency_label};
use super::{Canvas, Drawn, FAINT, FINE, INK, text};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use tritank_dsp::response::Peak;

/// Pixels beside a pane for its legend.
const LEGEND: i32 = 270;
/// Right edges of the columns of a legend.
const COLUMNS: [i32; 3] = [154, 192, 256];
/// Pixels of one line of a legend.
const ROW: i32 = 17;

/// One curve of a pane.
pub(super) struct Line {
    pub(super) color: RGBColor,
    /// Hertz and the quantity of the pane.
    pub(super) points: Vec<(f64, f64)>,
    /// Where a dot marks the peak of a magnitude; the legend tells of it.
    pub(super) peak: Option<Peak>,
    /// What the legend says.
    pub(super) name: String,
}

/// A pane with its axes.
pub(super) struct Pane {
    pub(super) title: String,
    /// Quantity and unit of the vertical axis.
    pub(super) quantity: &'static str,
    pub(super) low: f64,
    pub(super) high: f64,
    pub(super) step: f64,
    pub(super) lines: Vec<Line>,
    /// Stroke of a curve in pixels of the picture.
    pub(super) stroke: f64,
}

impl Pane {
    pub(super) fn draw(&self, area: &Canvas<'_>, [left, right]: [f64; 2]) -> Drawn {
        let (width, _) = area.dim_in_pixel();
        let (chart, legend) = area.split_horizontally(width as i32 - LEGEND * FINE);
        chart.draw_text(&self.title, &text(13, INK), (56 * FINE, 4 * FINE))?;
        let mut plot = ChartBuilder::on(&chart)
            .margin_top(24 * FINE)
            .margin_right(10 * FINE)
            .margin_left(8 * FINE)
            .x_label_area_size(36 * FINE)
            .y_label_area_size(48 * FINE)
            .build_cartesian_2d(Axis::frequency(left, right), Axis::even(self.low, self.high, self.step))?;
        plot.configure_mesh()
            .bold_line_style(FAINT.stroke_width(FINE as u32))
            .light_line_style(TRANSPARENT)
            .axis_style(INK.stroke_width(FINE as u32))
            .label_style(text(11, INK))
            .axis_desc_style(text(12, INK))
            .x_desc("frequency, Hz")
            .y_desc(self.quantity)
            .x_label_formatter(&|hertz| frequency_label(*hertz))
            .y_label_formatter(&|value| format!("{value:.0}"))
            .draw()?;
        for line in &self.lines {
            let stroke = line.color.stroke_width((self.stroke * f64::from(FINE)) as u32);
            // What lies off the paper is not drawn along its edge.
            let on_paper =
                |point: &(f64, f64)| (left..=right).contains(&point.0) && (self.low..=self.high).contains(&point.1);
            for part in line.points.split(|point| !on_paper(point)).filter(|part| part.len() > 1) {
                plot.draw_series(LineSeries::new(part.iter().copied(), stroke))?;
            }
            let mark = line.peak.map(|peak| (peak.frequency, decibels(peak.gain)));
            if let Some(mark) = mark.filter(on_paper) {
                plot.draw_series([Circle::new(mark, 3 * FINE, line.color.filled())])?;
            }
        }
        self.legend(&legend)
    }

    /// Names, and what is known of the peaks in columns.
    fn legend(&self, area: &Canvas<'_>) -> Drawn {
        let column = |at: HPos| text(11, INK).pos(Pos::new(at, VPos::Center));
        if self.lines.iter().any(|line| line.peak.is_some()) {
            for (heading, x) in ["peak, Hz", "Q", "gain, dB"].into_iter().zip(COLUMNS) {
                area.draw_text(heading, &column(HPos::Right), (x * FINE, 14 * FINE))?;
            }
        }
        for (row, line) in (0..).zip(&self.lines) {
            let y = (32 + ROW * row) * FINE;
            let stroke = line.color.stroke_width((2 * FINE) as u32);
            area.draw(&PathElement::new([(4 * FINE, y), (24 * FINE, y)], stroke))?;
            area.draw_text(&line.name, &column(HPos::Left), (32 * FINE, y))?;
            let Some(peak) = line.peak else { continue };
            let q = if peak.q.is_finite() { format!("{:.1}", peak.q) } else { "-".to_owned() };
            let cells = [format!("{:.0}", peak.frequency), q, format!("{:.1}", decibels(peak.gain))];
            for (cell, x) in cells.iter().zip(COLUMNS) {
                area.draw_text(cell, &column(HPos::Right), (x * FINE, y))?;
            }
        }
        Ok(())
    }
}

/// A ratio of voltages in dB.
pub(super) fn decibels(ratio: f64) -> f64 {
    20.0 * ratio.log10()
}

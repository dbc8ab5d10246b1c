//! A pane: curves over a logarithmic frequency axis, with their legend beside them.
//!
//! ```text
//!   title
//!   dB │  ╱╲      ─ stage 1  997 Hz  Q 6.5
//!      │ ╱  ╲     ─ stage 2  2.79 kHz  Q 10.1
//!      └──────
//!        Hz
//! ```

use super::axis::{Axis, frequency_label};
use super::{Canvas, Drawn, FAINT, FINE, INK, text};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

/// Pixels beside a pane for its legend.
const LEGEND: i32 = 250;
/// Pixels of one line of a legend.
const ROW: i32 = 17;

/// One curve of a pane.
pub(super) struct Line {
    pub(super) color: RGBColor,
    /// Hertz and the quantity of the pane.
    pub(super) points: Vec<(f64, f64)>,
    /// Where a dot marks the peak.
    pub(super) mark: Option<(f64, f64)>,
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
        chart.draw_text(&self.title, &text(13, &INK), (64 * FINE, 2 * FINE))?;
        let mut plot = ChartBuilder::on(&chart)
            .margin_top(24 * FINE)
            .margin_right(10 * FINE)
            .margin_left(8 * FINE)
            .x_label_area_size(40 * FINE)
            .y_label_area_size(56 * FINE)
            .build_cartesian_2d(Axis::frequency(left, right), Axis::even(self.low, self.high, self.step))?;
        plot.configure_mesh()
            .bold_line_style(FAINT.stroke_width(FINE as u32))
            .light_line_style(TRANSPARENT)
            .axis_style(INK.stroke_width(FINE as u32))
            .label_style(text(11, &INK))
            .axis_desc_style(text(12, &INK))
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
            if let Some(mark) = line.mark.filter(on_paper) {
                plot.draw_series([Circle::new(mark, 3 * FINE, line.color.filled())])?;
            }
        }
        self.legend(&legend)
    }

    fn legend(&self, area: &Canvas<'_>) -> Drawn {
        for (row, line) in (0..).zip(&self.lines) {
            let y = (32 + ROW * row) * FINE;
            let stroke = line.color.stroke_width((2 * FINE) as u32);
            area.draw(&PathElement::new([(4 * FINE, y), (24 * FINE, y)], stroke))?;
            let style = text(11, &INK).pos(Pos::new(HPos::Left, VPos::Center));
            area.draw_text(&line.name, &style, (32 * FINE, y))?;
        }
        Ok(())
    }
}

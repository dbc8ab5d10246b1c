//! Lines over time: a row for each line that moves or is on, filled while it is on, and each stage's code as a number.
//!
//! ```text
//!   stage 1   0 │4│ 5 │ 1
//!       1.0 ────────███████
//!       1.2 ────█████──────
//! ```

use super::axis::Axis;
use super::{Canvas, Drawn, FAINT, FINE, INK, Picture, STAGES, text};
use crate::score::Edge;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use tritank_dsp::lines::{Line, Lines, Source};

const WIDTH: i32 = 1080;
/// Pixels of a row.
const ROW: i32 = 22;
/// Pixels to the left for names.
const NAMES: i32 = 72;
/// Grey for the exciter's two gates, which belong to no stage.
const GATES: RGBColor = RGBColor(0x6b, 0x74, 0x80);

/// Draws a score over `seconds`. `panel` is what panel switches and codes put on each line, in the order of
/// [`Line::all`]; it inverts what the edges pull. Edges may come in any order.
pub fn draw(title: &str, seconds: f64, panel: [bool; Line::COUNT], edges: &[Edge]) -> Picture {
    let seconds = seconds.max(1e-3);
    let history = history(seconds, panel, edges);
    let rows = rows(&history);
    let height = 44 + 42 + ROW * rows.len().max(1) as i32;
    Picture::draw(title, [WIDTH, height], |canvas| {
        let count = rows.len().max(1) as f64;
        let (time, digits) = Axis::time(seconds);
        let mut plot = ChartBuilder::on(canvas)
            .margin_top(6 * FINE)
            .margin_right(16 * FINE)
            .x_label_area_size(36 * FINE)
            .y_label_area_size(NAMES * FINE)
            .build_cartesian_2d(time, Axis::plain(count, 0.0))?;
        plot.configure_mesh()
            .disable_y_mesh()
            .y_labels(0)
            .bold_line_style(FAINT.stroke_width(FINE as u32))
            .light_line_style(TRANSPARENT)
            .axis_style(INK.stroke_width(FINE as u32))
            .label_style(text(11, INK))
            .axis_desc_style(text(12, INK))
            .x_desc("time, s")
            .x_label_formatter(&|seconds| format!("{seconds:.digits$}"))
            .draw()?;
        for (place, row) in rows.iter().enumerate() {
            match *row {
                Row::Code(stage) => codes(canvas, &mut plot, place, stage, &history)?,
                Row::Line(line) => bars(canvas, &mut plot, place, line, &history)?,
            }
        }
        if rows.is_empty() {
            canvas.draw_text("no line moves, none is on", &text(12, INK), ((NAMES + 16) * FINE, 12 * FINE))?;
        }
        Ok(())
    })
}

type Plot<'a, 'b> = ChartContext<'a, SVGBackend<'b>, Cartesian2d<Axis, Axis>>;

/// A stretch of time in which nothing moves.
struct Stretch {
    from: f64,
    to: f64,
    lines: Lines,
}

enum Row {
    /// A stage's code, 0 to 2.
    Code(usize),
    Line(Line),
}

/// What is on the lines from edge to edge.
fn history(seconds: f64, panel: [bool; Line::COUNT], edges: &[Edge]) -> Vec<Stretch> {
    let mut edges: Vec<_> = edges.iter().filter(|edge| edge.seconds < seconds).collect();
    edges.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
    let mut lines = Lines::default();
    for (line, on) in Line::all().zip(panel) {
        lines.set(Source::Panel, line, on);
    }
    let mut stretches = Vec::new();
    let mut from = 0.0;
    for edge in edges {
        if edge.seconds > from {
            stretches.push(Stretch { from, to: edge.seconds, lines });
            from = edge.seconds;
        }
        lines.set(Source::Score, edge.line, edge.on);
    }
    stretches.push(Stretch { from, to: seconds, lines });
    stretches
}

/// The code of each stage whose lines are used, above its lines; then the gates.
fn rows(history: &[Stretch]) -> Vec<Row> {
    let used = |line: &Line| history.iter().any(|stretch| stretch.lines.is_on(*line));
    let mut rows = Vec::new();
    for stage in 0..3 {
        let lines: Vec<_> = (0..4).map(|bit| Line::of_stage(stage, bit)).filter(used).collect();
        if !lines.is_empty() {
            rows.push(Row::Code(stage));
            rows.extend(lines.into_iter().map(Row::Line));
        }
    }
    rows.extend([Line::SOFT, Line::HARD].into_iter().filter(used).map(Row::Line));
    rows
}

fn name(canvas: &Canvas<'_>, place: usize, name: &str) -> Drawn {
    let style = text(11, INK).pos(Pos::new(HPos::Right, VPos::Center));
    canvas.draw_text(name, &style, ((NAMES - 8) * FINE, (6 + ROW * place as i32 + ROW / 2) * FINE))
}

/// A bar while the line is on.
fn bars(canvas: &Canvas<'_>, plot: &mut Plot<'_, '_>, place: usize, line: Line, history: &[Stretch]) -> Drawn {
    name(canvas, place, &line.to_string())?;
    let color = STAGES.get(line.index() / 4).copied().unwrap_or(GATES);
    let top = place as f64;
    let bars = joined(history, |lines| u8::from(lines.is_on(line))).into_iter().filter(|(_, _, on)| *on == 1);
    plot.draw_series(bars.map(|(from, to, _)| Rectangle::new([(from, top + 0.14), (to, top + 0.86)], color.filled())))?;
    Ok(())
}

/// The code as a number in every stretch that has room for it.
fn codes(canvas: &Canvas<'_>, plot: &mut Plot<'_, '_>, place: usize, stage: usize, history: &[Stretch]) -> Drawn {
    name(canvas, place, &format!("stage {}", stage + 1))?;
    let style = text(11, STAGES[stage]).pos(Pos::new(HPos::Center, VPos::Center));
    let middle = place as f64 + 0.5;
    for (from, to, code) in joined(history, |lines| lines.code(stage)) {
        let [left, right] = [from, to].map(|seconds| plot.backend_coord(&(seconds, middle)).0);
        if right - left >= 16 * FINE {
            plot.draw_series([Text::new(code.to_string(), (0.5 * (from + to), middle), style.clone())])?;
        }
    }
    Ok(())
}

/// Stretches joined where what is looked at does not change.
fn joined(history: &[Stretch], look: impl Fn(&Lines) -> u8) -> Vec<(f64, f64, u8)> {
    let mut stretches: Vec<(f64, f64, u8)> = Vec::new();
    for stretch in history {
        let now = look(&stretch.lines);
        match stretches.last_mut() {
            Some((_, to, before)) if *before == now => *to = stretch.to,
            _ => stretches.push((stretch.from, stretch.to, now)),
        }
    }
    stretches
}

#[cfg(test)]
mod tests {
    use super::*;

    fn edge(seconds: f64, line: &str, on: bool) -> Edge {
        Edge { seconds, line: Line::parse(line).unwrap(), on }
    }

    #[test]
    fn a_line_is_drawn_while_it_is_on_and_the_panel_inverts_it() {
        let mut panel = [false; Line::COUNT];
        panel[Line::parse("2.1").unwrap().index()] = true;
        let edges = [edge(0.5, "1.2", false), edge(0.25, "1.2", true), edge(0.5, "2.1", true), edge(9.0, "3.0", true)];
        let history = history(1.0, panel, &edges);
        let on = |line: &str| {
            let line = Line::parse(line).unwrap();
            joined(&history, |lines| u8::from(lines.is_on(line))).into_iter().filter(|s| s.2 == 1).collect::<Vec<_>>()
        };
        assert_eq!(on("1.2"), [(0.25, 0.5, 1)]);
        assert_eq!(on("2.1"), [(0.0, 0.5, 1)]);
        assert_eq!(on("3.0"), []);
        assert_eq!(joined(&history, |lines| lines.code(0)), [(0.0, 0.25, 0), (0.25, 0.5, 4), (0.5, 1.0, 0)]);
        assert_eq!(rows(&history).len(), 4);
        assert!(draw("A score", 1.0, panel, &edges).svg().contains("stage 2"));
    }

    #[test]
    fn a_score_in_which_nothing_moves_says_so() {
        assert!(draw("Rest", 1.0, [false; Line::COUNT], &[]).svg().contains("no line moves"));
    }
}

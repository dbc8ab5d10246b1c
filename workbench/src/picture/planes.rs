//! Two planes of formants: what a plan aims at, what it reaches, and what it could.
//!
//! ```text
//!   F2 │ · · · ·           ·  a peak that some pair of codes gives
//!      │ · ·○─● ·          ○─●  target, and where the plan comes out
//!      └─────────── F1
//! ```

use super::axis::{Axis, frequency_label};
use super::{Canvas, Drawn, FAINT, FINE, INK, Picture, STAGES, text};
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

/// One target, hertz.
#[derive(Clone, Debug, PartialEq)]
pub struct Aim {
    /// What stands beside it.
    pub name: String,
    /// Which of the groups it belongs to, for its colour.
    pub group: usize,
    /// Where it should be.
    pub target: [f64; 3],
    /// Where it comes out.
    pub planned: [f64; 3],
}

const WIDTH: i32 = 1080;
const PLANE: i32 = 620;
/// A paper reaches beyond what is drawn by this ratio.
const AROUND: f64 = 1.06;

/// F1 and F2, F2 and F3; `reach` holds the peaks that each stage's codes give.
pub fn planes(title: &str, groups: &[String], aims: &[Aim], reach: &[Vec<f64>; 3]) -> Picture {
    Picture::draw(title, [WIDTH, 44 + PLANE], |canvas| {
        let (planes, legend) = canvas.split_vertically((PLANE - 30) * FINE);
        let (left, right) = planes.split_horizontally(WIDTH / 2 * FINE);
        plane(&left, [0, 1], aims, reach)?;
        plane(&right, [1, 2], aims, reach)?;
        let at = |y: i32| Pos::new(HPos::Left, if y == 0 { VPos::Top } else { VPos::Center });
        let mut x = 56;
        for (n, group) in groups.iter().enumerate() {
            let color = STAGES[n % STAGES.len()];
            legend.draw(&Circle::new((x * FINE, 14 * FINE), 4 * FINE, color.stroke_width((2 * FINE) as u32)))?;
            legend.draw(&Circle::new(((x + 16) * FINE, 14 * FINE), 3 * FINE, color.filled()))?;
            let name =
                if group.is_empty() { "target, planned".to_owned() } else { format!("{group}: target, planned") };
            legend.draw_text(&name, &text(11, INK).pos(at(1)), ((x + 28) * FINE, 14 * FINE))?;
            x += 200;
        }
        legend.draw(&Circle::new((x * FINE, 14 * FINE), FINE, GREY.filled()))?;
        legend.draw_text("every pair of codes", &text(11, INK).pos(at(1)), ((x + 12) * FINE, 14 * FINE))
    })
}

const GREY: RGBColor = RGBColor(0xa9, 0xb2, 0xbd);

fn plane(area: &Canvas<'_>, [across, up]: [usize; 2], aims: &[Aim], reach: &[Vec<f64>; 3]) -> Drawn {
    let span = |formant: usize| {
        let all = || aims.iter().flat_map(|aim| [aim.target[formant], aim.planned[formant]]);
        [all().fold(f64::INFINITY, f64::min) / AROUND, all().fold(0.0, f64::max) * AROUND]
    };
    let ([left, right], [low, high]) = (span(across), span(up));
    let mut chart = ChartBuilder::on(area)
        .margin_top(6 * FINE)
        .margin_right(14 * FINE)
        .margin_left(8 * FINE)
        .x_label_area_size(36 * FINE)
        .y_label_area_size(52 * FINE)
        .build_cartesian_2d(Axis::formant(left, right), Axis::formant(low, high))?;
    chart
        .configure_mesh()
        .bold_line_style(FAINT.stroke_width(FINE as u32))
        .light_line_style(TRANSPARENT)
        .axis_style(INK.stroke_width(FINE as u32))
        .label_style(text(11, INK))
        .axis_desc_style(text(12, INK))
        .x_desc(format!("F{}, Hz", across + 1))
        .y_desc(format!("F{}, Hz", up + 1))
        .x_label_formatter(&|hertz| frequency_label(*hertz))
        .y_label_formatter(&|hertz| frequency_label(*hertz))
        .draw()?;
    let on_paper = |x: f64, y: f64| (left..=right).contains(&x) && (low..=high).contains(&y);
    let dots = reach[across].iter().flat_map(|x| reach[up].iter().map(move |y| (*x, *y)));
    chart.draw_series(dots.filter(|(x, y)| on_paper(*x, *y)).map(|at| Circle::new(at, FINE, GREY.filled())))?;
    let beside = text(11, INK).pos(Pos::new(HPos::Left, VPos::Bottom));
    for aim in aims {
        let color = STAGES[aim.group % STAGES.len()];
        let [target, planned] = [(aim.target[across], aim.target[up]), (aim.planned[across], aim.planned[up])];
        chart.draw_series([PathElement::new([target, planned], color.stroke_width(FINE as u32))])?;
        chart.draw_series([Circle::new(target, 4 * FINE, color.stroke_width((2 * FINE) as u32))])?;
        chart.draw_series([Circle::new(planned, 3 * FINE, color.filled())])?;
        chart.draw_series([
            EmptyElement::at(target) + Text::new(aim.name.clone(), (5 * FINE, -3 * FINE), beside.clone())
        ])?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_target_is_named_and_a_pair_of_codes_off_the_paper_is_left_out() {
        let aim = |name: &str, group, hz: f64| Aim {
            name: name.into(),
            group,
            target: [hz, 3.0 * hz, 5.0 * hz],
            planned: [1.01 * hz, 3.0 * hz, 5.0 * hz],
        };
        let groups = ["low".to_owned(), "high".to_owned()];
        let reach = [vec![310.0, 9e3], vec![1000.0], vec![1600.0]];
        let picture = planes("Aims", &groups, &[aim("one", 0, 300.0), aim("two", 1, 400.0)], &reach);
        for word in ["one", "two", "F1, Hz", "F3, Hz", "low: target", "every pair of codes"] {
            assert!(picture.svg().contains(word), "{word}");
        }
    }
}

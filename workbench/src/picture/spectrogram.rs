//! Level over time and frequency, one pane for each sound, all on the same scales: dry above wet.
//!
//! ```text
//!   sound ──► windows of 60 ms (Hann) ──► spectrum ──► level by time and pitch ──► colour
//! ```
//! A sine of 1 V reads 0 dB.

use super::axis::{Axis, frequency_label, multiples};
use super::{Canvas, Drawn, FINE, INK, Picture, text};
use crate::sound::Sound;
use base64::Engine as _;
use plotters::prelude::*;
use realfft::RealFftPlanner;
use resvg::tiny_skia::{ColorU8, Pixmap};
use std::f64::consts::TAU;

const WIDTH: i32 = 1080;
const PANE: i32 = 330;
/// Pixels beside the panes for the scale of colours.
const SCALE: i32 = 90;
/// Cells of a pane: columns of time, rows of pitch.
const COLUMNS: usize = 960;
const ROWS: usize = 256;
const WINDOW_SECONDS: f64 = 0.06;
const LOWEST_HZ: f64 = 50.0;
const HIGHEST_HZ: f64 = 16e3;
/// From the loudest cell down to the darkest colour, dB.
const DEPTH: f64 = 80.0;
/// From quiet to loud; each is lighter than the one before, so that it holds in grey.
const COLOURS: [[f64; 3]; 5] =
    [[11.0, 15.0, 28.0], [33.0, 47.0, 97.0], [31.0, 122.0, 140.0], [232.0, 174.0, 72.0], [255.0, 249.0, 232.0]];
/// Fills the place of the picture of a pane until it is put in.
const PLACE: RGBColor = RGBColor(1, 2, 3);

/// Panes from top to bottom, each with its title; a sound of several channels is drawn as their mean power.
pub fn draw(title: &str, panes: &[(&str, &Sound)]) -> Picture {
    let seconds = panes.iter().map(|(_, sound)| sound.seconds()).fold(0.0, f64::max).max(1e-3);
    let nyquist = panes.iter().map(|(_, sound)| 0.5 * f64::from(sound.rate_hz)).fold(HIGHEST_HZ, f64::min);
    let span = [LOWEST_HZ, nyquist.max(4.0 * LOWEST_HZ)];
    let levels: Vec<_> = panes.iter().map(|(_, sound)| levels(sound, seconds, span)).collect();
    let loudest = levels.iter().flatten().copied().fold(-200.0, f64::max);
    let top = 10.0 * (loudest / 10.0).ceil();

    let mut picture = Picture::draw(title, [WIDTH, 44 + PANE * panes.len().max(1) as i32], |canvas| {
        let (left, right) = canvas.split_horizontally((WIDTH - SCALE) * FINE);
        for (area, (name, _)) in left.split_evenly((panes.len().max(1), 1)).iter().zip(panes) {
            pane(area, name, seconds, span)?;
        }
        scale(&right, top)
    });
    for levels in &levels {
        picture.svg = put_in(&picture.svg, &image(levels, top));
    }
    picture
}

fn pane(area: &Canvas<'_>, name: &str, seconds: f64, [low, high]: [f64; 2]) -> Drawn {
    area.draw_text(name, &text(13, INK), (56 * FINE, 4 * FINE))?;
    let (time, digits) = Axis::time(seconds);
    let mut plot = ChartBuilder::on(area)
        .margin_top(24 * FINE)
        .margin_right(10 * FINE)
        .margin_left(8 * FINE)
        .x_label_area_size(36 * FINE)
        .y_label_area_size(48 * FINE)
        .build_cartesian_2d(time, Axis::frequency(low, high))?;
    plot.draw_series([Rectangle::new([(0.0, low), (seconds, high)], PLACE.filled())])?;
    plot.configure_mesh()
        .disable_mesh()
        .axis_style(INK.stroke_width(FINE as u32))
        .label_style(text(11, INK))
        .axis_desc_style(text(12, INK))
        .x_desc("time, s")
        .y_desc("frequency, Hz")
        .x_label_formatter(&|seconds| format!("{seconds:.digits$}"))
        .y_label_formatter(&|hertz| frequency_label(*hertz))
        .draw()
}

/// The scale of colours, as high as one pane.
fn scale(area: &Canvas<'_>, top: f64) -> Drawn {
    let [x, y, height] = [8 * FINE, 24 * FINE, (PANE - 64) * FINE];
    let at = |share: f64| y + (share * f64::from(height)) as i32;
    for n in 0..128 {
        let (from, to) = (f64::from(n) / 128.0, f64::from(n + 1) / 128.0);
        let [r, g, b] = colour(1.0 - 0.5 * (from + to));
        area.draw(&Rectangle::new([(x, at(from)), (x + 14 * FINE, at(to) + FINE)], RGBColor(r, g, b).filled()))?;
    }
    for decibels in multiples(top - DEPTH, top, 20.0) {
        let y = at((top - decibels) / DEPTH);
        area.draw_text(&format!("{decibels:.0}"), &text(11, INK), (x + 19 * FINE, y - 6 * FINE))?;
    }
    area.draw_text("dB re 1 V", &text(11, INK), (x, 4 * FINE))
}

/// Level of every cell in dB re a sine of 1 V, row by row from the highest pitch down.
fn levels(sound: &Sound, seconds: f64, [low, high]: [f64; 2]) -> Vec<f64> {
    let rate = f64::from(sound.rate_hz);
    let size = ((WINDOW_SECONDS * rate / 64.0).ceil() as usize).max(1) * 64;
    let window: Vec<_> = (0..size).map(|n| 0.5 - 0.5 * (TAU * (n as f64 + 0.5) / size as f64).cos()).collect();
    let scale = 2.0 / window.iter().sum::<f64>();
    let fft = RealFftPlanner::<f64>::new().plan_fft_forward(size);
    let mut input = fft.make_input_vec();
    let mut output = fft.make_output_vec();

    let column_frames = seconds * rate / COLUMNS as f64;
    // A column wider than a quarter of a window holds the mean of several.
    let shots = ((4.0 * column_frames / size as f64).ceil() as usize).max(1);
    let mut cells = vec![0.0; ROWS * COLUMNS];
    let mut power = vec![0.0; output.len()];
    for column in 0..COLUMNS {
        power.fill(0.0);
        for shot in 0..shots {
            let centre = (column as f64 + (shot as f64 + 0.5) / shots as f64) * column_frames;
            let start = centre.round() as isize - (size / 2) as isize;
            for channel in &sound.channels {
                for (n, (sample, weight)) in input.iter_mut().zip(&window).enumerate() {
                    let at = usize::try_from(start + n as isize).ok().and_then(|at| channel.get(at)).copied();
                    *sample = weight * at.filter(|volts| volts.is_finite()).unwrap_or(0.0);
                }
                // The buffers are the plan's own: their lengths fit.
                if fft.process(&mut input, &mut output).is_ok() {
                    for (sum, bin) in power.iter_mut().zip(&output) {
                        *sum += (bin * scale).norm_sqr();
                    }
                }
            }
        }
        let share = 1.0 / (shots * sound.channels.len().max(1)) as f64;
        for row in 0..ROWS {
            let edge = |row: usize| high * (low / high).powf(row as f64 / ROWS as f64) * size as f64 / rate;
            let (above, below) = (edge(row), edge(row + 1));
            cells[row * COLUMNS + column] = 10.0 * (share * at_bins(&power, below, above)).max(1e-20).log10();
        }
    }
    cells
}

/// The greatest power between two places in the spectrum; between bins where they lie closer than a bin.
fn at_bins(power: &[f64], below: f64, above: f64) -> f64 {
    let (first, last) = (below.ceil() as usize, above.floor() as usize);
    if first <= last {
        return power.iter().take(last + 1).skip(first).copied().fold(0.0, f64::max);
    }
    let middle = 0.5 * (below + above);
    let bin = middle.floor() as usize;
    let share = middle - bin as f64;
    let at = |bin: usize| power.get(bin).copied().unwrap_or(0.0);
    at(bin) * (1.0 - share) + at(bin + 1) * share
}

/// Colour of a level, 0 (darkest) to 1 (lightest).
fn colour(level: f64) -> [u8; 3] {
    let place = level.clamp(0.0, 1.0) * (COLOURS.len() - 1) as f64;
    let below = (place as usize).min(COLOURS.len() - 2);
    let share = place - below as f64;
    std::array::from_fn(|n| (COLOURS[below][n] * (1.0 - share) + COLOURS[below + 1][n] * share).round() as u8)
}

/// The cells as a PNG in a data URI.
fn image(levels: &[f64], top: f64) -> String {
    let mut pixels = Pixmap::new(COLUMNS as u32, ROWS as u32).expect("a pane has cells");
    for (pixel, level) in pixels.pixels_mut().iter_mut().zip(levels) {
        let [r, g, b] = colour(1.0 + (level - top) / DEPTH);
        *pixel = ColorU8::from_rgba(r, g, b, 255).premultiply();
    }
    let png = pixels.encode_png().expect("encoding into memory");
    format!("data:image/png;base64,{}", base64::engine::general_purpose::STANDARD.encode(png))
}

/// Puts an image in the first place that is kept for one.
fn put_in(svg: &str, image: &str) -> String {
    let RGBColor(r, g, b) = PLACE;
    let kept = format!("fill=\"#{r:02X}{g:02X}{b:02X}\"");
    let start = svg.find(&kept).and_then(|at| svg[..at].rfind("<rect "));
    let Some(start) = start else { return svg.to_owned() };
    let end = svg[start..].find("/>").map_or(svg.len(), |length| start + length + 2);
    let attribute = |name: &str| {
        let key = format!(" {name}=\"");
        let from = svg[start..end].find(&key).map_or(start, |at| start + at + key.len());
        svg[from..end].split('"').next().unwrap_or("0")
    };
    let [x, y, width, height] = ["x", "y", "width", "height"].map(attribute);
    let place = format!("x=\"{x}\" y=\"{y}\" width=\"{width}\" height=\"{height}\"");
    format!("{}<image {place} preserveAspectRatio=\"none\" href=\"{image}\"/>{}", &svg[..start], &svg[end..])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sine of 1 V is 0 dB, at its own pitch and nowhere an octave away.
    #[test]
    fn a_tone_stands_at_its_level_and_pitch() {
        for rate_hz in [44_100, 96_000] {
            let rate = f64::from(rate_hz);
            let tone = (0..2 * rate_hz as usize).map(|n| (TAU * 1000.0 * n as f64 / rate).sin()).collect();
            let cells = levels(&Sound { rate_hz, channels: vec![tone] }, 2.0, [50.0, 16e3]);
            let row = |hertz: f64| ((16e3 / hertz).ln() / (16e3f64 / 50.0).ln() * ROWS as f64) as usize;
            let level = |hertz: f64| cells[row(hertz) * COLUMNS + COLUMNS / 2];
            let top = (row(1020.0)..=row(980.0)).map(|row| cells[row * COLUMNS + COLUMNS / 2]).fold(-200.0, f64::max);
            assert!((-0.5..0.1).contains(&top), "{top} dB at {rate_hz} Hz");
            assert!(level(500.0) < -80.0 && level(2000.0) < -80.0, "{} {}", level(500.0), level(2000.0));
        }
    }

    #[test]
    fn every_pane_has_its_image_and_sound_that_is_not_finite_breaks_nothing() {
        let odd = Sound { rate_hz: 8_000, channels: vec![vec![f64::NAN, 1.0, f64::INFINITY, 0.0]; 2] };
        let picture = draw("Dry against wet", &[("Dry", &odd), ("Wet", &odd)]);
        assert_eq!(picture.svg().matches("<image ").count(), 2);
        assert!(!picture.svg().contains("#010203"));
        assert!(draw("None", &[]).svg().contains("None"));
    }
}

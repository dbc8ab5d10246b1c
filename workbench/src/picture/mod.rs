//! Pictures: response curves, spectrograms, lines over time, planes of formants.
//!
//! Drawn as SVG; a PNG is the same drawing rasterised with the font that is compiled in, so that both look alike
//! on a machine that has no fonts.

// Pixels, rows and columns: all small.
#![allow(clippy::cast_possible_wrap)]

mod axis;
pub mod lines;
mod pane;
pub mod planes;
pub mod response;
pub mod spectrogram;
pub mod vowels;

use crate::fault::Fault;
use crate::whole_file;
use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::{FontStyle, register_font};
use resvg::{tiny_skia, usvg};
use std::path::Path;
use std::sync::{Arc, OnceLock};

/// The drawing library has whole-number coordinates: it draws on a canvas so many times as fine as the picture.
const FINE: i32 = 4;
/// Pixels of a PNG for one of the picture, for sharp screens.
const SHARP: f32 = 2.0;

const FONT: &str = "sans-serif";
const INK: RGBColor = RGBColor(0x22, 0x2b, 0x36);
const FAINT: RGBColor = RGBColor(0xdd, 0xe2, 0xe8);
/// Stage 1, 2, 3: told apart by people who see fewer colours, too, and by their lightness in print.
const STAGES: [RGBColor; 3] = [RGBColor(0x1f, 0x5a, 0x96), RGBColor(0xd5, 0x6a, 0x1c), RGBColor(0x2c, 0x9a, 0x78)];

type Canvas<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Drawn = Result<(), DrawingAreaErrorKind<std::io::Error>>;

/// A finished drawing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Picture {
    svg: String,
}

impl Picture {
    /// Draws on a white canvas under a title; sizes in pixels of the picture.
    fn draw(title: &str, [width, height]: [i32; 2], draw: impl FnOnce(&Canvas<'_>) -> Drawn) -> Self {
        static FONTS: OnceLock<()> = OnceLock::new();
        FONTS.get_or_init(|| {
            for (style, font) in [(FontStyle::Normal, dejavu::sans::regular()), (FontStyle::Bold, dejavu::sans::bold())]
            {
                assert!(register_font(FONT, style, font).is_ok(), "the font that is compiled in is a font");
            }
        });
        let mut svg = String::new();
        let [wide, high] = [width * FINE, height * FINE];
        let drawn = || -> Drawn {
            let canvas = SVGBackend::with_string(&mut svg, (wide as u32, high as u32)).into_drawing_area();
            canvas.fill(&WHITE)?;
            let heading = (FONT, 17 * FINE).into_font().style(FontStyle::Bold).color(&INK);
            canvas.draw_text(title, &heading, (16 * FINE, 14 * FINE))?;
            let (_, below) = canvas.split_vertically(44 * FINE);
            draw(&below)?;
            canvas.present()
        }();
        assert!(drawn.is_ok(), "drawing into a string: {drawn:?}");
        let fine = format!("width=\"{wide}\" height=\"{high}\"");
        let svg = svg.replacen(&fine, &format!("width=\"{width}\" height=\"{height}\""), 1);
        Self { svg }
    }

    /// The drawing as an SVG document.
    pub fn svg(&self) -> &str {
        &self.svg
    }

    /// The drawing as a PNG file, at twice its nominal size for sharp screens.
    ///
    /// # Panics
    /// Never: the drawing is of our own making.
    pub fn png(&self) -> Vec<u8> {
        let mut fonts = usvg::fontdb::Database::new();
        fonts.load_font_data(dejavu::sans::regular().to_vec());
        fonts.load_font_data(dejavu::sans::bold().to_vec());
        fonts.set_sans_serif_family("DejaVu Sans");
        let options = usvg::Options { fontdb: Arc::new(fonts), ..usvg::Options::default() };
        let tree = usvg::Tree::from_str(&self.svg, &options).expect("the drawing is SVG");
        let size = tree.size().to_int_size().scale_by(SHARP).expect("the drawing has a size");
        let mut pixels = tiny_skia::Pixmap::new(size.width(), size.height()).expect("the drawing has a size");
        resvg::render(&tree, tiny_skia::Transform::from_scale(SHARP, SHARP), &mut pixels.as_mut());
        pixels.encode_png().expect("encoding into memory")
    }

    /// What a file of that name holds: PNG where it ends so, else SVG.
    pub fn bytes(&self, file: &Path) -> Vec<u8> {
        let png = file.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("png"));
        if png { self.png() } else { self.svg.clone().into_bytes() }
    }

    /// Writes it whole or not at all.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn write(&self, file: &Path) -> Result<(), Fault> {
        whole_file::write(file, &self.bytes(file))
    }
}

/// Text of a size in pixels of the picture.
fn text<'a>(pixels: i32, color: RGBColor) -> TextStyle<'a> {
    (FONT, pixels * FINE).into_font().color(&color)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_title_is_drawn_as_it_is_written_and_a_png_has_ink() {
        let picture = Picture::draw("Émile's <unit> & more", [300, 100], |_| Ok(()));
        assert!(picture.svg().contains("Émile&apos;s &lt;unit&gt; &amp; more"));
        assert!(picture.svg().starts_with("<svg width=\"300\" height=\"100\" viewBox=\"0 0 1200 400\""));
        let pixels = tiny_skia::Pixmap::decode_png(&picture.png()).unwrap();
        assert_eq!((pixels.width(), pixels.height()), (600, 200));
        let dark = pixels.pixels().iter().filter(|pixel| pixel.red() < 100).count();
        assert!((300..20_000).contains(&dark), "{dark} dark pixels of a title");
    }
}

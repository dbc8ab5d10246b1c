//! The demo's three pictures: what the codes do, what the ear gets, who moved when.

use crate::Track;
use crate::insert::Rendered;
use crate::pattern::{self, Move};
use anyhow::{Context, Result};
use std::path::Path;
use tritank_dsp::board::Board;
use tritank_dsp::knobs::Settings;
use tritank_dsp::lines::Line;
use tritank_dsp::response::Response;
use tritank_workbench::picture::response::Curve;
use tritank_workbench::picture::{self, Picture};

/// A picture with the words that stand under it.
pub(crate) struct Figure {
    pub(crate) file: &'static str,
    pub(crate) title: &'static str,
    pub(crate) caption: String,
    picture: Picture,
}

impl Figure {
    /// Writes it, sharp at any size where it is a drawing, as pixels where it is one.
    pub(crate) fn write(&self, folder: &Path) -> Result<()> {
        let file = folder.join(self.file);
        let bytes = if std::path::Path::new(self.file).extension().is_some_and(|kind| kind == "svg") {
            self.picture.svg().as_bytes().to_vec()
        } else {
            self.picture.png()
        };
        std::fs::write(&file, bytes).with_context(|| file.display().to_string())
    }
}

pub(crate) fn all(track: &Track, rendered: &Rendered, settings: &Settings, moves: &[Move]) -> Result<[Figure; 3]> {
    Ok([responses(settings, moves)?, spectrograms(track, rendered), lines(track, moves)])
}

/// A pane for each stage, a curve for each code that the pattern passes through.
fn responses(settings: &Settings, moves: &[Move]) -> Result<Figure> {
    let board = Board::built_in();
    let codes = pattern::codes(moves);
    let mut panes = Vec::new();
    for (stage, codes) in codes.iter().enumerate() {
        let curves = codes.iter().map(|&code| curve(&board, settings, stage, code)).collect::<Result<Vec<_>>>()?;
        panes.push((format!("Stage {}", stage + 1), curves));
    }
    let count: Vec<_> = codes.iter().map(|codes| codes.len().to_string()).collect();
    Ok(Figure {
        file: "response.svg",
        title: "Response of the codes used",
        caption: format!(
            "Each stage alone, from its bus to its tap, about its operating point: one curve for each of the codes that \
             the pattern passes through ({} on stages 1, 2, 3). Every capacitor that a line adds pulls the peak down; its \
             switch's resistance costs some Q.",
            count.join(", ")
        ),
        picture: picture::response::families("Response of the codes used", &panes),
    })
}

fn curve(board: &Board, settings: &Settings, stage: usize, code: u8) -> Result<Curve> {
    let mut codes = [0; 3];
    codes[stage] = code;
    let response = Response::of(board, settings, codes)?;
    // A hundred points a decade from 100 Hz to 10 kHz.
    let hertz = (0..=200).map(|n| 100.0 * 10f64.powf(f64::from(n) / 100.0));
    Ok(Curve {
        name: format!("code {code}"),
        points: hertz.map(|hz| (hz, response.stages(hz)[stage])).collect(),
        peak: Some(response.peaks()[stage]),
    })
}

fn spectrograms(track: &Track, rendered: &Rendered) -> Figure {
    Figure {
        file: "spectrogram.png",
        title: "Dry against wet",
        caption:
            "The track as it came, above, and as it leaves the plugin, below, on the same scales. The moving bands \
                  are the three peaks; what stands above the dry track's own partials comes from the drivers' bend and \
                  from the switches."
                .to_owned(),
        picture: picture::spectrogram::draw("Dry against wet", &[("dry", &track.dry), ("wet", &rendered.wet)]),
    }
}

fn lines(track: &Track, moves: &[Move]) -> Figure {
    let edges: Vec<_> = moves.iter().map(|m| m.edge(track.dry.rate_hz)).collect();
    Figure {
        file: "lines.svg",
        title: "Lines over time",
        caption: format!("The host turned the switches {} times, each on the very sample of its step.", moves.len()),
        picture: picture::lines::draw("Lines over time", track.dry.seconds(), [false; Line::COUNT], &edges),
    }
}

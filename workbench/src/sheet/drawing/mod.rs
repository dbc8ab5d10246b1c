//! The circuit on paper, one drawing to a room: input stage, three stages with their banks, follower, links, exciter.
//!
//! Every name is the one of the element list, so that drawings, lists and readings agree; the exciter, which is solved by its
//! charging law, has names of its own. Places are laid out by hand.

mod bank;
mod chain;
mod exciter;
mod pen;
mod stage;

use serde::Serialize;
use tritank_dsp::board::Board;
use tritank_dsp::knobs::{Knob, Settings};

/// A drawing with its title and what stands under it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Figure {
    /// Title.
    pub title: String,
    /// The drawing, SVG to stand in a page.
    pub svg: String,
    /// What the drawing does not say.
    pub words: String,
}

/// Every drawing of a board.
pub fn all(board: &Board, settings: &Settings) -> Vec<Figure> {
    let bleed = settings.is_on(Knob::ClickBleed).then_some(board.click.bleed);
    let mut figures = vec![chain::input(board, settings)];
    for (n, part) in (1..).zip(board.stages()) {
        figures.push(stage::stage(n, part, bleed, settings));
        if bank::has_own_drawing(&part.bank, bleed) {
            figures.push(bank::alone(n, &part.bank, bleed));
        }
    }
    figures.push(chain::follower(board, settings));
    figures.push(chain::links(board, settings));
    figures.push(exciter::exciter(board, settings));
    figures
}

#[cfg(test)]
mod tests;

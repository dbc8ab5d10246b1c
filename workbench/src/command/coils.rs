//! The coils that a plan is made for: the board's, measured ones, or the best from a drawer.

use crate::fault::Fault;
use crate::plan::Asked;
use crate::plan::choose::{Choice, choose};
use crate::plan::coils::{self, Kind, StageCoil};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::path::PathBuf;
use tritank_dsp::patch::Patch;
use tritank_dsp::value::{self, Unit};

/// Coils, and what is across them without being soldered.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct CoilOptions {
    /// Measured coil in place of the board's on a stage: inductance, then its resistance, or its Q at a frequency, or both, as
    /// 1=0.5H,180R,7.5@500Hz; may be given again
    #[arg(long, value_name = "STAGE=H[,R][,Q@HZ]", help_heading = "Coils")]
    coil: Vec<StageCoil>,
    /// Drawer of coils, a CSV; each stage is given the one that comes nearest
    #[arg(long, value_name = "FILE", help_heading = "Coils")]
    pub(super) coils: Option<PathBuf>,
    /// Pins and wiring across each tank: a multiplexer of the 4051 family alone has 30p, and 10p at every channel
    #[arg(long, value_name = "FARADS", default_value = "0", allow_hyphen_values = true, help_heading = "Coils")]
    wiring: String,
}

/// Most that wiring may have, farads.
const MOST_WIRING: f64 = 10e-9;

impl CoilOptions {
    /// Pins and wiring across each tank, farads.
    pub(super) fn wiring(&self) -> Result<f64, Fault> {
        let given = &self.wiring;
        let farads = value::parse(given, Unit::Farad).map_err(|error| Fault::new(format!("--wiring: {error}")))?;
        if (0.0..=MOST_WIRING).contains(&farads) {
            return Ok(farads);
        }
        let most = value::write(MOST_WIRING, Unit::Farad);
        Err(Fault::new(format!("--wiring: given {given}, allowed is 0 to {most}")))
    }

    /// Reads the drawer.
    pub(super) fn drawer(&self) -> Result<Option<Vec<Kind>>, Fault> {
        self.coils.as_deref().map(coils::read).transpose()
    }

    /// The board with its coils, and their names in the drawer.
    pub(super) fn choose(
        &self,
        patch: &Patch,
        asked: Asked<'_>,
        drawer: Option<&[Kind]>,
    ) -> Result<(Choice, [Option<String>; 3]), Fault> {
        let mut held = [None; 3];
        for given in &self.coil {
            if held[given.stage].replace(given.coil).is_some() {
                return Err(Fault::new(format!("--coil: given stage {} twice, allowed is once", given.stage + 1)));
            }
        }
        let bar = ProgressBar::with_draw_target(Some(0), ProgressDrawTarget::hidden());
        if drawer.is_some() {
            // Drawn on a terminal alone.
            bar.set_draw_target(ProgressDrawTarget::stderr_with_hz(5));
        }
        if let Ok(style) = ProgressStyle::with_template("{bar:40} {pos}/{len} coils on stages  {eta} left") {
            bar.set_style(style);
        }
        let step = |done: usize, all: usize| {
            bar.set_length(all as u64);
            bar.set_position(done as u64);
        };
        let choice =
            choose(&patch.board, &patch.settings, asked, held, drawer, step).map_err(|fault| match &self.coils {
                Some(file) => Fault::in_file(file, fault),
                None => fault,
            });
        bar.finish_and_clear();
        let choice = choice?;
        let names = choice.kinds.map(|kind| drawer.and_then(|drawer| drawer.get(kind?)).map(|kind| kind.name.clone()));
        Ok((choice, names))
    }
}

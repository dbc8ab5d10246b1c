//! The capacitors that a plan is made from, how the lines choose among them, and what "nearest" is to mean.

use crate::drawer;
use crate::fault::Fault;
use crate::plan::aim::{self, Measure};
use crate::plan::stock::{Part, Stock};
use crate::plan::{Asked, Kept, Values};
use crate::series::Series;
use std::path::PathBuf;
use tritank_dsp::board::{BankKind, Board};
use tritank_dsp::value::{self, Unit};

/// Parts, and what they are chosen for.
#[derive(Clone, Debug, clap::Args)]
#[command(next_help_heading = "Parts")]
pub(super) struct PartOptions {
    /// How the lines choose: each adds its capacitor, or four of them pick one of sixteen
    #[arg(long, value_enum, default_value = "parallel")]
    kind: Kind,
    /// Preferred numbers (IEC 60063) that there are parts of
    #[arg(long, value_name = "E…", default_value = "E24")]
    pub(super) series: Series,
    /// Smallest part; without it 1n, and of a drawer every one
    #[arg(long, value_name = "FARADS", allow_hyphen_values = true)]
    from: Option<String>,
    /// Largest part; without it 1u, and of a drawer every one
    #[arg(long, value_name = "FARADS", allow_hyphen_values = true)]
    to: Option<String>,
    /// Parts on hand instead of a series, a CSV; no more of each are taken than there are
    #[arg(long, value_name = "FILE", conflicts_with = "series")]
    pub(super) drawer: Option<PathBuf>,
    /// Two parts at a line or position, in parallel or in series, where one alone is not as near
    #[arg(long)]
    pairs: bool,
    /// What is soldered on a stage of the board and stays, as 1=fixed,0,2 or 3=all: the fixed capacitor, lines or positions; may
    /// be given again
    #[arg(long, value_name = "STAGE=PLACE,…")]
    keep: Vec<String>,
    /// What is to be smallest: the error of the target that is farthest off, or the root of the mean square
    #[arg(long, value_enum, default_value = "worst", help_heading = "Targets")]
    measure: Smallest,
    /// What an error is counted in: cents, or differences that can just be heard at the target's frequency
    #[arg(long, value_enum, default_value = "cents", help_heading = "Targets")]
    count: Count,
}

/// Kinds of bank.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Kind {
    /// Each line adds its capacitor
    Parallel,
    /// A multiplexer picks one of sixteen
    Select,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Smallest {
    /// The farthest target
    Worst,
    /// The root of the mean square
    Rms,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Count {
    /// 1200 to the octave
    Cents,
    /// Differences that can just be heard
    Heard,
}

/// Parts of a drawer that are looked at, and places that two of them make.
const MOST_PARTS: usize = 2000;
const MOST_PLACES: usize = 400_000;

impl PartOptions {
    pub(super) fn kind(&self) -> BankKind {
        match self.kind {
            Kind::Parallel => BankKind::Parallel,
            Kind::Select => BankKind::Select,
        }
    }

    /// As a word for programs.
    pub(super) fn kind_word(&self) -> &'static str {
        match self.kind {
            Kind::Parallel => "parallel",
            Kind::Select => "select",
        }
    }

    /// What is asked, of these values, with what is kept.
    pub(super) fn ask<'a>(&self, asked: Asked<'a>, kept: Option<&'a [Kept; 3]>) -> Asked<'a> {
        let measure = match self.measure {
            Smallest::Worst => Measure::Worst,
            Smallest::Rms => Measure::Rms,
        };
        let unit = match self.count {
            Count::Cents => aim::Unit::Cents,
            Count::Heard => aim::Unit::Heard,
        };
        Asked { measure, unit, kept, ..asked }
    }

    /// What can be soldered.
    pub(super) fn values(&self) -> Result<Values, Fault> {
        let read = |name: &str, text: &str| {
            value::parse(text, Unit::Farad).map_err(|error| Fault::new(format!("{name} {text}: {error}")))
        };
        let [least, most] = if self.drawer.is_some() { ["1p", "1m"] } else { ["1n", "1u"] };
        let (smallest, largest) = (self.from.as_deref().unwrap_or(least), self.to.as_deref().unwrap_or(most));
        let (from, to) = (read("--from", smallest)?, read("--to", largest)?);
        if !(1e-12..=1e-3).contains(&from) || !(from..=1e-3).contains(&to) {
            return Err(Fault::new(format!(
                "--from, --to: given {smallest} and {largest}, allowed is 1p to 1m, the smaller first"
            )));
        }
        let stock = match &self.drawer {
            None => Stock::of(&self.series.values(from, to)),
            Some(file) => {
                let wanted = |part: &&drawer::Part| {
                    let farads = part.measured.unwrap_or(part.value);
                    part.kind == drawer::Kind::Capacitor && part.quantity > 0 && (from..=to).contains(&farads)
                };
                let parts: Vec<Part> = drawer::read(file)?
                    .iter()
                    .filter(wanted)
                    .map(|part| Part {
                        farads: part.measured.unwrap_or(part.value),
                        marked: part.value,
                        quantity: Some(part.quantity),
                    })
                    .collect();
                if parts.is_empty() || parts.len() > MOST_PARTS {
                    let given = parts.len();
                    return Err(Fault::in_file(
                        file,
                        format!(
                            "given {given} values of capacitors from {smallest} to {largest}, allowed are 1 to {MOST_PARTS}"
                        ),
                    ));
                }
                Stock { parts }
            }
        };
        let count = stock.parts.len();
        if self.pairs && count * count > MOST_PLACES {
            let most = (MOST_PLACES as f64).sqrt() as usize;
            return Err(Fault::new(format!(
                "--pairs: given {count} values, allowed are {most}; narrow --from and --to"
            )));
        }
        Ok(Values::of(stock, self.pairs))
    }

    /// What is soldered on a board and stays; `None` when nothing does.
    pub(super) fn kept(&self, board: &Board, wiring: f64) -> Result<Option<[Kept; 3]>, Fault> {
        if self.keep.is_empty() {
            return Ok(None);
        }
        let mut kept = [const { Kept { fixed: None, bank: Vec::new() } }; 3];
        for text in &self.keep {
            let refused = |what: &str| Fault::new(format!("--keep: given \"{text}\", {what}"));
            let (stage, places) = text
                .split_once('=')
                .and_then(|(stage, places)| Some((stage.trim().parse().ok()?, places)))
                .filter(|(stage, _): &(usize, _)| (1..=3).contains(stage))
                .ok_or_else(|| refused("allowed is a stage from 1 to 3, =, and fixed, all or numbers of lines"))?;
            let part = board.stages()[stage - 1];
            if part.bank.kind != self.kind() {
                return Err(refused(&format!(
                    "allowed are places of a board whose bank is of the kind {}",
                    self.kind_word()
                )));
            }
            let stays = &mut kept[stage - 1];
            let count = part.bank.capacitors.len();
            stays.bank.resize(count.max(stays.bank.len()), None);
            let fixed = part.fixed - wiring;
            for place in places.split(',').map(str::trim) {
                match (place, place.parse::<usize>()) {
                    ("all", _) => {
                        stays.fixed = Some(fixed);
                        stays.bank = part.bank.capacitors.iter().copied().map(Some).collect();
                    }
                    ("fixed", _) => stays.fixed = Some(fixed),
                    (_, Ok(n)) if n < count => stays.bank[n] = Some(part.bank.capacitors[n]),
                    _ => return Err(refused(&format!("allowed are fixed, all and 0 to {}", count.saturating_sub(1)))),
                }
            }
            if stays.fixed.is_some_and(|fixed| fixed <= 0.0) {
                return Err(refused("but the wiring is more than that fixed capacitor has in all"));
            }
        }
        Ok(Some(kept))
    }
}

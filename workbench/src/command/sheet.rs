//! `tritank sheet`: what lies on the bench while a board is soldered.

use super::tolerances::ToleranceOptions;
use super::{UnitOptions, remark, say_json};
use crate::drawer;
use crate::fault::Fault;
use crate::sheet::Sheet;
use crate::sheet::limits::Within;
use crate::spread::Tolerances;
use crate::whole_file::WholeFile;
use serde_json::json;
use std::path::{Path, PathBuf};

/// A page to print and build from: cautions, drawings, parts, order list, codes, wiring, expected readings
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: the sheet of a board, held against the parts on hand
  tritank sheet --board mine.toml --out mine.html", after_long_help = LONG)]
pub struct SheetCommand {
    #[command(flatten)]
    unit: UnitOptions,
    /// Page to write (HTML, one file that needs no other); one that is there is written anew
    #[arg(long, value_name = "FILE.html", help_heading = "Output")]
    out: PathBuf,
    /// Parts on hand, a CSV: the order list leaves out what is there
    #[arg(long, value_name = "FILE", help_heading = "Parts")]
    drawer: Option<PathBuf>,
    /// New CSV of the expected readings, with a column for your own
    #[arg(long, value_name = "FILE.csv", help_heading = "Output")]
    readings: Option<PathBuf>,
    /// Units drawn for the limits of the readings
    #[arg(long, value_name = "N", default_value_t = 2000, value_parser = clap::value_parser!(u32).range(100..=100_000), help_heading = "Limits")]
    units: u32,
    /// Which lot of units is drawn: the same seed draws the same
    #[arg(long, value_name = "S", default_value_t = 1, help_heading = "Limits")]
    seed: u64,
    #[command(flatten, next_help_heading = "Limits")]
    tolerances: ToleranceOptions,
    /// The lists for programs
    #[arg(long, help_heading = "Output")]
    json: bool,
}

const LONG: &str = "\
The same board, knobs, drawer, units and seed give the same bytes. Limits hold 99 of 100 units, every part drawn within its \
tolerance, which the sheet names; without --tolerance and --spread, the usual ones. Names of parts and nodes are those of `tritank circuit`.

--drawer FILE has a header and a row for each kind of part: value,quantity,tolerance,measured,kind. Value as marked (47n, 104), \
quantity whole; tolerance (percent), measured (on a bridge) and kind (capacitor, resistor, coil; else capacitor) may be left out.

--readings FILE.csv has a row for each reading: kind,node_or_code,quantity,expected,low,high,measured. Kind is node (quantity volts) \
or peak (stage=code; quantities hertz and q); measured is yours to fill in, so a file that is there is never written over.

JSON:
  written, readings  files written (readings: null without)
  parts              kind, designators, value (SI, or null), written, mark,
                     code, tolerance, quantity, notes
  order              kind, value, written, needed, in_drawer, take, buy, notes
  codes              stage, code, bits, high, switched, farads, hertz, q,
                     bandwidth_hz
  nodes              in the order of soldering: node, words, group, and pins
                     (element, pin, words, part, other, place)
  expected           kind, node_or_code, quantity, expected, low, high

Example: the sheet of a board, held against the parts on hand
  tritank sheet --board mine.toml --out mine.html";

impl SheetCommand {
    /// Writes the page, and the readings.
    ///
    /// # Errors
    /// A broken board or drawer, or a file that cannot be written; then nothing is written.
    pub fn run(&self) -> Result<(), Fault> {
        let choice = self.unit.choice();
        let patch = choice.unit()?;
        let tolerances = self.tolerances.of(Tolerances::default())?;
        let drawer = self.drawer.as_deref().map(drawer::read).transpose()?;
        // A page is made anew at any time; another kind of file under a mistyped name is not.
        ends_in(&self.out, "html", "--out")?;
        let real = |file: &Path| std::fs::canonicalize(file).unwrap_or_else(|_| file.to_owned());
        let inputs = [&choice.board, &choice.patch, &self.drawer].into_iter().flatten();
        if inputs.into_iter().any(|input| real(input) == real(&self.out)) {
            let what = "given as input and as output, allowed is a name of its own for each";
            return Err(Fault::in_file(&self.out, what));
        }
        let page = WholeFile::create(&self.out)?;
        if let Some(file) = &self.readings {
            ends_in(file, "csv", "--readings")?;
            if file.symlink_metadata().is_ok() {
                let what =
                    "given a name that is taken, allowed is the name of a new file: it may hold what you measured";
                return Err(Fault::in_file(file, what));
            }
        }
        let readings = self.readings.as_deref().map(WholeFile::create).transpose()?;

        // A board that rests but whose lot cannot be drawn is built without limits.
        let within = Within::of(&patch, &tolerances, self.units as usize, self.seed);
        let sheet = Sheet::of(&patch, drawer.as_deref(), within.as_ref().ok())?;
        if let Err(fault) = &within {
            remark(&format!("the readings have no limits: {fault}"));
        }
        page.write(sheet.html()?.as_bytes())?;
        if let Some(file) = readings {
            file.write(&sheet.readings_csv())?;
        }
        let odd =
            sheet.parts.iter().filter(|part| part.notes.iter().any(|note| note.starts_with("no preferred"))).count();
        if odd > 0 {
            remark(&format!("{odd} values are no preferred numbers; the parts list says what comes near"));
        }
        if self.json {
            let expected: Vec<_> = sheet.volts.iter().chain(&sheet.peaks).collect();
            return say_json(&json!({
                "written": self.out, "readings": self.readings, "parts": sheet.parts, "order": sheet.order,
                "codes": sheet.code_table, "nodes": sheet.nodes, "expected": expected,
            }));
        }
        Ok(())
    }
}

fn ends_in(file: &Path, ending: &str, option: &str) -> Result<(), Fault> {
    if file.extension().is_some_and(|own| own.eq_ignore_ascii_case(ending)) {
        return Ok(());
    }
    Err(Fault::in_file(
        file,
        format!("{option}: given a name that does not end in .{ending}, allowed is one that does"),
    ))
}

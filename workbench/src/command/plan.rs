//! `tritank plan`: from vowels and what can be soldered to a bank.

mod parts;
mod report;
mod spread;

use super::coils::CoilOptions;
use super::{UnitOptions, busy, remark, say, say_json};
use crate::fault::Fault;
use crate::plan::reach::ANOTHER_PERCENT;
use crate::plan::switches::Switches;
use crate::plan::{Asked, Plan, targets};
use crate::whole_file::WholeFile;
use report::{MOST_PANES, Told, percent, picture, responses, table};
use serde_json::json;
use std::path::{Path, PathBuf};
use std::time::Instant;
use tritank_dsp::knobs::Settings;

/// The fixed capacitor and the bank that bring every vowel nearest, on your coils, proved to be the best
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: a board for the vowels of men and women, from E24 parts
  tritank plan --board mine.toml --out planned.toml --picture planned.svg", after_long_help = long())]
pub struct PlanCommand {
    #[command(flatten)]
    unit: UnitOptions,
    /// Voice groups of the built-in table: men, women, children
    #[arg(long, value_name = "NAME,…", value_delimiter = ',', default_values = ["men", "women"], help_heading = "Targets")]
    groups: Vec<String>,
    /// Targets of your own instead, a CSV
    #[arg(long, value_name = "FILE", conflicts_with = "groups", help_heading = "Targets")]
    targets: Option<PathBuf>,
    #[command(flatten)]
    coils: CoilOptions,
    #[command(flatten)]
    parts: parts::PartOptions,
    /// New board file to write: yours, with the planned capacitors
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    out: Option<PathBuf>,
    /// Picture to write (SVG, or PNG by its name): targets, plan and every pair of codes on the planes of F1, F2 and F2, F3
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    picture: Option<PathBuf>,
    /// Picture to write (SVG, or PNG by its name): the three stages under the codes of every target, one small pane each
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    responses: Option<PathBuf>,
    /// The plan for programs
    #[arg(long, help_heading = "Output")]
    json: bool,
    #[command(flatten)]
    spread: spread::SpreadOptions,
}

const LONG: &str = "\
Every bank of the given values is ruled out or reckoned on the whole circuit: coil loss, \
on-resistance of the switches, driver, follower and C12 (with the neighbour under code 0) are in \
the peaks. Where a stage is proved, no bank of these values is better by more than a twentieth \
of a cent; else it says what none is below. A capacitor whose reactance at the lowest target is \
less than the resistance of its switch is none there, and is left out.

--targets FILE has a header and a row for each target: name,group,f1_hz,f2_hz,f3_hz,weight; \
group and weight (how many times as much its errors count) may be left out. --count heard counts \
in differences that can just be heard: 14 Hz, and 1.5 % above some 900 Hz (Kewley-Port and \
Watson 1994).

--drawer FILE has a header and a row for each part: value,quantity,tolerance,measured,kind; all \
but value and quantity may be left out. What a bridge read counts, not the mark. Where three \
stages want the same part, they share out what there is so that their errors together, each in \
what one speaker's repeats differ by (5.0, 3.7 and 2.8 %), are smallest.

--keep names what is soldered on --board and stays: plan again about it when a part has come out \
otherwise than it was marked.

--coils FILE has a header and a row for each kind of coil:
name,inductance,resistance,q,q_hz,quantity; all but inductance may be left out. A Q without a \
resistance is split, 0.4 of the loss in the wire and 0.6 in the core; with one, the core has the \
rest. A coil without either is taken for the board's own wound to that inductance. Every coil is \
planned on every stage; of all ways to share them out the one is taken whose farthest target is \
nearest, then the farthest of the other stages. With C12, each stage is judged beside the \
board's own coils. --coil keeps a stage out of that.

--wiring is across every tank from the start: the written board's fixed capacitors hold it, the \
report names the part to solder.

JSON:
  kind, wiring (farads), measure, count, seconds
  stages  coil (name, or null when not from a drawer; inductance, resistance,
          core), fixed to solder and bank (farads), parts (of fixed and of
          bank: farads, made of one part, of two in parallel or series, or
          kept, marked farads of each), worst_percent, worst_cents, score and
          bound (as asked; no bank is below the bound), bound_percent (the same
          in percent, null unless the farthest target is asked for, in cents,
          all weights 1), proved, peaks (code, hz, q, bandwidth, gain),
          voice_bandwidth (hertz, of a man's formant: Bogert 1953), spoiled
          (null, or where closed switches cost 30 % of the Q and more: code, q,
          q_ideal, on, also (codes), on_within and inductance_within (what
          keeps the Q within 10 %, or null))
  codes   vowel, group, code (one a stage), target and planned (hertz), cents,
          percent, q, q_ideal (with ideal switches), bandwidth (hertz)";

const EXAMPLES: &str = "
Example: a board for the vowels of men and women, from E24 parts
  tritank plan --board mine.toml --out planned.toml --picture planned.svg
Example: how many of 10000 such boards keep each vowel, with capacitors of 2 %
  tritank plan --board mine.toml --units 10000 --tolerance 2";

fn long() -> String {
    [LONG, spread::LONG_JSON, "\n\n", spread::LONG, "\n", EXAMPLES].concat()
}

impl PlanCommand {
    /// Prints the plan and writes the board.
    ///
    /// # Errors
    /// A broken board, target or part range, a coil that cannot reach a target, or a file that cannot be written.
    pub fn run(&self) -> Result<(), Fault> {
        let began = Instant::now();
        if self.unit.code.is_some() {
            return Err(Fault::new("--code: given with plan, allowed is without: a plan is for every code"));
        }
        let patch = self.unit.choice().unit()?;
        let targets = match &self.targets {
            Some(file) => targets::read(file)?,
            None => targets::of_groups(&self.groups)?,
        };
        let values = self.parts.values()?;
        let wiring = self.coils.wiring()?;
        let kept = self.parts.kept(&patch.board, wiring)?;
        let drawer = self.coils.drawer()?;
        let built = self.spread.asked(self.parts.series)?;
        self.refuse_names(targets.len())?;
        // Before the long work: a folder that cannot be written is refused now, and an end by the keyboard leaves nothing.
        self.outputs().try_for_each(|file| WholeFile::create(file).map(drop))?;
        let asked = Asked { wiring, ..Asked::of(self.parts.kind(), &targets, &values) };
        let asked = self.parts.ask(asked, kept.as_ref());
        let (chosen, coils) = self.coils.choose(&patch, asked, drawer.as_deref())?;
        let busy = busy("searching");
        let plan = Plan::of(&chosen.board, &patch.settings, asked)?;
        busy.finish_and_clear();
        let switches = Switches::of(&plan, &patch.settings)?;
        let planned_seconds = began.elapsed().as_secs_f64();
        let built = built.map(|asked| asked.build(&plan, &patch.settings, &targets)).transpose()?;
        let told = Told { asked, plan: &plan, switches: &switches, coils: &coils };
        self.write(&told, &patch.settings)?;
        for (n, stage) in (1..).zip(&plan.stages).filter(|(_, stage)| percent(stage.worst) > ANOTHER_PERCENT) {
            let worst = percent(stage.worst);
            remark(&format!(
                "stage {n}: the farthest target is {worst:.1} % off; a finer series or --kind select comes nearer"
            ));
        }
        switches.spoiled.iter().for_each(|spoiled| remark(&spoiled.words()));
        if self.json {
            let mut document = told.document(self.parts.kind_word(), planned_seconds);
            document["spread"] = json!(built.map(|built| built.document()));
            say_json(&document)
        } else {
            let built = built.map(|built| built.words(&targets)).unwrap_or_default();
            say((table(&told) + &built).as_bytes())
        }
    }

    /// Every file to write.
    fn outputs(&self) -> impl Iterator<Item = &Path> {
        [&self.out, &self.picture, &self.responses].into_iter().flatten().map(PathBuf::as_path)
    }

    /// A board is written under a new name, and nothing twice under one or over what was read.
    fn refuse_names(&self, targets: usize) -> Result<(), Fault> {
        if let Some(file) = self.out.as_deref().filter(|file| file.symlink_metadata().is_ok()) {
            return Err(Fault::in_file(file, "given a name that is taken, allowed is the name of a new file"));
        }
        let real = |file: &Path| std::fs::canonicalize(file).unwrap_or_else(|_| file.to_owned());
        let unit = self.unit.choice();
        let inputs = [&unit.board, &unit.patch, &self.targets, &self.coils.coils, &self.parts.drawer];
        let mut taken: Vec<_> = inputs.into_iter().flatten().map(|file| real(file)).collect();
        for file in self.outputs() {
            if taken.contains(&real(file)) {
                return Err(Fault::in_file(file, "given twice, allowed is a name of its own for each file"));
            }
            taken.push(real(file));
        }
        for file in [&self.picture, &self.responses].into_iter().flatten() {
            if !["svg", "png"].iter().any(|ending| file.extension().is_some_and(|own| own.eq_ignore_ascii_case(ending)))
            {
                return Err(Fault::in_file(file, "given a picture's name, allowed is one that ends in .svg or .png"));
            }
        }
        if self.responses.is_some() && targets > MOST_PANES {
            return Err(Fault::new(format!("--responses: given {targets} targets, allowed are {MOST_PANES}")));
        }
        Ok(())
    }

    /// Writes what was asked for, when all of it is there.
    fn write(&self, told: &Told<'_>, settings: &Settings) -> Result<(), Fault> {
        let mut files = Vec::new();
        if let Some(file) = &self.out {
            files.push((WholeFile::create(file)?, told.plan.board.to_toml().into_bytes()));
        }
        if let Some(file) = &self.picture {
            files.push((WholeFile::create(file)?, picture(told.plan, told.asked.targets).bytes(file)));
        }
        if let Some(file) = &self.responses {
            files.push((WholeFile::create(file)?, responses(told, settings)?.bytes(file)));
        }
        files.into_iter().try_for_each(|(file, bytes)| file.write(&bytes))
    }
}

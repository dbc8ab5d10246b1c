//! `tritank plan`: from vowels and what can be soldered to a bank.

mod spread;

use super::{UnitOptions, remark, say, say_json};
use crate::fault::Fault;
use crate::picture::Picture;
use crate::picture::planes::{Aim, planes};
use crate::plan::targets::{self, Target};
use crate::plan::{Plan, StagePlan, Values, cents};
use crate::series::Series;
use crate::whole_file::WholeFile;
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::path::PathBuf;
use std::time::Instant;
use tritank_dsp::board::BankKind;
use tritank_dsp::value::{self, Unit};

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
    /// How the lines choose: each adds its capacitor, or four of them pick one of sixteen
    #[arg(long, value_enum, default_value = "parallel", help_heading = "Parts")]
    kind: Kind,
    /// Preferred numbers (IEC 60063) that there are parts of
    #[arg(long, value_name = "E…", default_value = "E24", help_heading = "Parts")]
    series: Series,
    /// Smallest part
    #[arg(long, value_name = "FARADS", default_value = "1n", help_heading = "Parts")]
    from: String,
    /// Largest part
    #[arg(long, value_name = "FARADS", default_value = "1u", help_heading = "Parts")]
    to: String,
    /// Two parts at a multiplexer's position, in parallel or in series, where one alone is not as near
    #[arg(long, help_heading = "Parts")]
    pairs: bool,
    /// New board file to write: yours, with the planned capacitors
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    out: Option<PathBuf>,
    /// Picture to write (SVG, or PNG by its name): targets, plan and every pair of codes on the planes of F1, F2 and F2, F3
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    picture: Option<PathBuf>,
    /// The plan for programs
    #[arg(long, help_heading = "Output")]
    json: bool,
    #[command(flatten)]
    spread: spread::SpreadOptions,
}

const LONG: &str = "\
Every bank of the given values is ruled out or reckoned on the whole circuit: coil loss, on-resistance of the switches, driver,
follower and C12 (with the neighbour under code 0) are in the peaks. The measure is the target that is farthest off; where
a stage is proved, no bank of these values has a smaller one. A few targets have too many near banks for a proof.

--targets FILE has a header and a row for each target: name,group,f1_hz,f2_hz,f3_hz; group may be left out.

JSON:
  kind, seconds
  stages   fixed and bank (farads), worst_percent, worst_cents, bound_percent (what no bank can beat; 0 without a proof), proved,
           peaks (code, hz, q, gain)
  codes    vowel, group, code (one a stage), target and planned (hertz), cents, percent, q";

const EXAMPLES: &str = "
Example: a board for the vowels of men and women, from E24 parts
  tritank plan --board mine.toml --out planned.toml --picture planned.svg
Example: how many of ten thousand such boards keep each vowel, with capacitors of 2 %
  tritank plan --board mine.toml --units 10000 --tolerance 2";

fn long() -> String {
    [LONG, spread::LONG_JSON, "\n\n", spread::LONG, "\n", EXAMPLES].concat()
}

/// Kinds of bank.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Kind {
    /// Each line adds its capacitor
    Parallel,
    /// A multiplexer picks one of sixteen
    Select,
}

/// A worst target that is farther off than this a listener takes for another vowel, percent: what one speaker's own repeats differ
/// by in F1 (Peterson and Barney 1952, median).
const ANOTHER_PERCENT: f64 = 5.0;

impl PlanCommand {
    /// Prints the plan and writes the board.
    ///
    /// # Errors
    /// A broken board, target or part range, a coil that cannot reach a target, or a file that cannot be written.
    pub fn run(&self) -> Result<(), Fault> {
        let began = Instant::now();
        let patch = self.unit.choice().unit()?;
        let targets = match &self.targets {
            Some(file) => targets::read(file)?,
            None => targets::of_groups(&self.groups)?,
        };
        let values = self.values()?;
        let asked = self.spread.asked(self.series)?;
        if let Some(file) = self.out.as_deref().filter(|file| file.symlink_metadata().is_ok()) {
            return Err(Fault::in_file(file, "given a name that is taken, allowed is the name of a new file"));
        }
        let file = self.out.as_deref().map(WholeFile::create).transpose()?;
        let kind = match self.kind {
            Kind::Parallel => BankKind::Parallel,
            Kind::Select => BankKind::Select,
        };
        let plan = Plan::of(&patch.board, &patch.settings, kind, &targets, &values)?;
        let planned_seconds = began.elapsed().as_secs_f64();
        let built = asked.map(|asked| asked.build(&plan, &patch.settings, &targets)).transpose()?;
        if let Some(file) = file {
            file.write(plan.board.to_toml().as_bytes())?;
        }
        if let Some(file) = &self.picture {
            picture(&plan, &targets).write(file)?;
        }
        for (n, stage) in (1..).zip(&plan.stages).filter(|(_, stage)| percent(stage.worst) > ANOTHER_PERCENT) {
            let worst = percent(stage.worst);
            remark(&format!(
                "stage {n}: the farthest target is {worst:.1} % off; a finer series or --kind select comes nearer"
            ));
        }
        if self.json {
            let mut document = self.document(&plan, &targets, planned_seconds);
            document["spread"] = json!(built.map(|built| built.document()));
            say_json(&document)
        } else {
            let built = built.map(|built| built.words(&targets)).unwrap_or_default();
            say((table(&plan, &targets) + &built).as_bytes())
        }
    }

    fn values(&self) -> Result<Values, Fault> {
        let read = |name: &str, text: &str| {
            value::parse(text, Unit::Farad).map_err(|error| Fault::new(format!("{name} {text}: {error}")))
        };
        let (from, to) = (read("--from", &self.from)?, read("--to", &self.to)?);
        if !(1e-12..=1e-3).contains(&from) || !(from..=1e-3).contains(&to) {
            return Err(Fault::new(format!(
                "--from {}, --to {}: allowed is 1p to 1m, the smaller first",
                self.from, self.to
            )));
        }
        let single = self.series.values(from, to);
        let mut position = single.clone();
        if self.pairs {
            for (n, a) in single.iter().enumerate() {
                position.extend(single[n..].iter().flat_map(|b| [a + b, a * b / (a + b)]));
            }
        }
        Ok(Values { single, position })
    }

    fn document(&self, plan: &Plan, targets: &[Target], seconds: f64) -> Value {
        let stages: Vec<_> = plan.stages.iter().map(stage_document).collect();
        let codes: Vec<_> = rows(plan, targets).map(|row| row.document()).collect();
        let kind = if self.kind == Kind::Parallel { "parallel" } else { "select" };
        json!({ "board": plan.board.name, "kind": kind, "stages": stages, "codes": codes, "seconds": seconds })
    }
}

fn percent(cents: f64) -> f64 {
    100.0 * ((cents / 1200.0).exp2() - 1.0)
}

fn stage_document(stage: &StagePlan) -> Value {
    let peaks: Vec<_> = (0u8..)
        .zip(&stage.peaks)
        .map(|(code, peak)| json!({ "code": code, "hz": peak.frequency, "q": peak.q, "gain": peak.gain }))
        .collect();
    let worst = percent(stage.worst);
    json!({
        "fixed": stage.fixed, "bank": stage.bank, "worst_percent": worst, "worst_cents": stage.worst,
        "bound_percent": if stage.proved { worst } else { 0.0 }, "proved": stage.proved, "peaks": peaks,
    })
}

/// One target as planned.
struct Row<'a> {
    target: &'a Target,
    code: [u8; 3],
    planned: [f64; 3],
    q: [f64; 3],
}

fn rows<'a>(plan: &'a Plan, targets: &'a [Target]) -> impl Iterator<Item = Row<'a>> {
    targets.iter().enumerate().map(|(n, target)| {
        let code = plan.stages.each_ref().map(|stage| stage.codes[n]);
        let peak = |stage: usize| plan.stages[stage].peaks[usize::from(code[stage])];
        Row { target, code, planned: [0, 1, 2].map(|s| peak(s).frequency), q: [0, 1, 2].map(|s| peak(s).q) }
    })
}

impl Row<'_> {
    fn off(&self) -> [f64; 3] {
        std::array::from_fn(|stage| cents(self.target.hertz[stage], self.planned[stage]))
    }

    fn document(&self) -> Value {
        json!({
            "vowel": self.target.name, "group": self.target.group, "code": self.code, "target": self.target.hertz,
            "planned": self.planned, "cents": self.off(), "percent": self.off().map(percent), "q": self.q,
        })
    }
}

/// The plan on the planes of its formants.
fn picture(plan: &Plan, targets: &[Target]) -> Picture {
    let mut groups: Vec<String> = Vec::new();
    for target in targets {
        if !groups.contains(&target.group) {
            groups.push(target.group.clone());
        }
    }
    let aims: Vec<_> = rows(plan, targets)
        .map(|row| Aim {
            name: row.target.name.clone(),
            group: groups.iter().position(|group| *group == row.target.group).unwrap_or_default(),
            target: row.target.hertz,
            planned: row.planned,
        })
        .collect();
    let reach = plan.stages.each_ref().map(|stage| stage.peaks.iter().map(|peak| peak.frequency).collect());
    planes(&format!("{}: targets and plan", plan.board.name), &groups, &aims, &reach)
}

/// The plan for a person.
fn table(plan: &Plan, targets: &[Target]) -> String {
    let mut text = String::new();
    let farads = |farads: f64| value::write(farads, Unit::Farad);
    let _ = writeln!(text, "{}: planned banks", plan.board.name);
    for (n, stage) in (1..).zip(&plan.stages) {
        let bank: Vec<_> = stage.bank.iter().copied().map(farads).collect();
        let _ = writeln!(
            text,
            "stage {n}   fixed {}   bank {}   farthest target {:.2} %{}",
            farads(stage.fixed),
            bank.join(" "),
            percent(stage.worst),
            if stage.proved { ", no bank of these values is nearer" } else { ", not proved to be the nearest" }
        );
    }
    let _ = writeln!(text, "\nvowel  group     code          F1      F2      F3   off by (%)             Q");
    for row in rows(plan, targets) {
        let [a, b, c] = row.code;
        let [f1, f2, f3] = row.planned;
        let [x, y, z] = row.off().map(percent);
        let [q1, q2, q3] = row.q;
        let _ = writeln!(
            text,
            "{:<6} {:<9} {:<9} {f1:>7.1} {f2:>7.1} {f3:>7.1}  {x:>5.1} {y:>5.1} {z:>5.1}  {q1:>5.1} {q2:>5.1} {q3:>5.1}",
            row.target.name,
            row.target.group,
            format!("{a},{b},{c}"),
        );
    }
    text
}

//! `tritank plan`: from vowels and what can be soldered to a bank.

mod spread;

use super::coils::CoilOptions;
use super::{UnitOptions, remark, say, say_json};
use crate::fault::Fault;
use crate::picture::Picture;
use crate::picture::planes::{Aim, planes};
use crate::picture::vowels::{Vowel, vowels};
use crate::plan::reach::ANOTHER_PERCENT;
use crate::plan::stock::Stock;
use crate::plan::switches::{Spoiled, Switches};
use crate::plan::targets::{self, Target};
use crate::plan::{Asked, Plan, Values, cents};
use crate::response::frequencies;
use crate::series::Series;
use crate::whole_file::WholeFile;
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::time::Instant;
use tritank_dsp::board::BankKind;
use tritank_dsp::knobs::Settings;
use tritank_dsp::response::Response;
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
    #[command(flatten)]
    coils: CoilOptions,
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
Every bank of the given values is ruled out or reckoned on the whole circuit: coil loss, on-resistance of the switches, driver,
follower and C12 (with the neighbour under code 0) are in the peaks. The measure is the target that is farthest off; where
a stage is proved, no bank of these values has a smaller one. A few targets have too many near banks for a proof.

--targets FILE has a header and a row for each target: name,group,f1_hz,f2_hz,f3_hz; group may be left out.

--coils FILE has a header and a row for each kind of coil: name,inductance,resistance,q,q_hz,quantity; all but inductance may be
left out. A Q without a resistance is split, 0.4 of the loss in the wire and 0.6 in the core; with one, the core has the rest.
A coil without either is taken for the board's own wound to that inductance. Every coil is planned on every stage; of all ways
to share them out the one is taken whose farthest target is nearest, then the farthest of the other stages. With C12, each stage
is judged beside the board's own coils. --coil keeps a stage out of that.

--wiring is across every tank from the start: the written board's fixed capacitors hold it, the report names the part to solder.

JSON:
  kind, wiring (farads), seconds
  stages   coil (name, or null when not from a drawer; inductance, resistance, core), fixed to solder and bank (farads),
           worst_percent, worst_cents, bound_percent (what no bank can beat; 0 without a proof), proved,
           peaks (code, hz, q, bandwidth, gain), voice_bandwidth (hertz, of a man's formant: Bogert 1953),
           spoiled (null, or where closed switches cost 30 % of the Q and more: code, q, q_ideal, on, also (codes),
           on_within and inductance_within (what keeps the Q within 10 %, or null))
  codes    vowel, group, code (one a stage), target and planned (hertz), cents, percent, q, q_ideal (with ideal switches),
           bandwidth (hertz)";

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

/// Widths of the formants of male voices, hertz: B. P. Bogert, J. Acoust. Soc. Am. 25 (1953) 791–792, abstract.
const VOICE_BANDWIDTH_HZ: [f64; 3] = [130.0, 100.0, 185.0];
/// Most panes of a picture of responses, and points of each curve.
const MOST_PANES: usize = 120;
const POINTS: usize = 240;
/// How far its paper reaches beyond the targets, as a ratio.
const AROUND: f64 = 1.7;

/// A plan with everything that is said of it.
struct Told<'a> {
    plan: &'a Plan,
    targets: &'a [Target],
    switches: &'a Switches,
    /// Names of coils from a drawer, by stage.
    coils: &'a [Option<String>; 3],
}

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
        let wiring = self.coils.wiring()?;
        let drawer = self.coils.drawer()?;
        let built = self.spread.asked(self.series)?;
        self.refuse_names(targets.len())?;
        // Before the long work: a folder that cannot be written is refused now, and an end by the keyboard leaves nothing.
        self.outputs().try_for_each(|file| WholeFile::create(file).map(drop))?;
        let kind = match self.kind {
            Kind::Parallel => BankKind::Parallel,
            Kind::Select => BankKind::Select,
        };
        let asked = Asked { wiring, ..Asked::of(kind, &targets, &values) };
        let (chosen, coils) = self.coils.choose(&patch, asked, drawer.as_deref())?;
        let plan = Plan::of(&chosen.board, &patch.settings, asked)?;
        let switches = Switches::of(&plan, &patch.settings)?;
        let planned_seconds = began.elapsed().as_secs_f64();
        let built = built.map(|asked| asked.build(&plan, &patch.settings, &targets)).transpose()?;
        let told = Told { plan: &plan, targets: &targets, switches: &switches, coils: &coils };
        self.write(&told, &patch.settings)?;
        for (n, stage) in (1..).zip(&plan.stages).filter(|(_, stage)| percent(stage.worst) > ANOTHER_PERCENT) {
            let worst = percent(stage.worst);
            remark(&format!(
                "stage {n}: the farthest target is {worst:.1} % off; a finer series or --kind select comes nearer"
            ));
        }
        switches.spoiled.iter().for_each(|spoiled| remark(&spoiled.words()));
        if self.json {
            let mut document = self.document(&told, planned_seconds);
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
        let inputs = [unit.board.as_ref(), unit.patch.as_ref(), self.targets.as_ref(), self.coils.coils.as_ref()];
        let mut taken: Vec<_> = inputs.into_iter().flatten().map(|file| real(file)).collect();
        for file in self.outputs() {
            if taken.contains(&real(file)) {
                return Err(Fault::in_file(file, "given twice, allowed is a name of its own for each file"));
            }
            taken.push(real(file));
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
            files.push((WholeFile::create(file)?, picture(told.plan, told.targets).bytes(file)));
        }
        if let Some(file) = &self.responses {
            files.push((WholeFile::create(file)?, responses(told, settings)?.bytes(file)));
        }
        files.into_iter().try_for_each(|(file, bytes)| file.write(&bytes))
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
        Ok(Values::of(Stock::of(&self.series.values(from, to)), self.pairs))
    }

    fn document(&self, told: &Told<'_>, seconds: f64) -> Value {
        let stages: Vec<_> = (0..3).map(|stage| told.stage(stage)).collect();
        let codes: Vec<_> = told.rows().map(|row| row.document()).collect();
        let kind = if self.kind == Kind::Parallel { "parallel" } else { "select" };
        json!({
            "board": told.plan.board.name, "kind": kind, "wiring": told.plan.wiring, "stages": stages, "codes": codes,
            "seconds": seconds,
        })
    }
}

fn percent(cents: f64) -> f64 {
    100.0 * ((cents / 1200.0).exp2() - 1.0)
}

impl Told<'_> {
    fn stage(&self, stage: usize) -> Value {
        let (part, coil) = (&self.plan.stages[stage], self.plan.board.stages()[stage].coil);
        let peaks: Vec<_> = (0u8..)
            .zip(&part.peaks)
            .map(|(code, peak)| {
                let bandwidth = peak.frequency / peak.q;
                json!({ "code": code, "hz": peak.frequency, "q": peak.q, "bandwidth": bandwidth, "gain": peak.gain })
            })
            .collect();
        let worst = percent(part.worst);
        let spoiled = self.switches.spoiled.iter().find(|spoiled| spoiled.stage == stage).map(spoiled_document);
        json!({
            "coil": {
                "name": self.coils[stage], "inductance": coil.inductance, "resistance": coil.series, "core": coil.core,
            },
            "fixed": part.fixed, "bank": part.bank, "worst_percent": worst, "worst_cents": part.worst,
            "bound_percent": if part.proved { worst } else { 0.0 }, "proved": part.proved, "peaks": peaks,
            "voice_bandwidth": VOICE_BANDWIDTH_HZ[stage], "spoiled": spoiled,
        })
    }

    fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        rows(self.plan, self.targets).map(|mut row| {
            row.q_ideal = [0, 1, 2].map(|stage| self.switches.q_ideal[stage][usize::from(row.code[stage])]);
            row
        })
    }
}

fn spoiled_document(spoiled: &Spoiled) -> Value {
    json!({
        "code": spoiled.code, "q": spoiled.q, "q_ideal": spoiled.q_ideal, "on": spoiled.on, "also": spoiled.also,
        "on_within": spoiled.on_within, "inductance_within": spoiled.coil_within,
    })
}

/// One target as planned.
struct Row<'a> {
    target: &'a Target,
    code: [u8; 3],
    planned: [f64; 3],
    q: [f64; 3],
    /// With ideal switches.
    q_ideal: [f64; 3],
}

fn rows<'a>(plan: &'a Plan, targets: &'a [Target]) -> impl Iterator<Item = Row<'a>> {
    targets.iter().enumerate().map(|(n, target)| {
        let code = plan.stages.each_ref().map(|stage| stage.codes[n]);
        let peak = |stage: usize| plan.stages[stage].peaks[usize::from(code[stage])];
        let (planned, q) = ([0, 1, 2].map(|s| peak(s).frequency), [0, 1, 2].map(|s| peak(s).q));
        Row { target, code, planned, q, q_ideal: [f64::NAN; 3] }
    })
}

impl Row<'_> {
    fn off(&self) -> [f64; 3] {
        std::array::from_fn(|stage| cents(self.target.hertz[stage], self.planned[stage]))
    }

    /// Width at −3 dB, hertz.
    fn bandwidth(&self) -> [f64; 3] {
        std::array::from_fn(|stage| self.planned[stage] / self.q[stage])
    }

    fn document(&self) -> Value {
        json!({
            "vowel": self.target.name, "group": self.target.group, "code": self.code, "target": self.target.hertz,
            "planned": self.planned, "cents": self.off(), "percent": self.off().map(percent), "q": self.q,
            "q_ideal": self.q_ideal, "bandwidth": self.bandwidth(),
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

/// The stages under the codes of every target.
fn responses(told: &Told<'_>, settings: &Settings) -> Result<Picture, Fault> {
    let all = || told.targets.iter().flat_map(|target| target.hertz);
    let [low, high] = [all().fold(f64::INFINITY, f64::min) / AROUND, all().fold(0.0, f64::max) * AROUND];
    let hertz = frequencies(low, high, POINTS)?;
    let pane = |row: Row<'_>| {
        let response = Response::of(&told.plan.board, settings, row.code).map_err(Fault::new)?;
        let curve = |stage: usize| hertz.iter().map(|&hertz| (hertz, response.stage(stage, hertz))).collect();
        Ok(Vowel {
            name: row.target.name.clone(),
            group: row.target.group.clone(),
            codes: row.code,
            target: row.target.hertz,
            peaks: response.peaks().map(|peak| (peak.frequency, peak.gain)),
            curves: [0, 1, 2].map(curve),
        })
    };
    let panes = told.rows().map(pane).collect::<Result<Vec<_>, Fault>>()?;
    Ok(vowels(&format!("{}: the stages under every vowel's codes", told.plan.board.name), &panes))
}

/// The plan for a person.
fn table(told: &Told<'_>) -> String {
    let plan = told.plan;
    let mut text = String::new();
    let farads = |farads: f64| value::write(farads, Unit::Farad);
    let wiring = if plan.wiring > 0.0 { format!(" + {} wiring", farads(plan.wiring)) } else { String::new() };
    let _ = writeln!(text, "{}: planned banks", plan.board.name);
    for (n, stage) in (1..).zip(&plan.stages) {
        let coil = value::write(plan.board.stages()[n - 1].coil.inductance, Unit::Henry);
        let coil = match &told.coils[n - 1] {
            Some(name) if *name != coil => format!("{name} ({coil})"),
            _ => coil,
        };
        let bank: Vec<_> = stage.bank.iter().copied().map(farads).collect();
        let _ = writeln!(
            text,
            "stage {n}   coil {coil}   fixed {}{wiring}   bank {}   farthest target {:.2} %{}",
            farads(stage.fixed),
            bank.join(" "),
            percent(stage.worst),
            if stage.proved { ", no bank of these values is nearer" } else { ", not proved to be the nearest" }
        );
    }
    let _ = writeln!(
        text,
        "\nvowel  group     code          F1      F2      F3   off by (%)             Q                   width (Hz)"
    );
    for row in told.rows() {
        let [a, b, c] = row.code;
        let [f1, f2, f3] = row.planned;
        let [x, y, z] = row.off().map(percent);
        let [q1, q2, q3] = row.q;
        let [w1, w2, w3] = row.bandwidth();
        let _ = writeln!(
            text,
            "{:<6} {:<9} {:<9} {f1:>7.1} {f2:>7.1} {f3:>7.1}  {x:>5.1} {y:>5.1} {z:>5.1}  {q1:>5.1} {q2:>5.1} {q3:>5.1}  \
             {w1:>5.0} {w2:>5.0} {w3:>5.0}",
            row.target.name,
            row.target.group,
            format!("{a},{b},{c}"),
        );
    }
    let [w1, w2, w3] = VOICE_BANDWIDTH_HZ;
    let _ = writeln!(text, "\na man's formants are {w1:.0}, {w2:.0} and {w3:.0} Hz wide (Bogert 1953)");
    text
}

//! What is said of a plan: a table for a person, a document for programs, pictures.

use crate::fault::Fault;
use crate::picture::Picture;
use crate::picture::planes::{Aim, planes};
use crate::picture::vowels::{Vowel, vowels};
use crate::plan::aim::{self, Measure};
use crate::plan::stock::{Made, Place, Stock};
use crate::plan::switches::{Spoiled, Switches};
use crate::plan::targets::Target;
use crate::plan::vowels::VOICE_BANDWIDTH_HZ;
use crate::plan::{Asked, Plan, cents};
use crate::response::frequencies;
use serde_json::{Value, json};
use std::fmt::Write as _;
use tritank_dsp::knobs::Settings;
use tritank_dsp::response::Response;
use tritank_dsp::value::{self, Unit};

/// Most panes of a picture of responses, and points of each curve.
pub(super) const MOST_PANES: usize = 120;
const POINTS: usize = 240;
/// Characters of a row of a bank.
const COLUMNS: usize = 110;
/// How far its paper reaches beyond the targets, as a ratio.
const AROUND: f64 = 1.7;

/// A plan with everything that is said of it.
pub(super) struct Told<'a> {
    pub(super) asked: Asked<'a>,
    pub(super) plan: &'a Plan,
    pub(super) switches: &'a Switches,
    /// Names of coils from a drawer, by stage.
    pub(super) coils: &'a [Option<String>; 3],
}

pub(super) fn percent(cents: f64) -> f64 {
    100.0 * ((cents / 1200.0).exp2() - 1.0)
}

impl Told<'_> {
    /// The plan for programs.
    pub(super) fn document(&self, kind: &str, seconds: f64) -> Value {
        let stages: Vec<_> = (0..3).map(|stage| self.stage(stage)).collect();
        let codes: Vec<_> = self.rows().map(|row| row.document()).collect();
        json!({
            "board": self.plan.board.name, "kind": kind, "wiring": self.plan.wiring,
            "measure": if self.asked.measure == Measure::Rms { "rms" } else { "worst" }, "count": self.asked.unit.to_string(),
            "stages": stages, "codes": codes,
            "seconds": seconds,
        })
    }

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
        let bank: Vec<_> = part.found.bank.iter().map(|place| place_document(place, self.stock())).collect();
        let spoiled = self.switches.spoiled.iter().find(|spoiled| spoiled.stage == stage).map(spoiled_document);
        json!({
            "coil": {
                "name": self.coils[stage], "inductance": coil.inductance, "resistance": coil.series, "core": coil.core,
            },
            "fixed": part.fixed, "bank": part.bank, "worst_percent": worst, "worst_cents": part.worst,
            "bound_percent": self.in_percent().then(|| percent(part.found.bound)),
            "score": part.found.score, "bound": part.found.bound, "proved": part.proved,
            "parts": { "fixed": place_document(&part.found.fixed, self.stock()), "bank": bank }, "peaks": peaks,
            "voice_bandwidth": VOICE_BANDWIDTH_HZ[stage], "spoiled": spoiled,
        })
    }

    fn stock(&self) -> &Stock {
        &self.asked.values.stock
    }

    /// Whether a score is cents of the farthest target, which percent can say.
    fn in_percent(&self) -> bool {
        let plain = self.asked.targets.iter().all(|target| target.weight == 1.0);
        plain && self.asked.measure == Measure::Worst && self.asked.unit == aim::Unit::Cents
    }

    /// The score where percent does not say it already, and the bound beside it.
    fn measured(&self, stage: usize) -> String {
        let part = &self.plan.stages[stage];
        let (score, bound, unit) = (part.found.score, part.found.bound, self.asked.unit);
        let what = if self.asked.measure == Measure::Rms { "root mean square" } else { "weighed" };
        let score = if self.in_percent() { String::new() } else { format!(", {what} {score:.2} {unit}") };
        if part.found.parts().is_empty() {
            return format!("{score}, all of it kept");
        }
        let some = self.stock().parts.iter().any(|part| part.quantity.is_some());
        let of = if some { "no bank of what the other stages leave" } else { "no bank of these values" };
        let bound = if self.in_percent() { format!("{:.2} %", percent(bound)) } else { format!("{bound:.2}") };
        match (part.proved, part.found.bound > 0.0) {
            (true, _) => format!("{score}, proved: {of} comes below {bound}"),
            (false, true) => format!("{score}, not proved, but {of} comes below {bound}"),
            (false, false) => format!("{score}, not proved"),
        }
    }

    fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        rows(self.plan, self.asked.targets).map(|mut row| {
            row.q_ideal = [0, 1, 2].map(|stage| self.switches.q_ideal[stage][usize::from(row.code[stage])]);
            row
        })
    }
}

fn place_document(place: &Place, stock: &Stock) -> Value {
    let marked: Vec<f64> = place.parts().map(|part| stock.parts[part].marked).collect();
    let made = match place.made {
        Made::One(_) => "one",
        Made::Parallel(..) => "parallel",
        Made::Series(..) => "series",
        Made::Kept => "kept",
    };
    json!({ "farads": place.farads, "made": made, "marked": marked })
}

/// A place for a person: its parts as marked, and what a bridge read.
fn words(place: &Place, stock: &Stock) -> String {
    let part = |part: usize| {
        let part = stock.parts[part];
        let marked = value::write(part.marked, Unit::Farad);
        let read = value::write(rounded(part.farads), Unit::Farad);
        if part.farads == part.marked { marked } else { format!("{marked} (read {read})") }
    };
    match place.made {
        Made::One(a) => part(a),
        Made::Parallel(a, b) => format!("{} + {}", part(a), part(b)),
        Made::Series(a, b) => format!("{} in series with {}", part(a), part(b)),
        Made::Kept if place.farads == 0.0 => "nothing".to_owned(),
        Made::Kept => format!("{} (kept)", value::write(rounded(place.farads), Unit::Farad)),
    }
}

/// To four digits.
fn rounded(farads: f64) -> f64 {
    format!("{farads:.3e}").parse().unwrap_or(farads)
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
pub(super) fn picture(plan: &Plan, targets: &[Target]) -> Picture {
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
pub(super) fn responses(told: &Told<'_>, settings: &Settings) -> Result<Picture, Fault> {
    let all = || told.asked.targets.iter().flat_map(|target| target.hertz);
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
pub(super) fn table(told: &Told<'_>) -> String {
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
        let _ = writeln!(
            text,
            "stage {n}   coil {coil}   fixed {}{wiring}   farthest target {:.2} %{}",
            words(&stage.found.fixed, told.stock()),
            percent(stage.worst),
            told.measured(n - 1)
        );
        let bank: Vec<_> = stage.found.bank.iter().map(|place| words(place, told.stock())).collect();
        let wide = 6 + bank.iter().map(|word| word.chars().count()).max().unwrap_or_default();
        for (row, places) in bank.chunks((COLUMNS / wide).max(1)).enumerate() {
            let first = row * (COLUMNS / wide).max(1);
            let places = places.iter().enumerate().map(|(n, word)| format!("{:>2}  {word:<1$}", first + n, wide - 4));
            let _ = writeln!(text, "       {}", places.collect::<String>().trim_end());
        }
    }
    let _ = writeln!(
        text,
        "\nvowel  group     code          F1      F2      F3   off by (%)             Q                   width (Hz)"
    );
    for row in told.rows() {
        let [a, b, c] = row.code;
        let [f1, f2, f3] = row.planned;
        // Nothing is off by minus nothing.
        let [x, y, z] = row.off().map(percent).map(|percent| if percent.abs() < 0.05 { 0.0 } else { percent });
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

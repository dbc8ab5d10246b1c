//! `tritank plan --units`: what a plan is worth once it is built of real parts.

use crate::command::progress;
use crate::command::tolerances::ToleranceOptions;
use crate::fault::Fault;
use crate::plan::Plan;
use crate::plan::targets::Target;
use crate::series::Series;
use crate::spread::{self, Aim, Cause, Kept, Kind, MOST_UNITS, Spread, Tolerances, WITHIN};
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::time::Instant;
use tritank_dsp::knobs::Settings;

/// How many units, and how far their parts may be off.
#[derive(Clone, Debug, Default, clap::Args)]
#[command(next_help_heading = "Built of real parts")]
pub(super) struct SpreadOptions {
    /// Draws so many units of the plan, every part within its tolerance: how many keep each vowel, and which part is to blame
    #[arg(long, value_name = "N", allow_negative_numbers = true)]
    units: Option<String>,
    /// Which units: another seed draws others
    #[arg(long, value_name = "S", requires = "units")]
    seed: Option<u64>,
    #[command(flatten)]
    tolerances: ToleranceOptions,
}

pub(super) const LONG: &str = "\
--units N draws N units of the planned board: every part even within its tolerance and \
independent of the others (switches of one bank, and the follower's two transistors, are one \
draw), solves each as the whole circuit is solved, and counts the units whose peak lies within 5 \
% of the target, what one speaker's own repeats differ by in F1 (Peterson and Barney 1952). A \
part's share of the variance is its squared correlation with the logarithm of the peak; what \
would be kept were a part exact comes from the same units, solved again. The usual tolerances \
are common practice: resistor and coil 5 %, loss of coils 20 %, gain and saturation current of \
germanium transistors 50 %, on-resistance of switches 50 %, supply 10 %, temperature 10 K about \
the unit's; supply and temperature end where their knobs do.";

pub(super) const LONG_JSON: &str = "
  spread  with --units, else null: units, failed (no operating point), seed,
          seconds, tolerances (fractions by name; temperature in kelvin),
          percents (of the quantiles below), codes (as above: kept and
          kept_together, shares of the units), stages (codes: code, nominal_hz,
          peak_hz and q by percents; kept_mean over the targets, kept_every
          target; causes: part, kind, share of the variance; kept_were:
          kept_mean, were the first of them exact), kinds (those of 1 % and
          more: kind, shares by stage; kept_together_were: the mean of
          kept_together, were all of that kind exact), kept_together_mean,
          kept_throughout (every target on all three), nodes (node,
          nominal_volts, volts by percents)";

/// A lot that was asked for.
pub(super) struct Asked {
    units: usize,
    seed: u64,
    tolerances: Tolerances,
}

impl SpreadOptions {
    /// What was asked for; nothing without `--units`.
    pub(super) fn asked(&self, series: Series) -> Result<Option<Asked>, Fault> {
        let Some(units) = &self.units else {
            return match self.tolerances.given() {
                Some(option) => Err(Fault::new(format!("{option}: given without --units, allowed is with it"))),
                None => Ok(None),
            };
        };
        let refused =
            || Fault::new(format!("--units: given {units}, allowed is a whole number from 1 to {MOST_UNITS}"));
        let units = units.trim().parse().ok().filter(|units| (1..=MOST_UNITS).contains(units)).ok_or_else(refused)?;
        let tolerances = self.tolerances.of(Tolerances::of_series(series))?;
        Ok(Some(Asked { units, seed: self.seed.unwrap_or(1), tolerances }))
    }
}

/// A kind with a smaller share of the variance on every stage is not told.
const WORTH_SAYING: f64 = 0.01;

/// A lot, and what it makes of the plan.
pub(super) struct Built {
    spread: Spread,
    asked: Asked,
    kept: Kept,
    /// By stage, the one that matters most first.
    causes: [Vec<Cause>; 3],
    /// Share of the targets kept on each stage, were its first cause exact.
    kept_were: [f64; 3],
    /// By kind, the one that matters most first: shares by stage; share of the targets kept on all three, were it exact.
    kinds: Vec<(Kind, [f64; 3], f64)>,
    codes: Vec<[u8; 3]>,
    seconds: f64,
}

impl Asked {
    /// Draws and solves it.
    pub(super) fn build(self, plan: &Plan, settings: &Settings, targets: &[Target]) -> Result<Built, Fault> {
        let began = Instant::now();
        let codes = |n: usize| plan.stages.each_ref().map(|stage| stage.codes[n]);
        let aims: Vec<Aim> =
            targets.iter().enumerate().map(|(n, target)| Aim { hertz: target.hertz, codes: codes(n) }).collect();
        let bar = progress(self.units as u64);
        let done = |units: usize| bar.inc(units as u64);
        let spread = spread::of(&plan.board, settings, &self.tolerances, self.units, self.seed, &done)?;
        let kept = spread.kept(&aims);
        let causes = spread.causes(&aims);
        let shares = causes.each_ref().map(|causes| spread::by_kind(causes));
        let share =
            |kind: Kind| shares.each_ref().map(|all| all.iter().find(|one| one.0 == kind).map_or(0.0, |one| one.1));
        let mut kinds = Kind::ALL.map(|kind| (kind, share(kind), kept.mean_together())).to_vec();
        kinds.retain(|(_, shares, _)| shares.iter().any(|share| *share >= WORTH_SAYING));
        kinds.sort_by(|a, b| b.1.iter().sum::<f64>().total_cmp(&a.1.iter().sum()));

        // The same units again: without each stage's first cause, and without each kind.
        bar.inc_length(((3 + kinds.len()) * self.units) as u64);
        let mut kept_were = kept.mean();
        for (stage, most) in causes.iter().enumerate().filter_map(|(stage, causes)| Some((stage, causes.first()?))) {
            kept_were[stage] = spread.kept_were(&aims, &[stage], |part| *part == most.part, &done).mean()[stage];
        }
        for (kind, _, were) in &mut kinds {
            *were = spread.kept_were(&aims, &[0, 1, 2], |part| part.kind == *kind, &done).mean_together();
        }
        bar.finish_and_clear();
        let codes = aims.iter().map(|aim| aim.codes).collect();
        let seconds = began.elapsed().as_secs_f64();
        Ok(Built { spread, asked: self, kept, causes, kept_were, kinds, codes, seconds })
    }
}

impl Built {
    /// For programs.
    pub(super) fn document(&self) -> Value {
        let (spread, kept) = (&self.spread, &self.kept);
        let tolerances: serde_json::Map<String, Value> = Kind::ALL
            .into_iter()
            .map(|kind| (kind.word().to_owned(), json!(self.asked.tolerances.get(kind))))
            .collect();
        let codes: Vec<_> = kept
            .stages
            .iter()
            .zip(&kept.together)
            .map(|(kept, together)| json!({ "kept": kept, "kept_together": together }))
            .collect();
        let stages: Vec<_> = (0..3)
            .map(|n| {
                let codes: Vec<_> = (0..)
                    .zip(&spread.stages[n])
                    .map(|(code, told): (u8, _)| {
                        json!({ "code": code, "nominal_hz": told.nominal_hz, "peak_hz": told.peak_hz, "q": told.q })
                    })
                    .collect();
                let causes: Vec<_> = self.causes[n]
                    .iter()
                    .map(|cause| {
                        json!({ "part": cause.part.to_string(), "kind": cause.part.kind.word(), "share": cause.share })
                    })
                    .collect();
                json!({
                    "codes": codes, "kept_mean": kept.mean()[n], "kept_every": kept.every[n], "causes": causes,
                    "kept_were": self.kept_were[n],
                })
            })
            .collect();
        let kinds: Vec<_> = self
            .kinds
            .iter()
            .map(|(kind, shares, were)| json!({ "kind": kind.word(), "shares": shares, "kept_together_were": were }))
            .collect();
        let nodes: Vec<_> = spread
            .nodes
            .iter()
            .map(|told| json!({ "node": told.node, "nominal_volts": told.nominal_volts, "volts": told.volts }))
            .collect();
        json!({
            "units": spread.units, "failed": spread.failed, "seed": self.asked.seed, "seconds": self.seconds,
            "tolerances": tolerances, "percents": spread::PERCENTS, "codes": codes, "stages": stages, "kinds": kinds,
            "kept_together_mean": kept.mean_together(), "kept_throughout": kept.throughout, "nodes": nodes,
        })
    }

    /// For a person.
    pub(super) fn words(&self, targets: &[Target]) -> String {
        let (spread, kept) = (&self.spread, &self.kept);
        let mut text = String::new();
        let tolerances: Vec<_> =
            Kind::ALL.into_iter().map(|kind| written(kind, self.asked.tolerances.get(kind))).collect();
        let _ = writeln!(text, "\n{} units, seed {}: {}", spread.units, self.asked.seed, tolerances.join(", "));
        if spread.failed > 0 {
            let _ = writeln!(text, "{} of them find no operating point and keep nothing", spread.failed);
        }
        let _ = writeln!(
            text,
            "of a hundred, within {:.0} % of the target on each stage and on all three; peaks of nine units in ten\n\n\
             vowel  group        F1    F2    F3   all                F1                F2                F3",
            100.0 * WITHIN
        );
        for (n, target) in targets.iter().enumerate() {
            let _ = write!(text, "{:<6} {:<9}", target.name, target.group);
            hundreds(&mut text, kept.stages[n].into_iter().chain([kept.together[n]]));
            for stage in 0..3 {
                let [_, low, _, high, _] = spread.stages[stage][usize::from(self.codes[n][stage])].peak_hz;
                let _ = write!(text, "   {low:>6.1}–{high:<6.1}");
            }
            text.push('\n');
        }
        let _ = write!(text, "{:<16}", "mean");
        hundreds(&mut text, kept.mean().into_iter().chain([kept.mean_together()]));
        let _ = write!(text, "\n{:<16}", "every target");
        hundreds(&mut text, kept.every.into_iter().chain([kept.throughout]));
        text.push_str("\n\n");
        for stage in 0..3 {
            let (mean, were) = (100.0 * kept.mean()[stage], 100.0 * self.kept_were[stage]);
            if let Some(most) = self.causes[stage].first() {
                let _ = writeln!(
                    text,
                    "F{}: {} matters most, {:.0} % of the variance; were it exact, {were:.1} of a hundred, not {mean:.1}",
                    stage + 1,
                    most.part,
                    100.0 * most.share
                );
            }
        }
        for (kind, shares, were) in &self.kinds {
            let [a, b, c] = shares.map(|share| 100.0 * share);
            let _ = writeln!(
                text,
                "{:<12} {a:>3.0} {b:>3.0} {c:>3.0} % of the variance; were all exact, {:.1} of a hundred on all three, not {:.1}",
                kind.word(),
                100.0 * were,
                100.0 * kept.mean_together()
            );
        }
        text
    }
}

/// Shares as so many of a hundred.
fn hundreds(text: &mut String, shares: impl Iterator<Item = f64>) {
    shares.for_each(|share| {
        let _ = write!(text, " {:>5.1}", 100.0 * share);
    });
}

/// A tolerance as it is given.
fn written(kind: Kind, tolerance: f64) -> String {
    let (whole, mark) = if kind == Kind::Temperature { (1.0, "K") } else { (100.0, "%") };
    // Three places: 0.1 is not 10.000000000000002 %.
    let number = (1000.0 * whole * tolerance).round() / 1000.0;
    format!("{} {number} {mark}", kind.word())
}

//! Every check of the project, one after the other, and a plain summary at the end.
//!
//! ```text
//!   Rust tests ─► doc tests ─► player, as built ─► release plugin ─► Python: reference solutions, hosts ─► guard ─► summary
//! ```
//! A check that fails does not stop the others, but the command fails. A check that this machine cannot run is
//! skipped, and says why.

use crate::bundle::{self, Bundle};
use crate::guard;
use crate::house::House;
use crate::python::{self, Python};
use crate::setup::{self, Library};
use anyhow::{Result, bail};
use std::path::Path;
use std::process::Command;

/// How one check went.
pub(crate) enum Outcome {
    Passed,
    Failed,
    /// And why.
    Skipped(String),
}

struct Line {
    check: &'static str,
    outcome: Outcome,
}

/// `cargo xtask test`.
pub(crate) fn run(house: &House) -> Result<()> {
    let mut lines = vec![rust_tests(house), doc_tests(house)];
    lines.extend(player(house));
    let bundle = bundle::build(house, &[])?;
    lines.extend(outside(house, &bundle)?);
    lines.push(instructions(house));
    summary(&lines)
}

/// With the parallel runner where it is installed, else with Cargo's own.
fn rust_tests(house: &House) -> Line {
    let command = if has_nextest(house) {
        house.cargo("nextest").args(["run", "--workspace", "--no-fail-fast"])
    } else {
        // Not `--all-targets`: that would play the benches as well.
        house.cargo("test").args(["--workspace", "--lib", "--bins", "--tests", "--examples", "--no-fail-fast"])
    };
    Line { check: "Rust tests", outcome: outcome(command.run().is_ok()) }
}

fn has_nextest(house: &House) -> bool {
    house.cargo("nextest").arg("--version").quiet().ignore_stdout().ignore_stderr().run().is_ok()
}

/// The player as built, through the sound systems that this machine has the development files of. The whole workspace is asked
/// for, so that all that the other tests have built is taken as it is.
fn player(house: &House) -> [Line; 2] {
    const ALSA: &str = "player as built, through ALSA";
    const JACK: &str = "player as built, through JACK";
    let why_no_jack = if !Library::Jack.is_here() {
        Some(Library::Jack.missing())
    } else if !setup::answers("jackd", &["--version"]) {
        Some("there is no jackd on the path".to_owned())
    } else {
        None
    };
    let skipped = |check, why| Line { check, outcome: Outcome::Skipped(why) };
    if !Library::Alsa.is_here() {
        return [skipped(ALSA, Library::Alsa.missing()), skipped(JACK, Library::Alsa.missing())];
    }
    let feature = if why_no_jack.is_none() { "tritank-player/jack" } else { "tritank-player/standalone" };
    let test = |check, name| {
        let command = if has_nextest(house) {
            house.cargo("nextest").args(["run", "--no-fail-fast"])
        } else {
            house.cargo("test").arg("--no-fail-fast")
        };
        let command =
            command.args(["--workspace", "--features", feature, "--bin", "tritank-standalone", "--test", name]);
        Line { check, outcome: outcome(command.run().is_ok()) }
    };
    [test(ALSA, "alsa"), why_no_jack.map_or_else(|| test(JACK, "jack"), |why| skipped(JACK, why))]
}

fn doc_tests(house: &House) -> Line {
    let passed = house.cargo("test").args(["--workspace", "--doc", "--no-fail-fast"]).run().is_ok();
    Line { check: "examples in the documentation", outcome: outcome(passed) }
}

/// The checks against the world outside Rust: a general solver's waveforms, and two hosts with the built VST3.
fn outside(house: &House, bundle: &Bundle) -> Result<Vec<Line>> {
    const REFERENCE: &str = "reference solutions (Python)";
    const HOSTS: &str = "built VST3 in hosts (Python)";
    let python = match python::set_up(house)? {
        Python::Ready(python) => python,
        Python::Missing(why) => {
            let skipped = |check| Line { check, outcome: Outcome::Skipped(why.clone()) };
            return Ok(vec![skipped(REFERENCE), skipped(HOSTS)]);
        }
    };
    let reference = pytest(house, bundle, &python, "tests/reference")?;
    let hosts = match ["pedalboard", "dawdreamer"].into_iter().try_for_each(|host| python::loads(&python, host)) {
        Ok(()) => pytest(house, bundle, &python, "tests/hosts")?,
        Err(why) => Outcome::Skipped(format!("a host cannot be loaded here ({why})")),
    };
    Ok(vec![Line { check: REFERENCE, outcome: reference }, Line { check: HOSTS, outcome: hosts }])
}

fn instructions(house: &House) -> Line {
    let outcome = guard::run(house, false).unwrap_or_else(|error| {
        eprintln!("guard: {error:#}");
        Outcome::Failed
    });
    Line { check: "instructions a frame (valgrind)", outcome }
}

fn pytest(house: &House, bundle: &Bundle, python: &Path, folder: &str) -> Result<Outcome> {
    println!("$ pytest {folder}");
    let status = Command::new(python)
        .args(["-m", "pytest", "-q", "-p", "no:cacheprovider", folder])
        .current_dir(house.root())
        .env("PYTHONDONTWRITEBYTECODE", "1")
        .env("TRITANK_BENCH", bundle.bench()?)
        .env("TRITANK_VST3", &bundle.vst3)
        .env("TRITANK_PRESETS", &bundle.presets)
        .status()?;
    Ok(outcome(status.success()))
}

fn outcome(passed: bool) -> Outcome {
    if passed { Outcome::Passed } else { Outcome::Failed }
}

fn summary(lines: &[Line]) -> Result<()> {
    println!();
    for Line { check, outcome } in lines {
        match outcome {
            Outcome::Passed => println!("{check:32} passed"),
            Outcome::Failed => println!("{check:32} FAILED, see above"),
            Outcome::Skipped(why) => println!("{check:32} skipped: {why}"),
        }
    }
    let failed = lines.iter().filter(|line| matches!(line.outcome, Outcome::Failed)).count();
    if failed > 0 {
        bail!("{failed} of {} checks failed", lines.len());
    }
    Ok(())
}

/// `cargo xtask reference`, its first half: the reference solutions, made anew.
pub(crate) fn reference(house: &House) -> Result<()> {
    let bundle = bundle::build(house, &[])?;
    let python = match python::set_up(house)? {
        Python::Ready(python) => python,
        Python::Missing(why) => bail!("the reference solutions need Python: {why}"),
    };
    let status = Command::new(python)
        .arg("tests/reference/make.py")
        .current_dir(house.root())
        .env("TRITANK_BENCH", bundle.bench()?)
        .status()?;
    if status.success() { Ok(()) } else { bail!("the reference solutions were not made, see above") }
}

/// Its second half: the engine's errors against the solutions that stand, in release because there are many.
pub(crate) fn table(house: &House) -> Result<()> {
    let test = ["--test", "reference_waveforms", "every_waveform", "--", "--nocapture"];
    house.cargo("test").args(["--release", "-p", "tritank-tests"]).args(test).run().map_err(Into::into)
}

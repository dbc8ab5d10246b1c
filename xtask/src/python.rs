//! A Python of the project's own, under `target/venv`, with the pinned packages of `tests/requirements.txt`.
//!
//! A machine without Python, or one that reaches no package registry, still runs the Rust tests; what it could not
//! do is said in a plain line.

use crate::house::House;
use anyhow::Result;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Either the interpreter that is ready, or why there is none.
pub(crate) enum Python {
    /// The interpreter in the virtual environment.
    Ready(PathBuf),
    /// One line: what is missing.
    Missing(String),
}

const PINS: &str = "tests/requirements.txt";
/// Packages that are taken without those that they ask for: the checks need none of them.
const ALONE: &str = "tests/requirements-alone.txt";

/// The oldest Python for which the pinned packages exist.
const OLDEST: (u32, u32) = (3, 11);

/// Makes the environment, or takes the one that stands if its pins are still the same.
pub(crate) fn set_up(house: &House) -> Result<Python> {
    let pins = house.root().join(PINS);
    let venv = house.target().join("venv");
    let inside = venv.join(if cfg!(windows) { "Scripts/python.exe" } else { "bin/python" });
    let stamp = venv.join("installed.txt");
    let alone = house.root().join(ALONE);
    let wanted = house.shell().read_file(&pins)? + &house.shell().read_file(&alone)?;
    if inside.exists() && std::fs::read_to_string(&stamp).is_ok_and(|installed| installed == wanted) {
        return Ok(Python::Ready(inside));
    }
    let Some(system) = ["python3", "python"].into_iter().find(|name| is_recent(name)) else {
        return Ok(Python::Missing(format!("no python3 of {}.{} or newer on the path", OLDEST.0, OLDEST.1)));
    };
    println!("Python: setting up {}", venv.display());
    // `--clear`: half an environment, left by an interrupted run, is of no use.
    if let Err(why) = step(Command::new(system).args(["-m", "venv", "--clear"]).arg(&venv)) {
        return Ok(Python::Missing(format!("python3 cannot make a virtual environment ({why})")));
    }
    if let Err(why) = step(Command::new(&inside).args(PIP).arg("--requirement").arg(&pins)) {
        return Ok(Python::Missing(format!("the packages of {PINS} cannot be installed ({why})")));
    }
    if let Err(why) = step(Command::new(&inside).args(PIP).arg("--no-deps").arg("--requirement").arg(&alone)) {
        return Ok(Python::Missing(format!("the packages of {ALONE} cannot be installed ({why})")));
    }
    std::fs::write(&stamp, wanted)?;
    Ok(Python::Ready(inside))
}

/// Ready-made packages only: building one would need compilers that nobody promised.
const PIP: [&str; 8] = [
    "-m",
    "pip",
    "install",
    "--quiet",
    "--disable-pip-version-check",
    "--only-binary=:all:",
    "--retries=1",
    "--timeout=20",
];

fn is_recent(name: &str) -> bool {
    let ask = format!("import sys; sys.exit(sys.version_info < ({}, {}))", OLDEST.0, OLDEST.1);
    Command::new(name).args(["-c", &ask]).output().is_ok_and(|output| output.status.success())
}

/// Runs one step of the set-up; when it fails, the last line that it said.
fn step(command: &mut Command) -> Result<(), String> {
    match command.output() {
        Ok(output) if output.status.success() => Ok(()),
        Ok(output) => Err(last_line(&output)),
        Err(error) => Err(error.to_string()),
    }
}

fn last_line(output: &Output) -> String {
    let said = [&output.stderr, &output.stdout].map(|bytes| String::from_utf8_lossy(bytes).into_owned());
    let line = said.iter().flat_map(|text| text.lines().rev()).map(str::trim).find(|line| !line.is_empty());
    line.map_or_else(|| output.status.to_string(), str::to_owned)
}

/// Whether a module can be loaded here: a ready-made package may want a system library that this machine lacks.
pub(crate) fn loads(python: &Path, module: &str) -> Result<(), String> {
    step(Command::new(python).args(["-c", &format!("import {module}")]))
}

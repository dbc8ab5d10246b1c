//! A guard against slips in speed that looks at no clock: the instructions that a host frame takes, scene by scene.
//!
//! ```text
//!   (instructions of 2N frames − of N frames) / N ─► beside xtask/bench/counts.toml ─► none more than 10 % above?
//! ```
//! Set-up drops out of the difference, and a count is the same however busy the machine is. On a processor with AVX2 and FMA the
//! solver is counted twice, on their path and on that of every processor; each path has a record of its own.

use crate::checks::Outcome;
use crate::house::House;
use anyhow::{Context, Result, ensure};
use std::collections::BTreeMap;
use std::env;
use toml::{Table, Value};

const RECORD: &str = "xtask/bench/counts.toml";
const HEAD: &str = "# Instructions a host frame, by the solver's path: written by `cargo xtask guard --record`.\n\n";
/// N.
const FRAMES: i64 = 12_000;
/// A scene may take so many times what is recorded.
const MOST: f64 = 1.1;
/// Cargo runs the scenes under it. Only instructions are counted, no cache is imitated.
const RUNNER: &str = "target.'cfg(all())'.runner = \
    ['valgrind', '--tool=cachegrind', '--cache-sim=no', '--cachegrind-out-file=/dev/null']";

/// Counts every scene and holds it against the record, or writes the record anew.
pub(crate) fn run(house: &House, record: bool) -> Result<Outcome> {
    let shell = house.shell();
    if shell.cmd("valgrind").arg("--version").quiet().ignore_stdout().ignore_stderr().run().is_err() {
        let why = "no valgrind on the path; a Linux system's package manager installs it under that name";
        return Ok(Outcome::Skipped(why.to_owned()));
    }
    let scenes = house.cargo("bench").args(["-p", "xtask", "--bench", "count"]).read()?;
    let mut paths = BTreeMap::new();
    for instructions in ["widest", "common"] {
        let (mut path, mut counts) = (String::new(), Table::new());
        for scene in scenes.lines() {
            let [short, long] = [FRAMES, 2 * FRAMES].map(|frames| count(house, scene, frames, instructions));
            let (short, long) = (short?, long?);
            counts.insert(scene.to_owned(), Value::Integer((long.instructions - short.instructions) / FRAMES));
            path = long.path;
            if paths.contains_key(&path) {
                break;
            }
        }
        paths.entry(path).or_insert(counts);
    }
    let mut records: Table = shell.read_file(RECORD).unwrap_or_default().parse().context(RECORD)?;
    if record {
        let rustc =
            shell.cmd(env::var_os("RUSTC").unwrap_or_else(|| "rustc".into())).arg("--version").quiet().read()?;
        let date = shell.cmd("date").args(["-u", "+%F"]).quiet().read()?;
        for (path, counts) in &paths {
            let entry = Table::from_iter([
                ("date".to_owned(), Value::String(date.clone())),
                ("rustc".to_owned(), Value::String(rustc.clone())),
                ("instructions".to_owned(), Value::Table(counts.clone())),
            ]);
            records.insert(path.clone(), Value::Table(entry));
        }
        shell.write_file(RECORD, format!("{HEAD}{records}"))?;
    }
    let held = paths.iter().map(|(path, counts)| match records.get(path) {
        Some(recorded) => compare(path, counts, recorded),
        None => Outcome::Skipped(format!(
            "nothing is recorded for a processor of the kind {path}: cargo xtask guard --record"
        )),
    });
    // The worst of them: one that failed before one that was left out.
    let weight = |outcome: &Outcome| match outcome {
        Outcome::Passed => 0,
        Outcome::Skipped(_) => 1,
        Outcome::Failed => 2,
    };
    Ok(held.max_by_key(weight).unwrap_or(Outcome::Passed))
}

/// The table, and whether no scene is too far above what is recorded.
fn compare(path: &str, counts: &Table, recorded: &Value) -> Outcome {
    let word = |key: &str| recorded.get(key).and_then(Value::as_str).unwrap_or("?");
    println!("Instructions a frame, {path}; recorded on {} with {}", word("date"), word("rustc"));
    println!();
    println!("{:44} {:>8} {:>9}", "", "now", "recorded");
    let mut outcome = Outcome::Passed;
    for (scene, count) in counts {
        let [now, then] = [Some(count), recorded.get("instructions").and_then(|counts| counts.get(scene))]
            .map(|count| count.and_then(Value::as_integer).map_or(f64::NAN, |count| count as f64));
        // A scene that is not recorded is not held.
        let holds = now <= MOST * then;
        let said = if holds { "" } else { "  TOO MANY" };
        println!("{scene:44} {now:8} {then:9} {:+6.1} %{said}", 100.0 * (now / then - 1.0));
        if !holds {
            outcome = Outcome::Failed;
        }
    }
    outcome
}

/// One run under the counter.
struct Count {
    path: String,
    instructions: i64,
}

fn count(house: &House, scene: &str, frames: i64, path: &str) -> Result<Count> {
    let run = house.cargo("bench").args(["--config", RUNNER, "-p", "xtask", "--bench", "count", "--", scene]);
    let output = run.args([&frames.to_string(), path]).quiet().ignore_status().output()?;
    let said = String::from_utf8_lossy(&output.stderr);
    ensure!(output.status.success(), "{scene} under valgrind: {said}");
    Ok(Count {
        path: String::from_utf8_lossy(&output.stdout).trim().to_owned(),
        instructions: instructions(&said).with_context(|| format!("no count in what valgrind said: {said}"))?,
    })
}

/// From `==25510== I refs:  84,609,515`.
fn instructions(said: &str) -> Option<i64> {
    let (_, number) = said.lines().find_map(|line| line.split_once("refs:"))?;
    number.trim().replace(',', "").parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_count_is_found_as_older_and_newer_counters_say_it() {
        assert_eq!(instructions("==1== Command: x\n==1== I   refs:      84,609,515\n"), Some(84_609_515));
        assert_eq!(instructions("==1== I refs:        301\n"), Some(301));
        assert_eq!(instructions("==1== Command: x\n"), None);
    }

    #[test]
    fn a_tenth_more_is_allowed_and_no_more_and_what_is_not_recorded_does_not_pass() {
        let recorded = "instructions = { chord = 1000 }".parse::<Table>().map(Value::Table).unwrap();
        let outcome = |counts: &str| compare("any", &counts.parse().unwrap(), &recorded);
        assert!(matches!(outcome("chord = 1100"), Outcome::Passed));
        assert!(matches!(outcome("chord = 1101"), Outcome::Failed));
        assert!(matches!(outcome("chord = 900\nquartet = 1"), Outcome::Failed));
    }
}

//! `tritank`, the bench program.

use clap::Parser as _;
use std::io::Write as _;
use std::process::ExitCode;
use tritank_workbench::bench::{Bench, one_line, program};
use tritank_workbench::fault::EXIT_CODE;

fn main() -> ExitCode {
    match Bench::try_parse() {
        Ok(bench) => match bench.run() {
            Ok(()) => ExitCode::SUCCESS,
            Err(fault) => refuse(&fault.to_string()),
        },
        Err(error) if !error.use_stderr() => {
            // Help or version: what was asked for. A reader that has seen enough is no fault.
            let _ = error.print();
            ExitCode::SUCCESS
        }
        Err(error) => refuse(&one_line(&error, &program(std::env::args_os()))),
    }
}

fn refuse(line: &str) -> ExitCode {
    // Nobody reads standard error: the exit code says it still.
    let _ = writeln!(std::io::stderr(), "tritank: {line}");
    ExitCode::from(EXIT_CODE)
}

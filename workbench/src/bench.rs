//! The bench as a command line: which command, and a word of welcome without one.

use crate::command::board::BoardCommand;
use crate::command::circuit::CircuitCommand;
use crate::command::gates::GatesCommand;
use crate::command::keys::KeysCommand;
use crate::command::knobs::KnobsCommand;
use crate::command::patches::PatchesCommand;
use crate::command::plan::PlanCommand;
use crate::command::preset::PresetCommand;
use crate::command::render::RenderCommand;
use crate::command::response::ResponseCommand;
use crate::command::say;
use crate::command::sheet::SheetCommand;
use crate::command::tune::TuneCommand;
use crate::fault::Fault;
use std::ffi::OsString;

/// The bench of a three-tank formant voice: see, measure and hear a board before it is soldered
#[derive(Debug, clap::Parser)]
#[command(name = "tritank", version, max_term_width = 110, disable_help_subcommand = true)]
pub struct Bench {
    #[command(subcommand)]
    command: Option<Command>,
}

#[derive(Debug, clap::Subcommand)]
enum Command {
    Board(BoardCommand),
    Plan(PlanCommand),
    Keys(KeysCommand),
    Response(ResponseCommand),
    Render(RenderCommand),
    Gates(GatesCommand),
    Knobs(KnobsCommand),
    Patches(PatchesCommand),
    Preset(PresetCommand),
    Circuit(CircuitCommand),
    Sheet(SheetCommand),
    Tune(TuneCommand),
}

const WELCOME: &str = "\
tritank, the bench of a three-tank formant voice

  tritank board --write mine.toml
      a board to make your own of: every line is explained
  tritank plan --board mine.toml --out planned.toml
      capacitors that bring every vowel nearest
  tritank keys --plan plan.json --out vowels.toml
      the vowels of a plan on keys; plan.json is what plan --json printed
  tritank response --board mine.toml
      where each stage peaks, how sharp and how loud
  tritank response --board mine.toml --all --out codes.svg
      a picture of every code
  tritank render --board mine.toml --in1 organ.wav --out voice.wav
      sound through the unit, exactly as the plugin does it
  tritank render --keys song.mid --patch vowels.toml --out song.wav
      a MIDI file on the keys of a patch
  tritank knobs stage1
      what each knob does and takes; without a word, of all
  tritank patches
      settings to start from: what each is for, how to play it
  tritank patches --write riff.toml talking-riff
      one of them as a file of your own
  tritank preset --patch riff.toml --out Riff.vstpreset
      a patch for hosts of the VST3 plugin
  tritank gates --lines steps.csv --full-scale 10V --out gates.wav
      the lines of a score as voltages for a real unit
  tritank circuit --board mine.toml
      the circuit that is solved, for any outside solver
  tritank sheet --board mine.toml --out mine.html
      drawings, parts, wiring and readings to build from
  tritank tune --l 80m --f 2600
      the capacitor that a coil takes, and which parts make it

tritank COMMAND --help tells more, and what each command says with --json.
";

impl Bench {
    /// Does what was asked.
    ///
    /// # Errors
    /// One line for a person; see [`Fault`].
    pub fn run(&self) -> Result<(), Fault> {
        match &self.command {
            None => say(WELCOME.as_bytes()),
            Some(Command::Board(command)) => command.run(),
            Some(Command::Keys(command)) => command.run(),
            Some(Command::Knobs(command)) => command.run(),
            Some(Command::Plan(command)) => command.run(),
            Some(Command::Response(command)) => command.run(),
            Some(Command::Render(command)) => command.run(),
            Some(Command::Gates(command)) => command.run(),
            Some(Command::Patches(command)) => command.run(),
            Some(Command::Preset(command)) => command.run(),
            Some(Command::Circuit(command)) => command.run(),
            Some(Command::Sheet(command)) => command.run(),
            Some(Command::Tune(command)) => command.run(),
        }
    }
}

/// What the argument parser has to say of a program's arguments, in one line; `program` with its command, where it has one.
pub fn one_line(error: &clap::Error, program: &str) -> String {
    let text = error.to_string();
    let told = text.lines().take_while(|line| !line.starts_with("Usage:") && !line.starts_with("For more information"));
    let line: Vec<_> = told.flat_map(str::split_whitespace).collect();
    let line = line.join(" ");
    let mut line = with_what_is_allowed(line.strip_prefix("error: ").unwrap_or(&line));
    let behind_minus = line.split_once("unexpected argument '-").and_then(|(_, name)| name.chars().next());
    if behind_minus.is_some_and(|first| first.is_ascii_digit()) {
        line.push_str("; a value with a minus stands behind an equals sign, as --NAME=-1");
    }
    format!("{line} ({program} --help tells more)")
}

/// The parser speaks of digits and types.
fn with_what_is_allowed(told: &str) -> String {
    let mut told = told.to_owned();
    for (theirs, ours) in [
        ("invalid float literal", "allowed is a number"),
        ("invalid digit found in string", "allowed is a whole number"),
        ("cannot parse integer from empty string", "allowed is a whole number"),
        ("cannot parse float from empty string", "allowed is a number"),
        ("number too large to fit in target type", "allowed is a smaller number"),
    ] {
        told = told.replace(theirs, ours);
    }
    // "…: 5 is not in 8000..=768000"
    let range = told.split_once(" is not in ").and_then(|(told, range)| {
        let (told, _) = told.rsplit_once(' ')?;
        let (low, high) = range.split_once("..=")?;
        Some(format!("{told} allowed is {low} to {high}"))
    });
    range.unwrap_or(told)
}

/// The command that a command line names: "tritank render", or "tritank" where it names none.
pub fn program(arguments: impl Iterator<Item = OsString>) -> String {
    let known = <Bench as clap::CommandFactory>::command();
    let named =
        arguments.skip(1).find_map(|word| known.find_subcommand(word).map(|command| command.get_name().to_owned()));
    named.map_or_else(|| "tritank".to_owned(), |command| format!("tritank {command}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::{CommandFactory as _, Parser as _};

    #[test]
    fn the_command_line_is_sound_and_every_command_shows_an_example_and_its_json() {
        let mut bench = Bench::command();
        bench.build();
        bench.clone().debug_assert();
        for command in bench.get_subcommands_mut() {
            assert!(command.render_help().to_string().contains("Example"), "{}", command.get_name());
            let long = command.render_long_help().to_string();
            assert!(long.contains("Example") && long.contains("JSON"), "{}", command.get_name());
        }
    }

    /// On a terminal of 80 columns nothing runs over, and nothing that is set in columns or is to be typed gets broken.
    #[test]
    fn every_help_page_fits_into_80_columns() {
        const COLUMNS: usize = 80;
        let fits = |line: &str| line.chars().count() <= COLUMNS;
        let mut bench = Bench::command();
        bench.build();
        for command in bench.get_subcommands().chain([&bench]) {
            let mut page = command.clone().term_width(COLUMNS);
            for text in [page.render_help().to_string(), page.render_long_help().to_string()] {
                assert!(text.contains("Usage: tritank"), "{text}");
                text.lines().for_each(|line| assert!(fits(line), "{}: {line}", command.get_name()));
            }
            for text in [command.get_after_help(), command.get_after_long_help()].into_iter().flatten() {
                let text = text.to_string();
                let set = text.lines().filter(|line| line.starts_with("  ") || line.starts_with("Example"));
                set.for_each(|line| assert!(fits(line), "{}: {line}", command.get_name()));
            }
        }
        assert!(WELCOME.lines().all(|line| line.chars().count() <= COLUMNS), "{WELCOME}");
    }

    #[test]
    fn every_command_that_pulls_lines_says_by_which_formula() {
        let mut bench = Bench::command();
        bench.build();
        for name in ["gates", "keys", "render"] {
            let help = bench.find_subcommand_mut(name).unwrap().render_long_help().to_string();
            assert!(help.contains("line = switch XOR keys XOR pattern XOR gate"), "{name}");
        }
    }

    #[test]
    fn a_refusal_of_the_parser_is_one_line_with_what_is_allowed() {
        for (line, says) in [
            ("render", "--out"),
            ("render --out a.wav --quality 3", "[possible values: 1, 2, 4, 8, 16]"),
            ("render --out a.wav --rate 10", "'--rate <HZ>': allowed is 8000 to 768000 (tritank render --help"),
            ("render --out a.wav --rate 44.1k", "'--rate <HZ>': allowed is a whole number"),
            ("render --out a.wav --seconds -1", "as --NAME=-1 (tritank render --help tells more)"),
            ("render --out a.wav --seconds long", "allowed is a number"),
            ("keys --plan a --out b --first 128", "allowed is 0 to 127"),
            ("circuit --code 16,0,0", "allowed is a whole number from 0 to 15"),
            ("sing", "unrecognized"),
            ("board --bord x", "--board"),
        ] {
            let words = || std::iter::once("tritank").chain(line.split(' '));
            let error = Bench::try_parse_from(words()).unwrap_err();
            let told = one_line(&error, &program(words().map(OsString::from)));
            assert!(!told.contains('\n') && told.contains(says), "{told}");
        }
    }
}

//! `tritank knobs`: every knob and switch, and what it takes.

use super::{say, say_json};
use crate::fault::Fault;
use serde_json::{Value, json};
use std::fmt::Write as _;
use tritank_dsp::knobs::{Kind, Knob};
use tritank_dsp::value::Unit;

/// Lists every knob and switch: what it does, what it allows, where a new unit has it
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: the knobs of stage 1
  tritank knobs stage1", after_long_help = LONG)]
pub struct KnobsCommand {
    /// How a knob's name begins, or a word that names or explains it; without one, all are listed
    #[arg(value_name = "WORD")]
    word: Option<String>,
    /// As JSON
    #[arg(long)]
    json: bool,
}

const LONG: &str = "\
The names are those of --set, of a patch's [knobs], where they stand in quotes, and of a host's \
parameters. A value goes to --set as text; a number has its unit or none, and a prefix where the \
unit takes one. A WORD that begins no name is looked for in names and explanations.
The list says what each allows, where a new unit has it, and other texts such as are read.

JSON: a list; for each knob
  id, name       as in --set; as a host shows it
  does           a sentence
  allowed        in words
  unit           its symbol; null where there is none
  low, high      in that unit; null for a switch and for words
  default        as text, on a new unit
  texts          such as are read: of words all, of a number one in each way

Example: the knobs of stage 1
  tritank knobs stage1
Example: whatever has to do with pitch
  tritank knobs pitch";

impl KnobsCommand {
    /// Lists them.
    ///
    /// # Errors
    /// A word that no knob has.
    pub fn run(&self) -> Result<(), Fault> {
        let knobs = self.chosen()?;
        if self.json {
            return say_json(&knobs.into_iter().map(facts).collect::<Vec<_>>());
        }
        say(table(&knobs).as_bytes())
    }

    fn chosen(&self) -> Result<Vec<Knob>, Fault> {
        let Some(word) = &self.word else { return Ok(Knob::ALL.to_vec()) };
        let word = word.to_lowercase();
        let begin = |knob: &Knob| knob.id().starts_with(&word);
        let name = |knob: &Knob| {
            [knob.id(), &knob.full_name(), knob.what()].iter().any(|text| text.to_lowercase().contains(&word))
        };
        let of = |is: &dyn Fn(&Knob) -> bool| Knob::ALL.iter().copied().filter(is).collect::<Vec<_>>();
        let found = if Knob::ALL.iter().any(begin) { of(&begin) } else { of(&name) };
        if found.is_empty() {
            let groups = Knob::groups().join(", ");
            return Err(Fault::new(format!("knobs: given \"{word}\", which no knob has; the groups are {groups}")));
        }
        Ok(found)
    }
}

fn facts(knob: Knob) -> Value {
    let span = match knob.kind() {
        Kind::Value { .. } | Kind::Count { .. } => Some(knob.range()),
        Kind::Switch { .. } | Kind::Choice { .. } => None,
    };
    let unit = match knob.kind() {
        Kind::Value { unit, .. } if unit != Unit::None => Some(unit.symbol()),
        _ => None,
    };
    json!({
        "id": knob.id(),
        "name": knob.full_name(),
        "does": knob.what(),
        "allowed": knob.allowed(),
        "unit": unit,
        "low": span.map(|(low, _)| low),
        "high": span.map(|(_, high)| high),
        "default": knob.write(knob.default_value()),
        "texts": knob.texts(),
    })
}

fn table(knobs: &[Knob]) -> String {
    let rows: Vec<_> = knobs
        .iter()
        .map(|knob| {
            let allowed = knob.allowed();
            let words: Vec<_> = allowed.split([' ', ',']).collect();
            let others: Vec<_> = knob.texts().iter().copied().filter(|text| !words.contains(text)).collect();
            let texts = others.join(", ");
            ([knob.id().to_owned(), allowed, knob.write(knob.default_value()), texts], knob.what())
        })
        .collect();
    let heads = ["knob", "allowed", "new unit", "also read"].map(str::to_owned);
    let all = || rows.iter().map(|(cells, _)| cells).chain([&heads]);
    let width = |column: usize| all().map(|cells| cells[column].chars().count()).max().unwrap_or_default();
    let [a, b, c] = [0, 1, 2].map(width);
    let mut text = String::new();
    let mut say = |line: &str| {
        let _ = writeln!(text, "{}", line.trim_end());
    };
    let row = |[id, allowed, new, texts]: &[String; 4]| format!("{id:<a$}  {allowed:<b$}  {new:<c$}  {texts}");
    say(&row(&heads));
    for (cells, what) in &rows {
        say(&row(cells));
        say(&beneath(what));
    }
    text
}

/// A sentence beneath a row, within 80 columns.
fn beneath(sentence: &str) -> String {
    const COLUMNS: usize = 80;
    const INDENT: &str = "   ";
    let mut text = String::from(INDENT);
    let mut column = INDENT.len();
    for word in sentence.split(' ') {
        let length = 1 + word.chars().count();
        if column + length > COLUMNS {
            text = text + "\n" + INDENT;
            column = INDENT.len();
        }
        text = text + " " + word;
        column += length;
    }
    text
}

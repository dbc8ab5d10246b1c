//! Measured coils: one that takes the place of a board's, or a drawer of them to choose from.
//!
//! ```text
//!   name,inductance,resistance,q,q_hz,quantity        inductance is needed, the rest may be left out
//!   pot core,0.5H,180R,9,500,2
//!
//!   1/Q = r/X + X/R,  X = 2πfL:    r, the wire, in series with the coil      R, the core, across it
//! ```
//! A meter tells r with direct current, and Q at one frequency; what Q says of the loss beyond r is the core's. Q alone is split
//! as in the built-in board, 0.4 of the loss in the wire and 0.6 in the core (common practice). A coil of which nothing but L is known
//! is taken for the board's own wound to another inductance: wire and core loss in proportion to L, for both go with the square
//! of the turns when the same room is filled with wire.

use crate::fault::{Fault, told};
use crate::tune::Tank;
use std::fmt;
use std::io::Read as _;
use std::path::Path;
use std::str::FromStr;
use tritank_dsp::board::Coil;
use tritank_dsp::value::{self, Unit};

/// Of the loss that a Q stands for, how much is in the wire.
const IN_THE_WIRE: f64 = 0.4;
/// What a board may hold: inductance (henries), wire and core (ohms).
const HENRIES: [f64; 2] = [1e-6, 100.0];
const WIRE_OHMS: [f64; 2] = [1e-3, 1e5];
const CORE_OHMS: [f64; 2] = [1.0, 1e9];
/// What a Q and its frequency may be.
const Q: [f64; 2] = [0.5, 1000.0];
const Q_HERTZ: [f64; 2] = [1.0, 1e6];
/// Most coils of a kind, kinds of a file, and bytes of it.
const MOST_OF_A_KIND: usize = 999;
/// Most rows of a file.
pub const MOST_KINDS: usize = 64;
const MOST_BYTES: u64 = 1 << 20;
const COLUMNS: [&str; 6] = ["name", "inductance", "resistance", "q", "q_hz", "quantity"];

/// What a meter says of a coil.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measured {
    /// Inductance, henries.
    henries: f64,
    /// Resistance of the wire, ohms.
    wire: Option<f64>,
    /// Q, and the frequency that it was measured at, hertz.
    q: Option<[f64; 2]>,
}

impl Measured {
    /// A coil; the first that is out of range is named as `inductance`, `resistance`, `q` or `q_hz`, with what is allowed.
    fn checked(henries: f64, wire: Option<f64>, q: Option<[f64; 2]>) -> Result<Self, (&'static str, String)> {
        within("inductance", henries, HENRIES, Unit::Henry)?;
        if let Some(ohms) = wire {
            within("resistance", ohms, WIRE_OHMS, Unit::Ohm)?;
        }
        if let Some([q, hertz]) = q {
            within("q", q, Q, Unit::None)?;
            within("q_hz", hertz, Q_HERTZ, Unit::Hertz)?;
        }
        let coil = Self { henries, wire, q };
        if let Some([q, hertz]) = q {
            let (wire, core) = coil.split(q, hertz);
            let [given, f] = [value::write(q, Unit::None), value::write(hertz, Unit::Hertz)];
            if core <= 0.0 {
                let most = value::write(Tank::of_coil(henries, hertz).q(Some(wire), None), Unit::None);
                return Err(("q", format!("given {given} at {f}, allowed is less than the {most} of the wire alone")));
            }
            for (ohms, [least, most], what) in
                [(wire, WIRE_OHMS, "wire in series"), (core, CORE_OHMS, "core loss across it")]
            {
                if !(least..=most).contains(&ohms) {
                    let [ohms, least, most] = [ohms, least, most].map(|ohms| value::write(rounded(ohms), Unit::Ohm));
                    return Err(("q", format!("given {given} at {f}: {ohms} of {what}, allowed is {least} to {most}")));
                }
            }
        }
        Ok(coil)
    }

    /// Inductance, henries.
    pub fn henries(&self) -> f64 {
        self.henries
    }

    /// Wire and core for a Q at a frequency, ohms; the core is not positive when the wire alone has as much loss.
    fn split(&self, q: f64, hertz: f64) -> (f64, f64) {
        let tank = Tank::of_coil(self.henries, hertz);
        let loss = tank.loss(q);
        let wire = self.wire.unwrap_or(IN_THE_WIRE * loss.series_ohms);
        // Of 1/Q, what the wire leaves.
        let left = 1.0 / q - wire / tank.reactance_ohms();
        (wire, tank.reactance_ohms() / left)
    }

    /// The coil on a board, in the place of another.
    pub fn in_place_of(&self, other: &Coil) -> Coil {
        let turns_squared = self.henries / other.inductance;
        let (wire, core) = match self.q {
            Some([q, hertz]) => self.split(q, hertz),
            None => (self.wire.unwrap_or(other.series * turns_squared), other.core * turns_squared),
        };
        // The same core bends at the same ampere turns.
        let saturation = other.saturation.map(|amperes| amperes / turns_squared.sqrt());
        Coil { inductance: self.henries, series: wire, core, saturation }
    }
}

/// The board's own coil wound to another inductance, henries.
pub fn wound_to(coil: &Coil, henries: f64) -> Coil {
    Measured { henries, wire: None, q: None }.in_place_of(coil)
}

/// The same on wire no longer than it need be: no more resistance than the board's own. So the driver keeps its operating point.
pub fn well_wound_to(coil: &Coil, henries: f64) -> Coil {
    let wound = wound_to(coil, henries);
    Coil { series: wound.series.min(coil.series), ..wound }
}

/// A number of three digits, for a person.
pub(crate) fn rounded(value: f64) -> f64 {
    format!("{value:.2e}").parse().unwrap_or(value)
}

fn within(what: &'static str, given: f64, [least, most]: [f64; 2], unit: Unit) -> Result<(), (&'static str, String)> {
    if (least..=most).contains(&given) {
        return Ok(());
    }
    let [given, least, most] = [given, least, most].map(|value| value::write(value, unit));
    Err((what, format!("given {given}, allowed is {least} to {most}")))
}

/// A stage's coil, as `--coil` has it: `1=0.5H,180R,9@500Hz`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StageCoil {
    /// 0 to 2.
    pub stage: usize,
    /// The coil.
    pub coil: Measured,
}

impl FromStr for StageCoil {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let shape = || format!("given \"{text}\", allowed is a stage and its coil, such as 1=0.5H,180R,9@500Hz");
        let (stage, words) = text.split_once('=').ok_or_else(shape)?;
        let stage = match stage.trim() {
            "1" => 0,
            "2" => 1,
            "3" => 2,
            _ => return Err(format!("stage: given \"{stage}\", allowed are 1, 2 and 3")),
        };
        let read = |what: &str, word: &str, unit| value::parse(word, unit).map_err(|error| format!("{what}: {error}"));
        let mut words = words.split(',');
        let henries = read("inductance", words.next().unwrap_or_default(), Unit::Henry)?;
        let (mut wire, mut q) = (None, None);
        for word in words {
            match word.split_once('@') {
                Some((value, hertz)) if q.is_none() => {
                    q = Some([read("q", value, Unit::None)?, read("q_hz", hertz, Unit::Hertz)?]);
                }
                None if wire.is_none() && q.is_none() => wire = Some(read("resistance", word, Unit::Ohm)?),
                _ => return Err(shape()),
            }
        }
        let coil = Measured::checked(henries, wire, q).map_err(|(what, why)| format!("{what}: {why}"))?;
        Ok(Self { stage, coil })
    }
}

/// Some coils of a kind.
#[derive(Clone, Debug, PartialEq)]
pub struct Kind {
    /// What its bag says, or its inductance.
    pub name: String,
    /// The coil.
    pub coil: Measured,
    /// How many there are.
    pub quantity: usize,
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.name)
    }
}

/// Reads a drawer of coils.
///
/// # Errors
/// The file, the row and column, what was given and what is allowed.
pub fn read(file: &Path) -> Result<Vec<Kind>, Fault> {
    let fault = |error: std::io::Error| Fault::in_file(file, told(&error));
    let mut bytes = Vec::new();
    std::fs::File::open(file).and_then(|open| open.take(MOST_BYTES + 1).read_to_end(&mut bytes)).map_err(fault)?;
    if bytes.len() as u64 > MOST_BYTES {
        return Err(Fault::in_file(file, format!("given more than {MOST_BYTES} bytes, allowed are {MOST_BYTES}")));
    }
    parse(&bytes).map_err(|what| Fault::in_file(file, what))
}

fn parse(bytes: &[u8]) -> Result<Vec<Kind>, String> {
    let mut rows = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(true).from_reader(bytes);
    let header = rows.headers().map_err(|error| format!("row 1{}", unreadable(&error, |_| None)))?.clone();
    let allowed = COLUMNS.join(", ");
    for (place, title) in header.iter().enumerate() {
        if !COLUMNS.contains(&title) {
            return Err(format!("row 1, column {}: given \"{title}\", allowed are {allowed}", place + 1));
        }
        if header.iter().take(place).any(|before| before == title) {
            return Err(format!("row 1, column {}: given \"{title}\" twice, allowed is once", place + 1));
        }
    }
    let column = |name: &str| header.iter().position(|title| title == name);
    if column("inductance").is_none() {
        return Err(format!("row 1: no column \"inductance\"; allowed are {allowed}"));
    }
    let mut kinds = Vec::new();
    for (row, record) in (2..).zip(rows.records()) {
        let title = |place: usize| header.get(place);
        let record = record.map_err(|error| format!("row {row}{}", unreadable(&error, title)))?;
        if record.len() > header.len() {
            return Err(format!("row {row}: given {} cells, allowed are {}", record.len(), header.len()));
        }
        if kinds.len() == MOST_KINDS {
            return Err(format!("row {row}: given more than {MOST_KINDS} kinds of coil, allowed are {MOST_KINDS}"));
        }
        let cell = |name: &str| column(name).and_then(|place| record.get(place)).unwrap_or_default();
        let read = |name: &str, unit: Unit| match cell(name) {
            "" => Ok(None),
            text => value::parse(text, unit).map(Some).map_err(|error| format!("row {row}, column {name}: {error}")),
        };
        let henries = read("inductance", Unit::Henry)?
            .ok_or_else(|| format!("row {row}, column inductance: given nothing, allowed is a value such as 0.15 H"))?;
        let q = match (read("q", Unit::None)?, read("q_hz", Unit::Hertz)?) {
            (None, None) => None,
            (Some(q), Some(hertz)) => Some([q, hertz]),
            (Some(q), None) => {
                return Err(format!("row {row}, column q_hz: given nothing, allowed is the frequency of the Q {q}"));
            }
            (None, Some(_)) => {
                return Err(format!("row {row}, column q: given nothing, allowed is the Q at that q_hz"));
            }
        };
        let coil = Measured::checked(henries, read("resistance", Unit::Ohm)?, q)
            .map_err(|(column, why)| format!("row {row}, column {column}: {why}"))?;
        let quantity = match cell("quantity") {
            "" => 1,
            text => text.parse().ok().filter(|count| *count <= MOST_OF_A_KIND).ok_or_else(|| {
                format!(
                    "row {row}, column quantity: given \"{text}\", allowed is a whole number from 0 to {MOST_OF_A_KIND}"
                )
            })?,
        };
        let name = match cell("name") {
            "" => value::write(henries, Unit::Henry),
            name => name.split_whitespace().collect::<Vec<_>>().join(" "),
        };
        kinds.push(Kind { name, coil, quantity });
    }
    if kinds.is_empty() { Err("given no coils, allowed is at least one row".into()) } else { Ok(kinds) }
}

/// Why a row is no text, with its column where that is known.
fn unreadable<'a>(error: &csv::Error, title: impl Fn(usize) -> Option<&'a str>) -> String {
    match error.kind() {
        csv::ErrorKind::Utf8 { err, .. } => {
            let column = title(err.field()).map_or_else(|| format!("{}", err.field() + 1), str::to_owned);
            format!(", column {column}: given bytes that are no text, allowed is UTF-8")
        }
        _ => format!(": {error}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use std::f64::consts::TAU;
    use tritank_dsp::board::Board;

    fn coil(text: &str) -> Coil {
        text.parse::<StageCoil>().unwrap().coil.in_place_of(&Board::built_in().stage1.coil)
    }

    /// Q of wire and core at a frequency: 1/Q = r/ωL + ωL/R (F. E. Terman, Radio Engineers' Handbook, 1943, from memory).
    fn q_at(coil: &Coil, hertz: f64) -> f64 {
        let reactance = TAU * hertz * coil.inductance;
        1.0 / (coil.series / reactance + reactance / coil.core)
    }

    #[test]
    fn the_built_in_coils_come_out_of_their_q() {
        for (text, built_in) in
            ["1=0.5H,9@500Hz", "2=150m,16@1500", "3=80 mH,20@2.6kHz"].iter().zip(Board::built_in().stages())
        {
            let measured: StageCoil = text.parse().unwrap();
            let coil = measured.coil.in_place_of(&built_in.coil);
            assert_relative_eq!(coil.series, built_in.coil.series, max_relative = 2e-3);
            assert_relative_eq!(coil.core, built_in.coil.core, max_relative = 2e-3);
        }
    }

    #[test]
    fn a_q_at_a_frequency_is_the_q_there_however_it_is_split() {
        for (text, q, hertz) in
            [("1=0.5H,9@500Hz", 9.0, 500.0), ("1=0.5H,70R,9@500Hz", 9.0, 500.0), ("1=33m,1R,120@9k", 120.0, 9e3)]
        {
            assert_relative_eq!(q_at(&coil(text), hertz), q, max_relative = 1e-12);
        }
        // Q = ωL/r when the wire is all: 2π·500·0.5/9 = 174.5 Ω; of that 0.4.
        assert_relative_eq!(coil("1=0.5H,9@500Hz").series, 0.4 * 174.532_925, max_relative = 1e-8);
        // R = Q·ωL when the core is all: 9·2π·500·0.5 = 14.137 kΩ, of which the core has 0.6 of the loss.
        assert_relative_eq!(coil("1=0.5H,9@500Hz").core, 14_137.166_9 / 0.6, max_relative = 1e-8);
        // The wire as measured, and its core as the board's.
        assert_relative_eq!(coil("1=0.5H,180R").series, 180.0);
        assert_relative_eq!(coil("1=0.5H,180R").core, 23.6e3);
    }

    /// Twice the inductance are √2 times the turns: twice the wire's resistance and the core's, the same Q everywhere.
    #[test]
    fn the_same_coil_wound_to_another_inductance_keeps_its_q() {
        let mut own = Board::built_in().stage1.coil;
        own.saturation = Some(2e-3);
        let other = wound_to(&own, 2.0 * own.inductance);
        for hertz in [100.0, 500.0, 3000.0] {
            assert_relative_eq!(q_at(&other, 2.0 * hertz / 2.0), q_at(&own, hertz), max_relative = 1e-12);
        }
        // The same ampere turns.
        assert_relative_eq!(other.saturation.unwrap() * 2f64.sqrt(), 2e-3, max_relative = 1e-12);
    }

    #[test]
    fn a_coil_that_is_none_is_refused_with_what_is_allowed() {
        for (text, says) in [
            ("0.5H", "such as 1=0.5H"),
            ("4=0.5H", "stage: given \"4\", allowed are 1, 2 and 3"),
            ("1=", "inductance: given \"\""),
            ("1=half", "inductance: given \"half\""),
            ("1=-1H", "inductance: given -1 H, allowed is 1 µH to 100 H"),
            ("1=0.5H,0", "resistance: given 0 Ω, allowed is 1 mΩ to 100 kΩ"),
            ("1=0.5H,9@", "q_hz: given \"\""),
            ("1=0.5H,0@500", "q: given 0, allowed is 0.5 to 1000"),
            ("1=0.5H,9@500,180R", "such as 1=0.5H"),
            ("1=0.5H,1R,2R", "such as 1=0.5H"),
            ("1=0.5H,180R,9@500", "q: given 9 at 500 Hz, allowed is less than the 8.7"),
            ("1=1u,1000@1", "wire in series, allowed is 1 mΩ to 100 kΩ"),
            ("1=inf", "inductance: given \"inf\""),
        ] {
            let told = text.parse::<StageCoil>().unwrap_err();
            assert!(told.contains(says), "{text}: {told}");
        }
    }

    #[test]
    fn a_bad_cell_of_a_drawer_is_named_by_row_and_column() {
        let head = "name,inductance,resistance,q,q_hz,quantity\n";
        let many = format!("inductance\n{}", "1\n".repeat(65));
        for (text, says) in [
            ("", "no column \"inductance\""),
            ("name,quantity\na,1\n", "no column \"inductance\""),
            ("inductance,ohms\n1,2\n", "row 1, column 2: given \"ohms\", allowed are name, inductance"),
            ("inductance,q,inductance\n", "row 1, column 3: given \"inductance\" twice"),
            (head, "no coils"),
            (&format!("{head}a\n"), "row 2, column inductance: given nothing"),
            (&format!("{head}a,0.5H\nb,much\n"), "row 3, column inductance: given \"much\""),
            (&format!("{head}a,1e9\n"), "row 2, column inductance: given 1 GH, allowed is 1 µH to 100 H"),
            (&format!("{head}a,nan\n"), "row 2, column inductance: given \"nan\""),
            (&format!("{head}a,0.5H,-3\n"), "row 2, column resistance: given -3 Ω"),
            (&format!("{head}a,0.5H,,9\n"), "row 2, column q_hz: given nothing"),
            (&format!("{head}a,0.5H,,,500\n"), "row 2, column q: given nothing"),
            (&format!("{head}a,0.5H,,9,0\n"), "row 2, column q_hz: given 0 Hz"),
            (&format!("{head}a,0.5H,900,9,500\n"), "row 2, column q: given 9 at 500 Hz, allowed is less than the 1.7"),
            (&format!("{head}a,0.5H,,,,-1\n"), "row 2, column quantity: given \"-1\""),
            (&format!("{head}a,0.5H,,,,1.5\n"), "row 2, column quantity: given \"1.5\""),
            (&format!("{head}a,0.5H,,,,1,x\n"), "row 2: given 7 cells, allowed are 6"),
            (&many, "row 66: given more than 64 kinds"),
        ] {
            let told = parse(text.as_bytes()).unwrap_err();
            assert!(told.contains(says), "{told}");
        }
        let told = parse(b"name,inductance\na,0.5H\n\xff,0.5H\n").unwrap_err();
        assert!(told.contains("row 3, column name: given bytes that are no text"), "{told}");
        let told = parse(b"name\xff,inductance\n").unwrap_err();
        assert!(told.contains("row 1, column 1"), "{told}");
    }

    #[test]
    fn a_drawer_may_leave_out_all_but_the_inductance_and_hold_its_columns_in_any_order() {
        let kinds = parse("\u{feff}quantity , inductance\n,0.5H\n 3 , 4m7 \n0,80 mH\n".as_bytes()).unwrap();
        let told: Vec<_> = kinds.iter().map(|kind| (kind.name.as_str(), kind.quantity)).collect();
        assert_eq!(told, [("500 mH", 1), ("4.7 mH", 3), ("80 mH", 0)]);
        let kinds = parse(b"name,inductance,resistance\n\" pot,  core \",0.5H,70R\n").unwrap();
        assert_eq!((kinds[0].name.as_str(), kinds[0].coil.wire), ("pot, core", Some(70.0)));
    }
}

//! What is in the drawer: parts on hand, as a CSV.
//!
//! ```text
//!   value,quantity,tolerance,measured,kind
//!   47n,12,5,,                               twelve of 47 nF, within 5 %
//!   104,1,10,98.6n,capacitor                 one marked 104, read as 98.6 nF on the bridge
//!   4k7,30,1,,resistor
//! ```
//! `tolerance` (percent), `measured` and `kind` may be left out, as columns or cell by cell; without a kind a part is a capacitor.

use crate::fault::{Fault, told};
use std::path::Path;
use tritank_dsp::value::{self, Unit};

/// Kinds of part that a drawer holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// Its value is in farads.
    Capacitor,
    /// Its value is in ohms.
    Resistor,
    /// Its value is in henries.
    Coil,
}

impl Kind {
    const ALL: [(&str, Self); 3] = [("capacitor", Self::Capacitor), ("resistor", Self::Resistor), ("coil", Self::Coil)];

    /// The unit of its value.
    pub const fn unit(self) -> Unit {
        match self {
            Self::Capacitor => Unit::Farad,
            Self::Resistor => Unit::Ohm,
            Self::Coil => Unit::Henry,
        }
    }

    /// Least and greatest value: what a board takes, in the unit of the kind.
    const fn range(self) -> [f64; 2] {
        match self {
            Self::Capacitor => [1e-12, 1e-2],
            Self::Resistor => [1e-3, 1e12],
            Self::Coil => [1e-6, 100.0],
        }
    }
}

/// Parts of one value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part {
    /// What is printed on them: farads of a capacitor, ohms of a resistor, henries of a coil.
    pub value: f64,
    /// How many there are.
    pub quantity: u32,
    /// Tolerance as a fraction, 0.05 for 5 %.
    pub tolerance: Option<f64>,
    /// What the bridge read, in the unit of the value.
    pub measured: Option<f64>,
    /// Kind.
    pub kind: Kind,
}

/// Most rows of a file.
const MOST: usize = 2000;
/// Most parts of one row.
const MOST_OF_ONE: u32 = 1_000_000;
/// Greatest tolerance, percent.
const WIDEST_PERCENT: f64 = 50.0;
const COLUMNS: [&str; 5] = ["value", "quantity", "tolerance", "measured", "kind"];
const HEADER: &str = "a header with value, quantity and, where wanted, tolerance, measured, kind, parted by commas";

/// Reads a drawer.
///
/// # Errors
/// The file, the row and column, what was given and what is allowed.
pub fn read(file: &Path) -> Result<Vec<Part>, Fault> {
    let bytes = std::fs::read(file).map_err(|error| Fault::in_file(file, told(&error)))?;
    parse(&bytes).map_err(|what| Fault::in_file(file, what))
}

fn parse(bytes: &[u8]) -> Result<Vec<Part>, String> {
    let mut rows = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(true).from_reader(bytes);
    let header = rows.headers().map_err(|error| format!("row 1: {error}"))?.clone();
    for (n, title) in header.iter().enumerate() {
        if !COLUMNS.contains(&title) {
            return Err(format!("row 1, column {}: given \"{}\", allowed is {HEADER}", n + 1, short(title)));
        }
        if header.iter().take(n).any(|earlier| earlier == title) {
            return Err(format!("row 1, column {}: given \"{title}\" twice, allowed is each once", n + 1));
        }
    }
    let column = |name: &str| header.iter().position(|cell| cell == name);
    let needed = |name| column(name).ok_or_else(|| format!("row 1: no column \"{name}\"; allowed is {HEADER}"));
    let (value, quantity) = (needed("value")?, needed("quantity")?);
    let [tolerance, measured, kind] = ["tolerance", "measured", "kind"].map(column);

    let mut parts = Vec::new();
    for (row, record) in (2..).zip(rows.records()) {
        let record = record.map_err(|error| format!("row {row}: {error}"))?;
        if record.len() > header.len() {
            return Err(format!("row {row}: given {} cells, allowed are {}, as in row 1", record.len(), header.len()));
        }
        if parts.len() == MOST {
            return Err(format!("row {row}: given more than {MOST} rows of parts, allowed are {MOST}"));
        }
        let cell = |place: usize| record.get(place).unwrap_or_default();
        let filled = |place: Option<usize>| place.map(cell).filter(|given| !given.is_empty());
        let at = |name: &str, what: String| format!("row {row}, column {name}: {what}");

        let kind = filled(kind).map_or(Ok(Kind::Capacitor), of_kind).map_err(|what| at("kind", what))?;
        let value = of_value(cell(value), kind, kind.range()).map_err(|what| at("value", what))?;
        let quantity = of_quantity(cell(quantity)).map_err(|what| at("quantity", what))?;
        let tolerance = filled(tolerance).map(of_tolerance).transpose().map_err(|what| at("tolerance", what))?;
        // What reads as less than half or more than twice its print is a slip of the pen, or no part for a board.
        let measured = filled(measured).map(|given| of_value(given, kind, [0.5 * value, 2.0 * value])).transpose();
        let measured = measured.map_err(|what| at("measured", what))?;
        parts.push(Part { value, quantity, tolerance, measured, kind });
    }
    if parts.is_empty() { Err("given no parts, allowed is at least one row".into()) } else { Ok(parts) }
}

fn of_kind(given: &str) -> Result<Kind, String> {
    let named = Kind::ALL.iter().find(|(name, _)| *name == given).map(|(_, kind)| *kind);
    named.ok_or_else(|| format!("given \"{}\", allowed are capacitor, resistor and coil", short(given)))
}

fn of_value(given: &str, kind: Kind, [low, high]: [f64; 2]) -> Result<f64, String> {
    let unit = kind.unit();
    value::parse(given, unit).ok().filter(|value| (low..=high).contains(value)).ok_or_else(|| {
        format!("given \"{}\", allowed is {} to {}", short(given), value::write(low, unit), value::write(high, unit))
    })
}

fn of_quantity(given: &str) -> Result<u32, String> {
    // A plus sign is no digit of a count.
    let digits = Some(given).filter(|given| given.bytes().all(|byte| byte.is_ascii_digit()));
    digits
        .and_then(|digits| digits.parse().ok())
        .filter(|quantity| *quantity <= MOST_OF_ONE)
        .ok_or_else(|| format!("given \"{}\", allowed is a whole number from 0 to {MOST_OF_ONE}", short(given)))
}

fn of_tolerance(given: &str) -> Result<f64, String> {
    let number = given.strip_suffix('%').unwrap_or(given).trim();
    let percent = number.parse().ok().filter(|percent: &f64| *percent > 0.0 && *percent <= WIDEST_PERCENT);
    percent
        .map(|percent| percent / 100.0)
        .ok_or_else(|| format!("given \"{}\", allowed is more than 0 up to {WIDEST_PERCENT} %", short(given)))
}

/// As much of a cell as fits in a line for a person.
fn short(given: &str) -> String {
    const MOST: usize = 40;
    if given.chars().count() <= MOST { given.into() } else { given.chars().take(MOST).chain(['…']).collect() }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HEAD: &str = "value,quantity,tolerance,measured,kind\n";

    #[test]
    fn a_drawer_reads_as_a_builder_marks_it() {
        let text =
            format!("{HEAD}47n,12,5,,\n 104 , 1 ,10 %,98.6n,capacitor\n4k7,30,1,,resistor\n0.15 H,1,,148m,coil\n");
        let parts = parse(text.as_bytes()).unwrap();
        let part = |value, quantity, tolerance, measured, kind| Part { value, quantity, tolerance, measured, kind };
        // IEC 60062: 104 is 100 nF, 4k7 is 4700 Ω.
        approx::assert_relative_eq!(parts[1].value, 100e-9, max_relative = 1e-15);
        assert_eq!(parts[0], part(47e-9, 12, Some(0.05), None, Kind::Capacitor));
        assert_eq!(parts[1], part(parts[1].value, 1, Some(0.1), Some(98.6e-9), Kind::Capacitor));
        assert_eq!(parts[2], part(4700.0, 30, Some(0.01), None, Kind::Resistor));
        assert_eq!(parts[3], part(0.15, 1, None, Some(0.148), Kind::Coil));
    }

    #[test]
    fn columns_come_in_any_order_and_the_optional_ones_may_be_left_out() {
        let bare = parse(b"\xef\xbb\xbfquantity,value\r\n3,4n7\r\n0,1u\r\n").unwrap();
        assert_eq!(bare.iter().map(|part| (part.quantity, part.value)).collect::<Vec<_>>(), [(3, 4.7e-9), (0, 1e-6)]);
        assert!(bare.iter().all(|part| part.tolerance.is_none() && part.kind == Kind::Capacitor));
        // A short row leaves its last cells empty.
        assert_eq!(parse(format!("{HEAD}22n,7\n").as_bytes()).unwrap()[0].quantity, 7);
    }

    #[test]
    fn a_bad_cell_is_named_by_row_and_column() {
        let long = "9".repeat(5000);
        for (rows, says) in [
            ("", "no parts"),
            ("47,1,,,\n", "row 2, column value: given \"47\", allowed is 1 pF to 10 mF"),
            ("47n,1,,,\n,1,,,\n", "row 3, column value: given \"\""),
            ("-47n,1,,,\n", "column value: given \"-47n\""),
            ("nan,1,,,\n", "column value: given \"nan\""),
            ("1e999,1,,,\n", "column value: given \"1e999\""),
            ("4k7,1,,,\n", "column value: given \"4k7\""),
            ("=1+1,1,,,\n", "column value: given \"=1+1\""),
            ("47n,1.5,,,\n", "row 2, column quantity: given \"1.5\", allowed is a whole number from 0 to 1000000"),
            ("47n,-1,,,\n", "column quantity: given \"-1\""),
            ("47n,+1,,,\n", "column quantity: given \"+1\""),
            ("47n,,,,\n", "column quantity: given \"\""),
            ("47n,1000001,,,\n", "column quantity: given \"1000001\""),
            ("47n,1,0,,\n", "row 2, column tolerance: given \"0\", allowed is more than 0 up to 50 %"),
            ("47n,1,NaN,,\n", "column tolerance: given \"NaN\""),
            ("47n,1,51,,\n", "column tolerance: given \"51\""),
            ("47n,1,J,,\n", "column tolerance: given \"J\""),
            ("47n,1,,47u,\n", "row 2, column measured: given \"47u\", allowed is 23.5 nF to 94 nF"),
            ("47n,1,,big,\n", "column measured: given \"big\""),
            ("47n,1,,,diode\n", "row 2, column kind: given \"diode\", allowed are capacitor, resistor and coil"),
            ("4k7,1,,4n7,resistor\n", "column measured: given \"4n7\", allowed is 2.35 kΩ to 9.4 kΩ"),
            ("47n,1,,,,,\n", "row 2: given 7 cells, allowed are 5"),
            (&format!("{long},1,,,\n"), "column value: given \"9999999999999999999999999999999999999999…\""),
        ] {
            let told = parse(format!("{HEAD}{rows}").as_bytes()).unwrap_err();
            assert!(told.contains(says), "{told}");
            assert!(told.len() < 200, "{told}");
        }
        for (text, says) in [
            (&b""[..], "no column \"value\""),
            (b"value\n47n\n", "no column \"quantity\""),
            (b"value;quantity\n47n;1\n", "column 1: given \"value;quantity\", allowed is a header"),
            (b"value,quantity,tolerence\n47n,1,5\n", "row 1, column 3: given \"tolerence\""),
            (b"value,quantity,value\n47n,1,47n\n", "row 1, column 3: given \"value\" twice"),
            (b"value,quantity\n47\xffn,1\n", "row 2:"),
        ] {
            let told = parse(text).unwrap_err();
            assert!(told.contains(says), "{told}");
        }
    }

    #[test]
    fn a_drawer_has_an_end() {
        let full = format!("value,quantity\n{}", "47n,1\n".repeat(MOST));
        assert_eq!(parse(full.as_bytes()).unwrap().len(), MOST);
        let told = parse(format!("{full}47n,1\n").as_bytes()).unwrap_err();
        assert!(told.contains("row 2002: given more than 2000 rows"), "{told}");
        assert!(read(Path::new("lost.csv")).unwrap_err().to_string().contains("lost.csv: there is no such file"));
    }
}

//! What a plan aims at: three formants to a target, from the vowels' table or a file of one's own.
//!
//! ```text
//!   name,group,f1_hz,f2_hz,f3_hz,weight        group and weight may be left out
//! ```

use super::vowels;
use crate::fault::{Fault, told};
use std::path::Path;

/// One target.
#[derive(Clone, Debug, PartialEq)]
pub struct Target {
    /// A vowel, or whatever the file calls it.
    pub name: String,
    /// Whose.
    pub group: String,
    /// Where the three stages are to peak, hertz.
    pub hertz: [f64; 3],
    /// How many times as much its errors count.
    pub weight: f64,
}

/// A peak lies between these, hertz.
const LOWEST_HZ: f64 = 60.0;
const HIGHEST_HZ: f64 = 10e3;
const COLUMNS: [&str; 3] = ["f1_hz", "f2_hz", "f3_hz"];
/// What a target may count for.
const WEIGHTS: std::ops::RangeInclusive<f64> = 1e-3..=1e3;
/// Most rows of a file.
const MOST: usize = 1000;

/// The vowels of some groups: men, women, children.
///
/// # Errors
/// A group that is not in the table, or none.
pub fn of_groups(groups: &[String]) -> Result<Vec<Target>, Fault> {
    let table = vowels::table();
    if let Some(group) = groups.iter().find(|group| table.iter().all(|vowel| vowel.group != **group)) {
        return Err(Fault::new(format!("--groups: given \"{group}\", allowed are men, women and children")));
    }
    let chosen = table.into_iter().filter(|vowel| groups.contains(&vowel.group));
    Ok(chosen
        .map(|vowel| Target { hertz: vowel.formants(), name: vowel.vowel, group: vowel.group, weight: 1.0 })
        .collect())
}

/// Reads a file of targets.
///
/// # Errors
/// The file, the row and column, what was given and what is allowed.
pub fn read(file: &Path) -> Result<Vec<Target>, Fault> {
    let bytes = std::fs::read(file).map_err(|error| Fault::in_file(file, told(&error)))?;
    parse(&bytes).map_err(|what| Fault::in_file(file, what))
}

fn parse(bytes: &[u8]) -> Result<Vec<Target>, String> {
    let mut rows = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(true).from_reader(bytes);
    let header = rows.headers().map_err(|_| "row 1: given no text, allowed is UTF-8 text".to_owned())?.clone();
    for (n, title) in header.iter().enumerate() {
        let known = ["name", "group", "weight"].contains(&title) || COLUMNS.contains(&title);
        if !known || header.iter().take(n).any(|earlier| earlier == title) {
            let what = if known { " twice" } else { "" };
            return Err(format!(
                "row 1, column {}: given \"{}\"{what}, allowed are name, group, f1_hz, f2_hz, f3_hz, weight, each once, parted by \
                 commas",
                n + 1,
                title.chars().take(40).collect::<String>()
            ));
        }
    }
    let column = |name: &str| header.iter().position(|cell| cell == name);
    let needed = |name: &str| {
        column(name)
            .ok_or_else(|| format!("row 1: no column \"{name}\"; allowed is a header with name, f1_hz, f2_hz, f3_hz"))
    };
    let (name, group, weight) = (needed("name")?, column("group"), column("weight"));
    let mut formants = [0; 3];
    for (place, title) in formants.iter_mut().zip(COLUMNS) {
        *place = needed(title)?;
    }
    let mut targets = Vec::new();
    for (row, record) in (2..).zip(rows.records()) {
        let record = record.map_err(|_| format!("row {row}: given no text, allowed is UTF-8 text"))?;
        if record.len() > header.len() {
            return Err(format!("row {row}: given {} cells, allowed are {}, as in row 1", record.len(), header.len()));
        }
        let cell = |place: usize| record.get(place).unwrap_or_default();
        let mut hertz = [0.0; 3];
        for ((hertz, place), title) in hertz.iter_mut().zip(formants).zip(COLUMNS) {
            let given = cell(place);
            *hertz = given.parse().ok().filter(|hertz| (LOWEST_HZ..=HIGHEST_HZ).contains(hertz)).ok_or_else(|| {
                format!("row {row}, column {title}: given \"{given}\", allowed is {LOWEST_HZ} to {HIGHEST_HZ} Hz")
            })?;
        }
        if cell(name).is_empty() {
            return Err(format!("row {row}, column name: given nothing, allowed is a name"));
        }
        if targets.len() == MOST {
            return Err(format!("row {row}: given more than {MOST} targets, allowed are {MOST}"));
        }
        let weight = match weight.map(cell).filter(|given| !given.is_empty()) {
            None => 1.0,
            Some(given) => given.parse().ok().filter(|weight| WEIGHTS.contains(weight)).ok_or_else(|| {
                format!(
                    "row {row}, column weight: given \"{given}\", allowed is {} to {}",
                    WEIGHTS.start(),
                    WEIGHTS.end()
                )
            })?,
        };
        let group = group.map(cell).unwrap_or_default().to_owned();
        targets.push(Target { name: cell(name).to_owned(), group, hertz, weight });
    }
    if targets.is_empty() { Err("given no targets, allowed is at least one row".into()) } else { Ok(targets) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bad_cell_is_named_by_row_and_column() {
        let head = "name,f1_hz,f2_hz,f3_hz\n";
        for (text, says) in [
            ("", "no column \"name\""),
            ("name;f1_hz;f2_hz;f3_hz\n", "parted by commas"),
            ("name,f1_hz,f1_hz,f3_hz\n", "row 1, column 3: given \"f1_hz\" twice"),
            ("name,f1_hz,f2_hz,f3_hz,wieght\n", "row 1, column 5: given \"wieght\""),
            ("name,f1_hz,f2_hz,f3_hz\na,1,2,3,4\n", "row 2: given 5 cells, allowed are 4"),
            ("name,f1_hz,f3_hz\n", "no column \"f2_hz\""),
            (head, "no targets"),
            (&format!("{head}a,300,900,x\n"), "row 2, column f3_hz: given \"x\""),
            (&format!("{head}a,300,900,2000\nb,300,nan,2000\n"), "row 3, column f2_hz: given \"nan\""),
            (&format!("{head}a,300,900\n"), "row 2, column f3_hz: given \"\""),
            (&format!("{head}a,-300,900,2000\n"), "column f1_hz"),
            (&format!("{head},300,900,2000\n"), "column name"),
            ("name,f1_hz,f2_hz,f3_hz,weight\na,300,900,2000,0\n", "row 2, column weight: given \"0\""),
            ("name,f1_hz,f2_hz,f3_hz,weight\na,300,900,2000,NaN\n", "column weight"),
        ] {
            let told = parse(text.as_bytes()).unwrap_err();
            assert!(told.contains(says), "{told}");
        }
        assert!(parse(b"name\xff,f1_hz\n").is_err());
        let target = &parse(format!("{head} a , 300 ,900,2000\n").as_bytes()).unwrap()[0];
        assert_eq!((target.name.as_str(), target.hertz), ("a", [300.0, 900.0, 2000.0]));
    }

    #[test]
    fn groups_are_those_of_the_table() {
        let of = |groups: &[&str]| of_groups(&groups.iter().map(ToString::to_string).collect::<Vec<_>>());
        assert_eq!(of(&["men", "women"]).unwrap().len(), 20);
        assert!(of(&["robots"]).unwrap_err().to_string().contains("allowed are men, women and children"));
    }
}

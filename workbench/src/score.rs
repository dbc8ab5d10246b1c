//! A score: who pulls which line when.
//!
//! ```text
//!   seconds,line,state
//!   0,1.2,on
//!   0.25,1.2,off
//!   0.5,hard,on
//! ```
//! Lines are `1.0` … `3.3`, `soft` and `hard`; a state is `on` or `off`, `1` or `0`. The edges may stand in any order.
//! `line = switch XOR keys XOR pattern XOR gate`, and a score is `gate`: panel switches and codes invert what it pulls, as they do
//! with keys and patterns.

use crate::fault::Fault;
use crate::unit;
use std::path::Path;
use tritank_dsp::lines::Line;

/// One edge of one line.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Edge {
    /// When, seconds from the start.
    pub seconds: f64,
    /// Which line.
    pub line: Line,
    /// On or off from then.
    pub on: bool,
}

const COLUMNS: [&str; 3] = ["seconds", "line", "state"];

/// Reads a score; the edges come sorted by time, and in the file's order where times are equal.
///
/// # Errors
/// The file, the line and column in it, what was given and what is allowed.
pub fn read(file: &Path) -> Result<Vec<Edge>, Fault> {
    parse(&unit::text(file)?).map_err(|what| Fault::in_file(file, what))
}

fn parse(text: &str) -> Result<Vec<Edge>, String> {
    // Spreadsheets put a byte order mark in front.
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(true).from_reader(text.as_bytes());
    let header = reader.headers().map_err(|error| error.to_string())?;
    if header.iter().ne(COLUMNS) {
        let given = header.iter().collect::<Vec<_>>().join(",");
        return Err(format!("line 1: given the columns \"{given}\", allowed are \"{}\"", COLUMNS.join(",")));
    }
    let mut edges = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| error.to_string())?;
        let row = line_of(text, record.position().map_or(0, csv::Position::byte) as usize);
        if record.len() != COLUMNS.len() {
            return Err(format!("line {row}: given {} columns, allowed are 3: {}", record.len(), COLUMNS.join(",")));
        }
        let refuse = |column: usize, allowed: &str| {
            let (name, given) = (COLUMNS[column], &record[column]);
            format!("line {row}, column {} ({name}): given \"{given}\", allowed is {allowed}", column + 1)
        };
        let seconds = record[0].parse().ok().filter(|s: &f64| s.is_finite() && *s >= 0.0);
        let seconds = seconds.ok_or_else(|| refuse(0, "a number of seconds from 0"))?;
        let line =
            Line::parse(&record[1]).ok_or_else(|| refuse(1, "1.0 to 1.3, 2.0 to 2.3, 3.0 to 3.3, soft or hard"))?;
        let on = match record[2].to_ascii_lowercase().as_str() {
            "on" | "1" => true,
            "off" | "0" => false,
            _ => return Err(refuse(2, "on, off, 1 or 0")),
        };
        edges.push(Edge { seconds, line, on });
    }
    edges.sort_by(|a, b| a.seconds.total_cmp(&b.seconds));
    Ok(edges)
}

/// The line of the record that begins at a byte, or behind the empty lines there.
fn line_of(text: &str, byte: usize) -> usize {
    let rest = &text.as_bytes()[byte.min(text.len())..];
    let empty = rest.iter().take_while(|byte| matches!(byte, b'\r' | b'\n')).count();
    1 + text.get(..byte + empty).unwrap_or(text).matches('\n').count()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_score_is_read_in_order_of_time() {
        let edges = parse("\u{feff}seconds,line,state\r\n0.5, 3.1 ,on\n\n0.25,hard,0\n0.5,3.1,OFF\n").unwrap();
        let times: Vec<_> = edges.iter().map(|edge| (edge.seconds, edge.line.to_string(), edge.on)).collect();
        assert_eq!(times, [(0.25, "hard".into(), false), (0.5, "3.1".into(), true), (0.5, "3.1".into(), false)]);
        assert_eq!(parse("seconds,line,state\n"), Ok(Vec::new()));
    }

    #[test]
    fn every_bad_cell_is_named_by_line_and_column() {
        for (text, place, given) in [
            ("", "line 1", "\"\""),
            ("time,line,state\n", "line 1", "time,line,state"),
            ("seconds;line;state\n", "line 1", "seconds;line;state"),
            ("seconds,line,state\n0,1.2,on\n-1,1.2,on\n", "line 3, column 1", "\"-1\""),
            ("seconds,line,state\nnan,1.2,on\n", "line 2, column 1", "\"nan\""),
            ("seconds,line,state\n0,4.0,on\n", "line 2, column 2", "\"4.0\""),
            ("seconds,line,state\n\n0,1.0,maybe\n", "line 3, column 3", "\"maybe\""),
            ("seconds,line,state\n0,1.0\n", "line 2", "2 columns"),
        ] {
            let error = parse(text).unwrap_err();
            assert!(error.contains(place) && error.contains(given) && error.contains("allowed"), "{error}");
        }
    }
}

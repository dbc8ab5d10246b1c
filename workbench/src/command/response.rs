//! `tritank response`: small-signal curves and peaks about the operating point.

use super::{UnitOptions, say, say_json};
use crate::fault::Fault;
use crate::response::{UnitResponse, frequencies};
use crate::whole_file::WholeFile;
use num_complex::Complex64;
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::io::IsTerminal as _;
use std::path::PathBuf;

/// Small-signal response about the operating point: where each stage peaks, how sharp and how loud, and its curves
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: a picture of every code of a board
  tritank response --board mine.toml --all --out codes.svg", after_long_help = LONG)]
pub struct ResponseCommand {
    #[command(flatten)]
    unit: UnitOptions,
    /// Every code of each stage, each stage alone
    #[arg(long, help_heading = "Response")]
    all: bool,
    /// Lowest frequency, hertz
    #[arg(long, value_name = "HZ", default_value_t = 20.0, help_heading = "Response")]
    from: f64,
    /// Highest frequency, hertz
    #[arg(long, value_name = "HZ", default_value_t = 20e3, help_heading = "Response")]
    to: f64,
    /// How many frequencies, even in ratio
    #[arg(long, value_name = "N", default_value_t = 481, help_heading = "Response")]
    points: usize,
    /// What to print or write; without it, what the name of --out ends in, or a table of the peaks
    #[arg(long, value_enum, help_heading = "Output")]
    format: Option<Format>,
    /// File to write
    #[arg(long, value_name = "FILE", help_heading = "Output")]
    out: Option<PathBuf>,
    /// The same as --format json
    #[arg(long, conflicts_with = "format", help_heading = "Output")]
    json: bool,
}

const LONG: &str = "\
A stage alone goes from its own bus to its own tap, the buffered links silent. A tap is per volt that main in, after its \
level, adds on the bus of stage 1. Q is the peak's frequency over its -3 dB width.

JSON:
  board, codes, supply_volts, temperature_celsius
  operating_point_volts  DC volts by node of `tritank circuit`
  frequencies_hz         of all curves
  stages                 stage, code, peak_hz, q (null where a side never falls
                         3 dB), gain (V/V), gain_db, magnitude_db and
                         phase_degrees (arrays over frequencies_hz)
  taps                   tap, magnitude_db, phase_degrees; null with --all

CSV: hz, then db and degrees of each stage and tap; with --all: stage,code,hz,db,degrees.

Example: a picture of every code of a board
  tritank response --board mine.toml --all --out codes.svg";

/// Forms that a response is written in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Format {
    /// Everything, for programs
    Json,
    /// The curves, for a spreadsheet
    Csv,
    /// A picture to scale
    Svg,
    /// A picture in pixels
    Png,
}

impl ResponseCommand {
    /// Prints or writes the response.
    ///
    /// # Errors
    /// A broken board, patch or knob, a board without an operating point, or a file that cannot be written.
    pub fn run(&self) -> Result<(), Fault> {
        let format = self.format()?;
        let patch = self.unit.choice().unit()?;
        let frequencies = frequencies(self.from, self.to, self.points)?;
        if format == Some(Format::Png) && self.out.is_none() && std::io::stdout().is_terminal() {
            return Err(Fault::new("--format png: given a terminal, allowed is --out FILE or a pipe"));
        }
        let file = self.out.as_deref().map(WholeFile::create).transpose()?;
        let response = if self.all {
            UnitResponse::of_every_code(&patch, frequencies)?
        } else {
            UnitResponse::of(&patch, frequencies)?
        };
        let bytes = match format {
            None => table(&response).into_bytes(),
            Some(Format::Json) => {
                let document = document(&response);
                if file.is_none() {
                    return say_json(&document);
                }
                serde_json::to_vec_pretty(&document).map_err(Fault::new)?
            }
            Some(Format::Csv) => csv(&response)?,
            Some(Format::Svg) => response.picture().svg().as_bytes().to_vec(),
            Some(Format::Png) => response.picture().png(),
        };
        match file {
            Some(file) => file.write(&bytes),
            None => say(&bytes),
        }
    }

    /// The form asked for; `None` is the table.
    fn format(&self) -> Result<Option<Format>, Fault> {
        if self.json {
            return Ok(Some(Format::Json));
        }
        let (None, Some(out)) = (self.format, self.out.as_deref()) else { return Ok(self.format) };
        let ending = out.extension().and_then(|ending| ending.to_str()).unwrap_or_default().to_ascii_lowercase();
        match ending.as_str() {
            "json" => Ok(Some(Format::Json)),
            "csv" => Ok(Some(Format::Csv)),
            "svg" => Ok(Some(Format::Svg)),
            "png" => Ok(Some(Format::Png)),
            "txt" => Ok(None),
            _ => Err(Fault::in_file(
                out,
                format!("given the ending \"{ending}\", allowed are json, csv, svg, png or txt, or --format"),
            )),
        }
    }
}

fn decibels(value: Complex64) -> f64 {
    20.0 * value.norm().log10()
}

fn degrees(value: Complex64) -> f64 {
    value.arg().to_degrees()
}

/// The peaks for a person.
fn table(response: &UnitResponse) -> String {
    let mut text = String::new();
    let at = format!("{} V, {} °C", response.supply_volts, response.temperature_celsius);
    let _ = writeln!(text, "{}; {at}; each stage alone, bus to tap", response.board);
    let _ = writeln!(text, "stage  code        peak        Q       gain");
    for stage in &response.stages {
        let peak = stage.peak;
        let q = if peak.q.is_finite() { format!("{:.2}", peak.q) } else { "-".to_owned() };
        let _ = writeln!(
            text,
            "{:>5}  {:>4}  {:>7.1} Hz  {:>7}  {:>6.2} dB",
            stage.stage,
            stage.code,
            peak.frequency,
            q,
            20.0 * peak.gain.log10()
        );
    }
    text
}

fn document(response: &UnitResponse) -> Value {
    let curve = |values: &[Complex64]| {
        let decibels: Vec<_> = values.iter().copied().map(decibels).collect();
        let degrees: Vec<_> = values.iter().copied().map(degrees).collect();
        (decibels, degrees)
    };
    let stages: Vec<_> = response
        .stages
        .iter()
        .map(|stage| {
            let (decibels, degrees) = curve(&stage.curve);
            json!({
                "stage": stage.stage,
                "code": stage.code,
                "peak_hz": stage.peak.frequency,
                "q": stage.peak.q,
                "gain": stage.peak.gain,
                "gain_db": 20.0 * stage.peak.gain.log10(),
                "magnitude_db": decibels,
                "phase_degrees": degrees,
            })
        })
        .collect();
    let taps = response.taps.as_ref().map(|taps| {
        let rows = (1..).zip(taps).map(|(tap, values)| {
            let (decibels, degrees) = curve(values);
            json!({ "tap": tap, "magnitude_db": decibels, "phase_degrees": degrees })
        });
        rows.collect::<Vec<_>>()
    });
    json!({
        "board": response.board,
        "codes": response.codes,
        "supply_volts": response.supply_volts,
        "temperature_celsius": response.temperature_celsius,
        "operating_point_volts": response.operating_point,
        "frequencies_hz": response.frequencies,
        "stages": stages,
        "taps": taps,
    })
}

fn csv(response: &UnitResponse) -> Result<Vec<u8>, Fault> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    if let Some(taps) = &response.taps {
        let names = (1..=3).map(|n| format!("stage{n}")).chain((1..=3).map(|n| format!("tap{n}")));
        let header = names.flat_map(|name| [format!("{name}_db"), format!("{name}_degrees")]);
        writer.write_record(std::iter::once("hz".to_owned()).chain(header)).map_err(Fault::new)?;
        for (n, hertz) in response.frequencies.iter().enumerate() {
            let values = response.stages.iter().map(|stage| stage.curve[n]).chain(taps.iter().map(|tap| tap[n]));
            let cells = values.flat_map(|value| [decibels(value).to_string(), degrees(value).to_string()]);
            writer.write_record(std::iter::once(hertz.to_string()).chain(cells)).map_err(Fault::new)?;
        }
    } else {
        writer.write_record(["stage", "code", "hz", "db", "degrees"]).map_err(Fault::new)?;
        for stage in &response.stages {
            for (hertz, value) in response.frequencies.iter().zip(&stage.curve) {
                let (stage, code) = (stage.stage.to_string(), stage.code.to_string());
                let cells = [stage, code, hertz.to_string(), decibels(*value).to_string(), degrees(*value).to_string()];
                writer.write_record(cells).map_err(Fault::new)?;
            }
        }
    }
    writer.into_inner().map_err(Fault::new)
}

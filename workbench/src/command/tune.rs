//! `tritank tune`: two of coil, capacitor and frequency give the third; loss; the rate of the astable.

use super::{say, say_json};
use crate::fault::Fault;
use crate::series::Series;
use crate::tune::{Fit, Loss, Part, Rate, Tank, Wiring};
use crate::unit::Choice;
use serde_json::json;
use std::fmt::Write as _;
use std::path::PathBuf;
use tritank_dsp::knobs::Knob;
use tritank_dsp::value::{self, Unit};

/// Sums on paper: two of L, C and f give the third, and parts that make it; Q; the exciter's bias
#[derive(Debug, clap::Args)]
#[command(after_help = EXAMPLE, after_long_help = LONG)]
pub struct TuneCommand {
    /// Inductance, as 0.5H, 80m or 4m7
    #[arg(long, value_name = "H", value_parser = henries, allow_negative_numbers = true, help_heading = "A tank")]
    l: Option<f64>,
    /// Capacitance, as 47n, 4n7 or 473
    #[arg(long, value_name = "F", value_parser = farads, allow_negative_numbers = true, help_heading = "A tank")]
    c: Option<f64>,
    /// Frequency, as 440, 2.6kHz or 2k6
    #[arg(long, value_name = "HZ", value_parser = hertz, allow_negative_numbers = true, help_heading = "A tank")]
    f: Option<f64>,
    /// Preferred numbers (IEC 60063) that parts are taken from: E3, E6, E12, E24, E48, E96, E192; without it, E24.
    /// Alone: prints them
    #[arg(long, value_name = "E", help_heading = "A tank")]
    series: Option<Series>,
    /// Resistance in series with the coil: its wire, as 69R8
    #[arg(long, value_name = "OHM", value_parser = ohms, allow_negative_numbers = true, help_heading = "Its loss")]
    r: Option<f64>,
    /// Resistance across the coil: its core, and whatever loads the tank, as 23k6
    #[arg(long, value_name = "OHM", value_parser = ohms, allow_negative_numbers = true, help_heading = "Its loss")]
    core: Option<f64>,
    /// Q, in place of resistances
    #[arg(long, value_name = "Q", value_parser = q, allow_negative_numbers = true, help_heading = "Its loss")]
    q: Option<f64>,
    /// Rate of the exciter, hertz: gives the bias
    #[arg(long, value_name = "HZ", value_parser = rate, allow_negative_numbers = true, help_heading = "The exciter")]
    rate: Option<f64>,
    /// Bias of the exciter, volts: gives the rate
    #[arg(long, value_name = "V", value_parser = bias, allow_negative_numbers = true, help_heading = "The exciter")]
    bias: Option<f64>,
    /// Board file whose exciter it is; without one, the built-in board's
    #[arg(long, value_name = "FILE", help_heading = "The exciter")]
    board: Option<PathBuf>,
    /// Turns a knob, as unit.supply=1.5V or unit.temperature=40; may be given again; `tritank knobs unit` lists them
    #[arg(long, value_name = "NAME=VALUE", help_heading = "The exciter")]
    set: Vec<String>,
    /// Everything as JSON
    #[arg(long)]
    json: bool,
}

const EXAMPLE: &str = "Example: the capacitor that 80 mH take at 2600 Hz, and which parts make it
  tritank tune --l 80m --f 2600";

const LONG: &str = "\
A tank: give two of --l, --c and --f. f = 1/(2π√(LC)). When a part is sought: the nearest one of the \
series, the nearest two in parallel and in series, each pair out of parts from a hundredth to a \
hundred times the value, and where the tank then stands. A part that is off by 1 % moves it by 8.6 \
cents. Two coils are taken to stand apart, so that neither hears the other.
Values are read as parts are marked (IEC 60062): 4n7, 0R47, 4k7. Three digits on a capacitor are \
picofarads and a power of ten: --c 104 is 100 nF, and --c 100 is 10 pF; for 100 pF write 100p.

Its loss: --r, --core or both, or --q. 1/Q = r/X + X/core with X = 2πfL; the width is f/Q; the ring \
falls by 60 dB in ln(1000)·Q/(πf). Wire and core together lift the peak above f, by at most 216/Q² \
cents for Q above 3.

The exciter: --rate gives the bias, --bias the rate, with the board's timing resistor and \
capacitors, at its supply and temperature or those of --set.

JSON of a tank:
  sought                     \"l\", \"c\" or \"f\": the one that was not given
  l_henries, c_farads, f_hz  all three
  series                     the preferred numbers; null where f is sought
  fits                       for each wiring (one, parallel, series): its parts
                             and their value in henries or farads, f_hz,
                             off_cents and off_percent of f; null where f is
                             sought
  loss                       q, bandwidth_hz, ring_60db_seconds (null at Q 0.5
                             and below); series_ohms and core_ohms, each giving
                             this Q by itself; null where no loss was given
JSON of the exciter:
  rate_hz, bias_volts, base_emitter_volts, supply_volts, temperature_celsius
  pause_seconds, pulse_seconds  the two halves
  cents_per_millivolt           what a millivolt more on the bias does to the
                                rate
  cents_per_kelvin              what a kelvin more does
JSON of --series alone:
  series, numbers  one decade as printed

Example: the capacitor that 80 mH take at 2600 Hz, and which parts make it
  tritank tune --l 80m --f 2600
Example: where a coil of known loss stands with 51 nF, and its Q
  tritank tune --l 0.5H --c 51n --r 69R8 --core 23k6
Example: the bias that plays 110 Hz on a flat battery
  tritank tune --rate 110Hz --set unit.supply=1.5V";

const COIL_HENRIES: [f64; 2] = [1e-9, 1e3];
const CAPACITOR_FARADS: [f64; 2] = [1e-12, 1.0];
const FREQUENCY_HZ: [f64; 2] = [1e-3, 1e9];

/// Least bias above the base–emitter voltage for which a rate is worth saying, volts.
const LEAST_BIAS_VOLTS: f64 = 1e-9;

fn henries(text: &str) -> Result<f64, String> {
    within(text, Unit::Henry, COIL_HENRIES)
}

fn farads(text: &str) -> Result<f64, String> {
    within(text, Unit::Farad, CAPACITOR_FARADS)
}

fn hertz(text: &str) -> Result<f64, String> {
    within(text, Unit::Hertz, FREQUENCY_HZ)
}

fn ohms(text: &str) -> Result<f64, String> {
    within(text, Unit::Ohm, [1e-3, 1e9])
}

/// The board says which rates and biases there are.
fn rate(text: &str) -> Result<f64, String> {
    value::parse(text, Unit::Hertz).map_err(|error| error.to_string())
}

fn bias(text: &str) -> Result<f64, String> {
    value::parse(text, Unit::Volt).map_err(|error| error.to_string())
}

fn q(text: &str) -> Result<f64, String> {
    within(text, Unit::None, [0.01, 1e6])
}

fn within(text: &str, unit: Unit, range: [f64; 2]) -> Result<f64, String> {
    let value = value::parse(text, unit).map_err(|error| error.to_string())?;
    if (range[0]..=range[1]).contains(&value) {
        return Ok(value);
    }
    Err(format!("given \"{text}\", allowed is {}", span(unit, range)))
}

fn span(unit: Unit, [low, high]: [f64; 2]) -> String {
    format!("{} to {}", value::write(low, unit), value::write(high, unit))
}

impl TuneCommand {
    /// Works it out and prints it.
    ///
    /// # Errors
    /// Too little or too much given, an answer that no part has, a broken board.
    pub fn run(&self) -> Result<(), Fault> {
        let words = |rows: &[(&'static str, bool)]| -> Vec<_> {
            rows.iter().filter(|(_, given)| *given).map(|(word, _)| *word).collect()
        };
        let tank = words(&[("--l", self.l.is_some()), ("--c", self.c.is_some()), ("--f", self.f.is_some())]);
        let loss = words(&[("--r", self.r.is_some()), ("--core", self.core.is_some()), ("--q", self.q.is_some())]);
        let exciter = words(&[
            ("--rate", self.rate.is_some()),
            ("--bias", self.bias.is_some()),
            ("--board", self.board.is_some()),
            ("--set", !self.set.is_empty()),
        ]);
        let series = words(&[("--series", self.series.is_some())]);
        let of_a_tank = [tank.clone(), loss.clone(), series].concat();
        match (of_a_tank.is_empty(), exciter.is_empty()) {
            (true, true) => Err(Fault::new(
                "given nothing to work out, allowed are two of --l, --c and --f, or --rate, or --bias, or --series alone",
            )),
            (false, false) => Err(Fault::new(format!(
                "given {} of a tank with {} of the exciter, allowed is one of the two",
                of_a_tank.join(", "),
                exciter.join(", ")
            ))),
            (true, false) => self.exciter(),
            (false, true) => match self.series {
                Some(series) if of_a_tank == ["--series"] => self.list(series),
                _ => self.tank(&tank, &loss),
            },
        }
    }

    fn tank(&self, given: &[&str], loss: &[&str]) -> Result<(), Fault> {
        let (tank, sought) = match (self.l, self.c, self.f) {
            (Some(l), Some(c), None) => (Tank::of_coil_and_capacitor(l, c), Sought::Frequency),
            (Some(l), None, Some(f)) => (Tank::of_coil(l, f), Sought::Part(Part::Capacitor)),
            (None, Some(c), Some(f)) => (Tank::of_capacitor(c, f), Sought::Part(Part::Coil)),
            _ => {
                let given = if given.is_empty() { "none of them".to_owned() } else { given.join(", ") };
                return Err(Fault::new(format!(
                    "given {given}, allowed are two of --l, --c and --f: they give the third"
                )));
            }
        };
        let (answer, unit, range) = sought.of(&tank);
        if !(range[0]..=range[1]).contains(&answer) {
            let given = given.join(" and ");
            let (answer, allowed) = (value::write(rounded(answer), unit), span(unit, range));
            return Err(Fault::new(format!("given {given} that ask for {answer}, allowed is {allowed}")));
        }
        if self.q.is_some() && loss.len() > 1 {
            return Err(Fault::new(format!("given {}, allowed is --q alone, or --r, --core or both", loss.join(", "))));
        }
        let fits = match (sought, self.series) {
            (Sought::Part(part), series) => {
                let series = series.unwrap_or(Series::E24);
                Some((series, tank.fits(part, series)))
            }
            (Sought::Frequency, None) => None,
            (Sought::Frequency, Some(series)) => {
                return Err(Fault::new(format!(
                    "given --series {series} with --l and --c, allowed is --series where a part is sought"
                )));
            }
        };
        let loss = (!loss.is_empty()).then(|| tank.loss(self.q.unwrap_or_else(|| tank.q(self.r, self.core))));
        if self.json {
            return say_json(&json!({
                "sought": sought.letter(),
                "l_henries": tank.henries,
                "c_farads": tank.farads,
                "f_hz": tank.hertz,
                "series": fits.as_ref().map(|(series, _)| series),
                "fits": fits.as_ref().map(|(_, fits)| fits),
                "loss": loss,
            }));
        }
        let mut text = sought.line(&tank);
        if let Some((series, fits)) = &fits {
            text += &parts(*series, fits, unit);
        }
        if let Some(loss) = &loss {
            text += &lossy(loss);
        }
        say(text.as_bytes())
    }

    fn exciter(&self) -> Result<(), Fault> {
        let choice = Choice { board: self.board.clone(), set: self.set.clone(), ..Choice::default() };
        let patch = choice.unit()?;
        let part = &patch.board.exciter;
        let (supply, celsius) = (patch.settings.get(Knob::UnitSupply), patch.settings.get(Knob::UnitTemperature));
        let of_bias = |bias| Rate::of_bias(part, bias, supply, celsius);
        let most = of_bias(part.bias_limit);
        let least = of_bias(most.base_emitter_volts + LEAST_BIAS_VOLTS);
        let at = format!("at {supply} V and {celsius} °C");
        let rate = match (self.rate, self.bias) {
            (Some(rate), None) if (least.rate_hz..=most.rate_hz).contains(&rate) => {
                Rate::of_rate(part, rate, supply, celsius)
            }
            (None, Some(bias)) if (least.bias_volts..=most.bias_volts).contains(&bias) => of_bias(bias),
            (Some(rate), None) => {
                // Rounded inwards, so that what is told is taken.
                let (low, high) = (least.rate_hz * (1.0 + HALF_A_DIGIT), most.rate_hz * (1.0 - HALF_A_DIGIT));
                let (low, high) = (short(low, Unit::Hertz), short(high, Unit::Hertz));
                return Err(Fault::new(format!("--rate: given {rate} Hz, allowed is {low} to {high} {at}")));
            }
            (None, Some(bias)) => {
                let (low, high) = (short(most.base_emitter_volts, Unit::Volt), short(most.bias_volts, Unit::Volt));
                return Err(Fault::new(format!("--bias: given {bias} V, allowed is above {low}, up to {high} {at}")));
            }
            (rate, _) => {
                let given = if rate.is_some() { "both" } else { "neither" };
                return Err(Fault::new(format!(
                    "given {given} of --rate and --bias, allowed is one: it gives the other"
                )));
            }
        };
        if self.json { say_json(&rate) } else { say(astable(&rate).as_bytes()) }
    }

    fn list(&self, series: Series) -> Result<(), Fault> {
        let numbers = series.numbers();
        if self.json {
            return say_json(&json!({ "series": series, "numbers": numbers }));
        }
        let mut text = format!("{series}, one decade (IEC 60063)\n");
        for row in numbers.chunks(12) {
            let row: Vec<_> = row.iter().map(|number| format!("{number:>3}")).collect();
            let _ = writeln!(text, "{}", row.join("  "));
        }
        say(text.as_bytes())
    }
}

/// Which of the three was not given.
#[derive(Clone, Copy)]
enum Sought {
    Part(Part),
    Frequency,
}

impl Sought {
    const fn letter(self) -> &'static str {
        match self {
            Self::Part(Part::Coil) => "l",
            Self::Part(Part::Capacitor) => "c",
            Self::Frequency => "f",
        }
    }

    /// The answer, its unit and the range in which it makes sense.
    const fn of(self, tank: &Tank) -> (f64, Unit, [f64; 2]) {
        match self {
            Self::Part(Part::Coil) => (tank.henries, Unit::Henry, COIL_HENRIES),
            Self::Part(Part::Capacitor) => (tank.farads, Unit::Farad, CAPACITOR_FARADS),
            Self::Frequency => (tank.hertz, Unit::Hertz, FREQUENCY_HZ),
        }
    }

    /// The answer first, then what it was made from as it was read.
    fn line(self, tank: &Tank) -> String {
        let (l, c) = (short(tank.henries, Unit::Henry), short(tank.farads, Unit::Farad));
        let f = short(tank.hertz, Unit::Hertz);
        match self {
            Self::Part(Part::Coil) => format!("L = {l}   from C = {c} and f = {f}\n"),
            Self::Part(Part::Capacitor) => format!("C = {c}   from L = {l} and f = {f}\n"),
            Self::Frequency => format!("f = {f}   from L = {l} and C = {c}\n"),
        }
    }
}

/// What rounding to five digits can change, of the value.
const HALF_A_DIGIT: f64 = 5e-5;

/// Five digits: more than a meter on the bench shows.
fn rounded(value: f64) -> f64 {
    format!("{value:.4e}").parse().unwrap_or(value)
}

/// Rounded, with prefix and unit; a frequency in plain hertz, as pitches are read, unless it is far from any pitch.
fn short(number: f64, unit: Unit) -> String {
    let number = rounded(number);
    if unit == Unit::Hertz && (0.1..1e5).contains(&number) {
        format!("{number} Hz")
    } else {
        value::write(number, unit)
    }
}

fn parts(series: Series, fits: &[Fit], unit: Unit) -> String {
    let mut text = format!("\n{:<10}{:<18}{:>12}{:>14}{:>15}\n", series.to_string(), "parts", "together", "f", "off");
    for fit in fits {
        let wiring = match fit.wiring {
            Wiring::One => "one",
            Wiring::Parallel => "parallel",
            Wiring::Series => "in series",
        };
        let parts: Vec<_> = fit.parts.iter().map(|part| short(*part, unit)).collect();
        let (parts, value, f) = (parts.join(" + "), short(fit.value, unit), short(fit.f_hz, Unit::Hertz));
        let off = format!("{:+.2} cents  {:+.3} %", fit.off_cents, fit.off_percent);
        let _ = writeln!(text, "{wiring:<10}{parts:<18}{value:>12}{f:>14}{off:>25}");
    }
    text
}

fn lossy(loss: &Loss) -> String {
    let ring = loss.ring_60db_seconds.map_or_else(
        || "does not ring".to_owned(),
        |seconds| format!("rings {} to -60 dB", short(seconds, Unit::Second)),
    );
    let (width, q) = (short(loss.bandwidth_hz, Unit::Hertz), rounded(loss.q));
    let (series, core) = (short(loss.series_ohms, Unit::Ohm), short(loss.core_ohms, Unit::Ohm));
    format!(
        "\nQ {q}   -3 dB width {width}   {ring}\n\
         by itself {series} in series with the coil, or {core} across it, gives this Q\n"
    )
}

fn astable(rate: &Rate) -> String {
    let (bias, hertz) = (short(rate.bias_volts, Unit::Volt), short(rate.rate_hz, Unit::Hertz));
    let (v_be, above) =
        (short(rate.base_emitter_volts, Unit::Volt), short(rate.bias_volts - rate.base_emitter_volts, Unit::Volt));
    let (pause, pulse) = (short(rate.pause_seconds, Unit::Second), short(rate.pulse_seconds, Unit::Second));
    format!(
        "bias {bias} gives {hertz}   at {} V and {} °C\n\
         {above} above V_be, which is {v_be}; pause {pause}, pulse {pulse}\n\
         1 mV more on the bias: {:+.1} cents; 1 K warmer: {:+.1} cents\n",
        rate.supply_volts, rate.temperature_celsius, rate.cents_per_millivolt, rate.cents_per_kelvin
    )
}

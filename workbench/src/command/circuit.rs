//! `tritank circuit`: the exact circuit that is solved, as a list of elements.

use super::{UnitOptions, say};
use crate::fault::Fault;
use crate::unit;
use std::fmt::Write as _;
use tritank_dsp::circuit::Circuit;

/// Prints the exact circuit that is solved, as a JSON list that any outside solver can assemble
#[derive(Debug, clap::Args)]
#[command(after_help = "Example: the circuit with 1 V more on the supply and code 5 on stage 1
  tritank circuit --set unit.supply=4V --code 5,0,0", after_long_help = LONG)]
pub struct CircuitCommand {
    #[command(flatten)]
    unit: UnitOptions,
    /// The same list; this command speaks JSON with or without it
    #[arg(long)]
    json: bool,
}

const LONG: &str = "\
JSON:
  elements  the list; each has \"kind\" and \"name\", its nodes, and its values in
            SI units
    resistor   a b ohms
    capacitor  a b farads
    inductor   a b henries [saturation]
    switch     a b ron roff line closed
    source     p n volts [input scale]: volts + scale × the named input channel
    gain       p n cp cn gain: v(p,n) = gain × v(cp,cn)
    npn        c b e is bf br nf vt
    nmos       d g s k vth vt
    diode      a k is n vt
    charge     a b coulombs line
  taps      tap name to the two nodes between which it is read
  Node \"0\" is ground, \"vcc\" the rail.

Example: the circuit with 1 V more on the supply and code 5 on stage 1
  tritank circuit --set unit.supply=4V --code 5,0,0";

impl CircuitCommand {
    /// Prints one element a line.
    ///
    /// # Errors
    /// A broken board, patch or knob.
    pub fn run(&self) -> Result<(), Fault> {
        let patch = self.unit.choice().unit()?;
        let circuit = Circuit::of(&patch.board, &patch.settings, unit::codes(&patch.settings));
        let mut text = String::from("{\"elements\":[\n");
        for (n, element) in circuit.elements.iter().enumerate() {
            let comma = if n + 1 == circuit.elements.len() { "" } else { "," };
            let element = serde_json::to_string(element).map_err(Fault::new)?;
            writeln!(text, "{element}{comma}").map_err(Fault::new)?;
        }
        let taps = serde_json::to_string(&circuit.taps).map_err(Fault::new)?;
        writeln!(text, "],\n\"taps\":{taps}}}").map_err(Fault::new)?;
        say(text.as_bytes())
    }
}

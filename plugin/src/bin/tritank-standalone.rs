//! The unit without a host: audio and MIDI straight from the machine. Start low: the output goes to your loudspeakers.
//!
//! Only built with the feature `standalone`, which needs the system's audio development files (ALSA and JACK on Linux).

use nice_plug::prelude::nice_export_standalone;
use std::process::ExitCode;

fn main() -> ExitCode {
    if nice_export_standalone::<tritank::ClapShell>() { ExitCode::SUCCESS } else { ExitCode::from(2) }
}

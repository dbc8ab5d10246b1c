//! What a player writes on the command line.

use crate::machine::{Device, Devices, Wanted};
use crate::session::Music;
use clap::Parser;
use std::path::PathBuf;
use tritank_dsp::value::{self, Unit};
use tritank_workbench::fault::Fault;
use tritank_workbench::sound::Sound as Recording;
use tritank_workbench::unit;

/// The unit without a host: plays a recording, or what comes in, through the machine's own audio and MIDI.
///
/// Start low: the output goes to your loudspeakers, and one line can raise it by tens of decibels.
#[derive(Debug, Parser)]
#[command(
    name = "tritank-standalone",
    version,
    after_help = "Examples:\n  tritank-standalone --list\n  tritank-standalone --input organ.wav --set stage1.code=5\n  \
                  tritank-standalone --record \"USB\" --output \"USB\" --block 128 --gates-from 3 --gate-volts 10V"
)]
pub struct Arguments {
    /// Say which devices there are, and nothing else
    #[arg(long)]
    pub list: bool,
    /// Sound system: the machine's usual one (alsa on Linux), or jack where the player is built with it
    #[arg(long, value_name = "NAME")]
    pub system: Option<String>,
    /// Device that plays, by a part of its name or address
    #[arg(long, value_name = "NAME")]
    pub output: Option<String>,
    /// Device that records, by a part of its name or address; its first two channels are the main input
    #[arg(long, value_name = "NAME", conflicts_with = "input")]
    pub record: Option<String>,
    /// Recording to play over and over: WAV, mono or stereo, any rate
    #[arg(long, value_name = "FILE.wav")]
    pub input: Option<PathBuf>,
    /// Device that sends MIDI, by a part of its name or its address; without it, all of them
    #[arg(long, value_name = "NAME")]
    pub midi: Option<String>,
    /// Sample rate, Hz, or the nearest that the device has
    #[arg(long, value_name = "HZ", default_value_t = 48_000, value_parser = clap::value_parser!(u32).range(8_000..=768_000))]
    pub rate: u32,
    /// Frames a block, or the nearest that the device has; without it, 512; fewer are less late and more easily interrupted
    #[arg(long, value_name = "FRAMES", value_parser = clap::value_parser!(u32).range(16..=8192))]
    pub block: Option<u32>,
    /// Channel of the recording device with the gate of line 1.0; those of the other lines follow
    #[arg(long, value_name = "CHANNEL", requires = "record", value_parser = clap::value_parser!(u16).range(1..=256))]
    pub gates_from: Option<u16>,
    /// Volts at such a channel when it is at full scale
    #[arg(long, value_name = "V", default_value = "1V", requires = "gates_from", allow_hyphen_values = true, value_parser = volts)]
    pub gate_volts: f32,
    /// Board file; the built-in board without it
    #[arg(long, value_name = "FILE.toml")]
    pub board: Option<PathBuf>,
    /// Patch file
    #[arg(long, value_name = "FILE.toml")]
    pub patch: Option<PathBuf>,
    /// Turn a knob: name=value, such as exciter.level=0.5; may stand several times
    #[arg(long, value_name = "NAME=VALUE")]
    pub set: Vec<String>,
}

fn volts(text: &str) -> Result<f32, String> {
    let volts = value::parse(text, Unit::Volt).map_err(|error| error.to_string())?;
    let [low, high] = [0.1, 100.0];
    if (low..=high).contains(&volts) {
        return Ok(volts as f32);
    }
    let [low, high] = [low, high].map(|volts| value::write(volts, Unit::Volt));
    Err(format!("given \"{text}\", allowed is {low} to {high}"))
}

impl Arguments {
    /// The devices that are wanted.
    pub fn wanted(&self) -> Wanted {
        Wanted {
            output: self.output.clone(),
            input: self.record.clone(),
            midi: self.midi.clone(),
            rate_hz: self.rate,
            block: self.block,
            gates_from: self.gates_from.map(usize::from),
            gate_volts: self.gate_volts,
        }
    }

    /// Reads what is to be played.
    ///
    /// # Errors
    /// The file, the place in it, what was given and what is allowed.
    pub fn music(&self) -> Result<Music, Fault> {
        let mut patch = unit::read_patch(self.patch.as_deref(), self.board.as_deref())?;
        for assignment in &self.set {
            unit::set(&mut patch.settings, assignment)?;
        }
        let recording = self.input.as_deref().map(Recording::read).transpose()?;
        if let (Some(recording), Some(file)) = (&recording, &self.input)
            && let Some((count, frame)) = recording.not_finite()
        {
            let samples = if count == 1 { "sample that is" } else { "samples that are" };
            let given = format!("data: given {count} {samples} not finite, the first in frame {frame}");
            return Err(Fault::in_file(file, format!("{given}, allowed are finite ones")));
        }
        Ok(Music { patch, recording })
    }
}

/// What there is, a line each: kind, name, and the address where the name does not end in it.
pub fn listed(devices: &Devices) -> String {
    let of = |devices: &[Device]| -> Vec<(String, String)> {
        let there = devices.iter().filter(|device| !device.is_nowhere());
        there.map(|device| (device.name.clone(), device.address.clone())).collect()
    };
    let kinds = [("output", of(&devices.outputs)), ("record", of(&devices.inputs)), ("midi", of(&devices.midi))];
    let widest = kinds.iter().flat_map(|(_, rows)| rows).map(|(name, _)| name.chars().count()).max().unwrap_or(0);
    let row = |kind: &str, name: &str, address: &str| {
        let address = if name.ends_with(address) { "" } else { address };
        format!("{}\n", format!("{kind:<8} {name:<widest$}  {address}").trim_end())
    };
    kinds
        .iter()
        .flat_map(|(kind, rows)| {
            let none = rows.is_empty().then(|| row(kind, "none", ""));
            rows.iter().map(|(name, address)| row(kind, name, address)).chain(none)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;
    use tritank_dsp::knobs::Knob;

    fn read(words: &[&str]) -> Result<Arguments, clap::Error> {
        Arguments::try_parse_from([&["tritank-standalone"], words].concat())
    }

    #[test]
    fn devices_knobs_and_gates_are_read() {
        Arguments::command().debug_assert();
        let words = "--record usb --output USB --block 128 --rate 96000 --gates-from 3 --gate-volts 10V";
        let words: Vec<_> = words.split(' ').chain(["--set", "exciter.level=0.5"]).collect();
        let arguments = read(&words).unwrap();
        let wanted = arguments.wanted();
        assert_eq!(
            (wanted.rate_hz, wanted.block, wanted.gates_from, wanted.gate_volts),
            (96_000, Some(128), Some(3), 10.0)
        );
        assert_eq!((wanted.input.as_deref(), wanted.output.as_deref(), wanted.midi), (Some("usb"), Some("USB"), None));
        let music = arguments.music().unwrap();
        assert_eq!(music.patch.settings.get(Knob::ExciterLevel), 0.5);
        assert!(music.recording.is_none());
    }

    #[test]
    fn what_is_not_allowed_is_refused_with_what_is() {
        for words in [
            &["--rate", "4000"][..],
            &["--block", "4"],
            &["--gates-from", "3"],
            &["--record", "a", "--gates-from", "0"],
            &["--record", "a", "--gates-from", "3", "--gate-volts", "0"],
            &["--record", "a", "--gates-from", "3", "--gate-volts", "-10V"],
            &["--record", "a", "--gates-from", "3", "--gate-volts", "10Hz"],
            &["--record", "a", "--input", "b.wav"],
        ] {
            assert!(read(words).is_err(), "{words:?}");
        }
        let error = read(&["--set", "exciter.level=loud"]).unwrap().music().unwrap_err().to_string();
        assert!(error.contains("exciter.level") && error.contains("loud"), "{error}");
        let error = read(&["--input", "no such file.wav"]).unwrap().music().unwrap_err().to_string();
        assert!(error.starts_with("no such file.wav: "), "{error}");
    }

    #[test]
    fn a_recording_that_cannot_be_played_is_refused_with_the_place() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("odd.wav");
        let refused = |channels: Vec<Vec<f64>>| {
            Recording { rate_hz: 48_000, channels }.write(&file).unwrap();
            let music = read(&["--input", file.to_str().unwrap()]).unwrap().music();
            music.err().map(|error| error.to_string().replace(file.to_str().unwrap(), "odd.wav")).unwrap_or_default()
        };
        assert_eq!(refused(vec![vec![0.5]]), "");
        assert_eq!(refused(vec![vec![]]), "odd.wav: data: given no samples, allowed is at least one frame");
        assert_eq!(refused(vec![vec![0.0]; 8]), "odd.wav: header: given 8 channels, allowed are 1 or 2");
        let hole = vec![vec![0.0; 9], [vec![0.0; 7], vec![f64::NAN, f64::INFINITY]].concat()];
        let told = "odd.wav: data: given 2 samples that are not finite, the first in frame 7, allowed are finite ones";
        assert_eq!(refused(hole), told);
    }

    #[test]
    fn what_there_is_not_is_said_too() {
        let device = |name: &str, address: &str| Device { name: name.into(), address: address.into() };
        let outputs = vec![device("horn", "plughw:1"), device("Nothing", "null"), device("tape", "tape")];
        let midi = vec![device("keyboard", "a"), device("keyboard", "b"), device("pads 24:0", "24:0")];
        let devices = Devices { outputs, midi, ..Devices::default() };
        let expected = "output   horn       plughw:1\noutput   tape\nrecord   none\n\
                        midi     keyboard   a\nmidi     keyboard   b\nmidi     pads 24:0\n";
        assert_eq!(listed(&devices), expected);
    }
}

//! Sound in memory, and as WAV files: 1.0 is 1 V.
//!
//! An integer WAV at full scale is ±1 V. Files are read with 16, 24 or 32 bits, whole numbers or float, mono or stereo,
//! and written as 32-bit float.

use crate::fault::Fault;
use crate::whole_file::WholeFile;
use hound::{SampleFormat, WavReader, WavSpec, WavWriter};
use rubato::audioadapter_buffers::direct::SequentialSliceOfVecs;
use rubato::{Fft, FixedSync, Resampler, WindowFunction};
use std::fs::File;
use std::io::{BufWriter, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};

/// Sample rates that the instrument runs at.
pub const RATES_HZ: std::ops::RangeInclusive<u32> = 8_000..=768_000;

/// Frames at the lower rate that are resampled at once.
const RESAMPLING_BLOCK: usize = 4096;

/// Channels of equal length at one sample rate.
#[derive(Clone, Debug, PartialEq)]
pub struct Sound {
    /// Samples a second.
    pub rate_hz: u32,
    /// Volts, channel by channel, all of the same length.
    pub channels: Vec<Vec<f64>>,
}

impl Sound {
    /// Frames in it.
    pub fn frames(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }

    /// Its length in seconds.
    pub fn seconds(&self) -> f64 {
        self.frames() as f64 / f64::from(self.rate_hz)
    }

    /// Reads a mono or stereo WAV.
    ///
    /// # Errors
    /// The file, the place in it, what was given and what is allowed.
    pub fn read(file: &Path) -> Result<Self, Fault> {
        let refuse = |what: String| Fault::in_file(file, what);
        let opened = File::open(file).map_err(|error| refuse(crate::fault::told(&error)))?;
        let mut reader = WavReader::new(std::io::BufReader::new(opened)).map_err(|error| refuse(no_wav(&error)))?;
        let WavSpec { channels, sample_rate, bits_per_sample: bits, sample_format } = reader.spec();
        if !(1..=2).contains(&channels) {
            return Err(refuse(format!("header: given {channels} channels, allowed are 1 or 2")));
        }
        if !RATES_HZ.contains(&sample_rate) {
            return Err(refuse(format!("header: given {sample_rate} Hz, allowed is 8000 Hz to 768000 Hz")));
        }
        let samples: Result<Vec<f64>, hound::Error> = match (sample_format, bits) {
            (SampleFormat::Float, 32) => reader.samples::<f32>().map(|s| s.map(f64::from)).collect(),
            (SampleFormat::Int, 16 | 24 | 32) => {
                let full = f64::from(bits - 1).exp2();
                reader.samples::<i32>().map(|s| s.map(|s| f64::from(s) / full)).collect()
            }
            (format, bits) => {
                let kind = if format == SampleFormat::Int { "whole numbers" } else { "float" };
                let allowed = "allowed are 16, 24 or 32 bit whole numbers and 32 bit float";
                return Err(refuse(format!("header: given {bits} bit {kind}, {allowed}")));
            }
        };
        let promised = reader.duration();
        let samples = samples.map_err(|_| {
            refuse(format!(
                "data: given fewer than the {promised} frames that the header promises, allowed is a whole file"
            ))
        })?;
        if samples.is_empty() {
            return Err(refuse("data: given no samples, allowed is at least one frame".into()));
        }
        let count = usize::from(channels);
        let channels = (0..count).map(|n| samples.iter().skip(n).step_by(count).copied().collect()).collect();
        Ok(Self { rate_hz: sample_rate, channels })
    }

    /// Writes a 32-bit float WAV, whole or not at all.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn write(&self, file: &Path) -> Result<(), Fault> {
        let mut writer = WavFile::create(file, self.rate_hz, self.channels.len() as u16, self.frames() as u64)?;
        for frame in 0..self.frames() {
            for channel in &self.channels {
                writer.push(channel[frame])?;
            }
        }
        writer.finish()
    }

    /// All channels summed to one, at half the sum for two: what a mono jack hears of a balanced pair of channels.
    pub fn mono(&self) -> Self {
        let share = 1.0 / self.channels.len() as f64;
        let mix = (0..self.frames()).map(|n| share * self.channels.iter().map(|c| c[n]).sum::<f64>()).collect();
        Self { rate_hz: self.rate_hz, channels: vec![mix] }
    }

    /// How many samples are not a number or infinite, and the frame of the first.
    pub fn not_finite(&self) -> Option<(usize, usize)> {
        let bad = |s: &f64| !s.is_finite();
        let count = self.channels.iter().flatten().filter(|s| bad(s)).count();
        let first = self.channels.iter().filter_map(|channel| channel.iter().position(bad)).min()?;
        Some((count, first))
    }

    /// The same sound at another rate, aligned with this one from the first sample on.
    ///
    /// # Errors
    /// A rate that the instrument does not run at.
    pub fn at_rate(&self, rate_hz: u32) -> Result<Self, Fault> {
        if rate_hz == self.rate_hz {
            return Ok(self.clone());
        }
        // One block of a few thousand frames at the lower rate: a steep, linear-phase band limit just below the lower
        // Nyquist rate. An even number of units, so that the library's delay of half a block is whole frames.
        let (from, to, count) = (self.rate_hz as usize, rate_hz as usize, self.channels.len());
        let unit = from / common_divisor(from, to);
        let block = 2 * unit * (RESAMPLING_BLOCK * from / from.min(to)).div_ceil(2 * unit);
        let no_way = |error: &dyn std::fmt::Display| Fault::new(format!("rate: given {from} Hz to {to} Hz: {error}"));
        let window = WindowFunction::BlackmanHarris2;
        let mut resampler =
            Fft::<f64>::new_custom(from, to, block, 1, count, window, FixedSync::Both).map_err(|e| no_way(&e))?;
        let frames = self.frames();
        let input = SequentialSliceOfVecs::new(&self.channels, count, frames).map_err(|e| no_way(&e))?;
        let output = resampler.process_all(&input, frames, None).map_err(|e| no_way(&e))?.take_data();
        // The library rounds the ratio first and may come out a frame longer.
        let length = (frames as u64 * u64::from(rate_hz)).div_ceil(u64::from(self.rate_hz)) as usize;
        let channels =
            (0..count).map(|n| output.iter().skip(n).step_by(count).take(length).copied().collect()).collect();
        Ok(Self { rate_hz, channels })
    }
}

/// Euclid's.
fn common_divisor(a: usize, b: usize) -> usize {
    if b == 0 { a } else { common_divisor(b, a % b) }
}

/// What hound has to say, in one clause.
fn no_wav(error: &hound::Error) -> String {
    let given = match error {
        hound::Error::IoError(error) if error.kind() == std::io::ErrorKind::IsADirectory => {
            return crate::fault::told(error);
        }
        hound::Error::IoError(_) => "a header that breaks off".to_owned(),
        hound::Error::FormatError(what) => format!("no WAV file ({what})"),
        hound::Error::Unsupported => "a coding that is not read".to_owned(),
        other => other.to_string(),
    };
    format!("header: given {given}, allowed is WAV with 16, 24 or 32 bit whole numbers or 32 bit float")
}

/// A 32-bit float WAV on its way; it appears whole or not at all.
pub struct WavFile {
    name: PathBuf,
    file: WholeFile,
    writer: WavWriter<BufWriter<File>>,
}

/// Where the mask of loudspeaker positions stands in the header of a file of more than two channels.
const POSITIONS_AT: u64 = 40;

impl WavFile {
    /// The longest that a WAV file of so many channels can be.
    pub fn most_frames(channels: u16) -> u64 {
        u64::from(u32::MAX - 1024) / (4 * u64::from(channels.max(1)))
    }

    /// Opens a file for so many frames.
    ///
    /// # Errors
    /// When it cannot be written, is longer than a WAV file can say, or its name says that it is none.
    pub fn create(name: &Path, rate_hz: u32, channels: u16, frames: u64) -> Result<Self, Fault> {
        if let Some(ending) = name.extension().and_then(|ending| ending.to_str())
            && !["wav", "wave"].iter().any(|good| ending.eq_ignore_ascii_case(good))
        {
            return Err(Fault::in_file(
                name,
                format!("given the ending \"{ending}\", allowed is wav: it will be a WAV file"),
            ));
        }
        let most = Self::most_frames(channels);
        if frames > most {
            let given = frames as f64 / f64::from(rate_hz);
            let allowed = (most / u64::from(rate_hz)) as f64;
            return Err(Fault::in_file(
                name,
                format!(
                    "given {given:.0} s of {channels} channels at {rate_hz} Hz, allowed in a WAV file is {allowed} s"
                ),
            ));
        }
        let file = WholeFile::create(name)?;
        let spec = WavSpec { channels, sample_rate: rate_hz, bits_per_sample: 32, sample_format: SampleFormat::Float };
        let writer = WavWriter::new(BufWriter::new(file.handle()?), spec).map_err(|e| Fault::in_file(name, e))?;
        Ok(Self { name: name.to_owned(), file, writer })
    }

    /// The next sample: channel after channel, frame after frame.
    ///
    /// # Errors
    /// When it cannot be written, for want of room for example.
    pub fn push(&mut self, volts: f64) -> Result<(), Fault> {
        self.writer.write_sample(volts as f32).map_err(|error| Fault::in_file(&self.name, error))
    }

    /// Lets the file appear.
    ///
    /// # Errors
    /// When it cannot be flushed or renamed; then nothing appears.
    pub fn finish(self) -> Result<(), Fault> {
        self.writer.finalize().map_err(|error| Fault::in_file(&self.name, error))?;
        self.file.finish()
    }

    /// The same for channels that are no loudspeaker's: the header names no positions, so that no player moves them to
    /// any. Of one or two channels it never does.
    ///
    /// # Errors
    /// As [`WavFile::finish`].
    pub fn finish_without_loudspeakers(self) -> Result<(), Fault> {
        let refuse = |error: &dyn std::fmt::Display| Fault::in_file(&self.name, error);
        let channels = self.writer.spec().channels;
        self.writer.finalize().map_err(|error| refuse(&error))?;
        if channels > 2 {
            let mut file = self.file.handle()?;
            file.seek(SeekFrom::Start(POSITIONS_AT)).map_err(|error| refuse(&error))?;
            file.write_all(&[0; 4]).map_err(|error| refuse(&error))?;
        }
        self.file.finish()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn tone(rate_hz: u32, hertz: f64, frames: usize) -> Sound {
        let channel = (0..frames).map(|n| (TAU * hertz * n as f64 / f64::from(rate_hz)).sin()).collect();
        Sound { rate_hz, channels: vec![channel] }
    }

    /// Both ways: a tone at another rate is the same tone, in place to far less than a sample.
    #[test]
    fn a_resampled_tone_stays_where_it_is() {
        for (from, to) in [(44_100, 48_000), (96_000, 44_100), (48_000, 192_000), (22_050, 48_000)] {
            let there = tone(from, 997.0, from as usize).at_rate(to).unwrap();
            assert_eq!(there.frames(), to as usize);
            let wanted = tone(to, 997.0, to as usize);
            // Ends aside, where the tone starts out of nothing.
            let worst = (8192..to as usize - 16384)
                .map(|n| (there.channels[0][n] - wanted.channels[0][n]).abs())
                .fold(0.0, f64::max);
            assert!(worst < 1e-5, "{from} to {to}: {:.1} dB", 20.0 * worst.log10());
        }
    }

    #[test]
    fn whole_numbers_and_float_read_as_the_same_volts() {
        let folder = tempfile::tempdir().unwrap();
        for (bits, format) in
            [(16, SampleFormat::Int), (24, SampleFormat::Int), (32, SampleFormat::Int), (32, SampleFormat::Float)]
        {
            let name = folder.path().join(format!("{bits}{format:?}.wav"));
            let spec = WavSpec { channels: 2, sample_rate: 48_000, bits_per_sample: bits, sample_format: format };
            let mut writer = WavWriter::create(&name, spec).unwrap();
            for volts in [0.5, -1.0, 0.25, 0.0] {
                if format == SampleFormat::Int {
                    writer.write_sample((volts * f64::from(bits - 1).exp2()) as i32).unwrap();
                } else {
                    writer.write_sample(volts as f32).unwrap();
                }
            }
            writer.finalize().unwrap();
            let sound = Sound::read(&name).unwrap();
            assert_eq!(sound.channels, [vec![0.5, 0.25], vec![-1.0, 0.0]]);
            assert_eq!(sound.mono().channels, [vec![-0.25, 0.125]]);
            sound.write(&name).unwrap();
            assert_eq!(Sound::read(&name).unwrap(), sound);
        }
    }

    #[test]
    fn what_is_not_finite_is_counted_and_placed() {
        let sound = Sound { rate_hz: 48_000, channels: vec![vec![0.0, 1.0, f64::NAN], vec![0.0, f64::INFINITY, 0.0]] };
        assert_eq!(sound.not_finite(), Some((2, 1)));
        assert_eq!(tone(48_000, 100.0, 10).not_finite(), None);
    }

    #[test]
    fn a_file_longer_than_a_wav_can_say_is_refused_before_the_work() {
        let folder = tempfile::tempdir().unwrap();
        let error = WavFile::create(&folder.path().join("long.wav"), 48_000, 4, 1 << 31).err().unwrap().to_string();
        assert!(error.contains("long.wav") && error.contains("allowed"), "{error}");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    }
}

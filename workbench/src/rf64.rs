//! A WAV that is longer than 4 GiB: RF64, after EBU Tech 3306 (the same layout is the 64-bit form of ITU-R BS.2088).
//!
//! ```text
//!   "RF64" ff ff ff ff "WAVE"
//!   "ds64" 28   whole file − 8, data, frames   (8 bytes each)   table of 0
//!   "fmt " 40   extensible, 32-bit float, no loudspeaker positions
//!   "data" ff ff ff ff   samples …
//! ```
//! Only the header is our own; the sizes that a WAV says in 32 bits are all ones there and stand in `ds64`. Its place,
//! first behind the file's type, is the standard's.

use crate::fault::Fault;
use crate::whole_file::WholeFile;
use std::fs::File;
use std::io::{BufWriter, Write as _};
use std::path::{Path, PathBuf};

/// Bytes before the first sample.
pub const HEADER_BYTES: usize = 104;

/// "Look in ds64", in a field of 32 bits.
const IN_DS64: [u8; 4] = [0xff; 4];

/// `WAVE_FORMAT_EXTENSIBLE` and its subformat of IEEE floats, 00000003-0000-0010-8000-00aa00389b71.
const EXTENSIBLE: u16 = 0xfffe;
const FLOAT: [u8; 16] = [3, 0, 0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71];

/// The header of so many frames of 32-bit float.
///
/// # Panics
/// Never: its parts are of fixed lengths.
pub fn header(rate_hz: u32, channels: u16, frames: u64) -> [u8; HEADER_BYTES] {
    let frame_bytes = 4 * channels;
    let data = frames * u64::from(frame_bytes);
    let mut bytes = Vec::with_capacity(HEADER_BYTES);
    let mut put = |part: &[u8]| bytes.extend_from_slice(part);
    put(b"RF64");
    put(&IN_DS64);
    put(b"WAVEds64");
    put(&28u32.to_le_bytes());
    put(&(data + HEADER_BYTES as u64 - 8).to_le_bytes());
    put(&data.to_le_bytes());
    put(&frames.to_le_bytes());
    put(&0u32.to_le_bytes());
    put(b"fmt ");
    put(&40u32.to_le_bytes());
    put(&EXTENSIBLE.to_le_bytes());
    put(&channels.to_le_bytes());
    put(&rate_hz.to_le_bytes());
    put(&(rate_hz * u32::from(frame_bytes)).to_le_bytes());
    put(&frame_bytes.to_le_bytes());
    put(&32u16.to_le_bytes());
    put(&22u16.to_le_bytes());
    put(&32u16.to_le_bytes());
    put(&0u32.to_le_bytes());
    put(&FLOAT);
    put(b"data");
    put(&IN_DS64);
    bytes.try_into().expect("the parts of the header are of fixed lengths")
}

/// An RF64 file on its way; it appears whole or not at all.
pub struct Rf64File {
    name: PathBuf,
    file: WholeFile,
    writer: BufWriter<File>,
    /// Samples still to come.
    left: u64,
}

impl Rf64File {
    /// Opens a file for so many frames.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn create(name: &Path, rate_hz: u32, channels: u16, frames: u64) -> Result<Self, Fault> {
        let file = WholeFile::create(name)?;
        let mut writer = BufWriter::with_capacity(1 << 16, file.handle()?);
        writer.write_all(&header(rate_hz, channels, frames)).map_err(|error| Fault::in_file(name, error))?;
        Ok(Self { name: name.to_owned(), file, writer, left: frames * u64::from(channels) })
    }

    /// The next sample: channel after channel, frame after frame.
    ///
    /// # Errors
    /// When it cannot be written, for want of room for example.
    pub fn push(&mut self, sample: f32) -> Result<(), Fault> {
        self.left = self.left.checked_sub(1).ok_or_else(|| self.unlike_its_header())?;
        self.writer.write_all(&sample.to_le_bytes()).map_err(|error| Fault::in_file(&self.name, error))
    }

    /// Lets the file appear.
    ///
    /// # Errors
    /// When it cannot be flushed or renamed, or is shorter than its header says; then nothing appears.
    pub fn finish(mut self) -> Result<(), Fault> {
        if self.left > 0 {
            return Err(self.unlike_its_header());
        }
        self.writer.flush().map_err(|error| Fault::in_file(&self.name, error))?;
        self.file.finish()
    }

    fn unlike_its_header(&self) -> Fault {
        Fault::in_file(&self.name, "given other samples than the header says, allowed are as many")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use bwavfile::WaveReader;
    use std::io::{Seek as _, SeekFrom};

    /// Field by field, at the offsets of EBU Tech 3306 (2007, annex A.2) and of `WAVEFORMATEXTENSIBLE`.
    #[test]
    fn the_header_of_ten_gigabytes_says_so_in_64_bits() {
        let frames = 200_000_000;
        let header = header(96_000, 14, frames);
        let word = |at: usize| u32::from_le_bytes(header[at..at + 4].try_into().unwrap());
        let long = |at: usize| u64::from_le_bytes(header[at..at + 8].try_into().unwrap());
        assert_eq!((&header[..4], word(4), &header[8..16], word(16)), (&b"RF64"[..], u32::MAX, &b"WAVEds64"[..], 28));
        let data = frames * 14 * 4;
        assert!(data > 1 << 33);
        assert_eq!((long(20), long(28), long(36), word(44)), (data + 104 - 8, data, frames, 0));
        assert_eq!((&header[48..52], word(52)), (&b"fmt "[..], 40));
        assert_eq!((word(56), word(60), word(64), word(68)), (0x000e_fffe, 96_000, 96_000 * 56, 0x0020_0038));
        assert_eq!((word(72), word(76)), (0x0020_0016, 0));
        assert_eq!((&header[96..100], word(100)), (&b"data"[..], u32::MAX));
    }

    /// A file with a hole in it, read by a library of others: its length, and the last frame beyond 4 GiB.
    #[test]
    fn a_long_file_reads_back_to_its_last_frame() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("long.wav");
        let frames = 100_000_000;
        let mut file = File::create(&name).unwrap();
        file.write_all(&header(48_000, 14, frames)).unwrap();
        let last = HEADER_BYTES as u64 + (frames - 1) * 56;
        assert!(last > 1 << 32);
        file.seek(SeekFrom::Start(last)).unwrap();
        (0..14u8).for_each(|n| file.write_all(&(f32::from(n) / 16.0).to_le_bytes()).unwrap());
        drop(file);

        let mut reader = WaveReader::open(&name).unwrap();
        reader.validate_readable().unwrap();
        let format = reader.format().unwrap();
        assert_eq!((format.channel_count, format.sample_rate, format.bits_per_sample), (14, 48_000, 32));
        assert_eq!(reader.frame_length().unwrap(), frames);
        let mut frames_in = reader.audio_frame_reader().unwrap();
        frames_in.locate(frames - 1).unwrap();
        let mut frame = [0f32; 14];
        assert_eq!(frames_in.read_frames(&mut frame).unwrap(), 1);
        assert!(frame.iter().zip(0u8..).all(|(sample, n)| *sample == f32::from(n) / 16.0), "{frame:?}");
    }

    #[test]
    fn a_file_unlike_its_header_does_not_appear() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("out.wav");
        let mut file = Rf64File::create(&name, 48_000, 1, 2).unwrap();
        file.push(0.5).unwrap();
        assert!(file.finish().unwrap_err().to_string().contains("header"));
        let mut file = Rf64File::create(&name, 48_000, 1, 1).unwrap();
        file.push(0.5).unwrap();
        assert!(file.push(0.5).is_err());
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
        file.finish().unwrap();
        assert_eq!(std::fs::metadata(&name).unwrap().len(), 108);
    }
}

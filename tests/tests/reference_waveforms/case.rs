//! One case with its solution, played on the engine and judged.

use crate::low_pass::below_16_khz;
use crate::reference_unit::{Unit, fixture, folder};
use crate::signal::{Signal, Sweep};
use serde_json::Value;
use std::ops::Range;
use std::path::Path;
use tritank_dsp::instrument::{Input, Instrument};
use tritank_dsp::knobs::{Knob, QUALITIES};
use tritank_dsp::lines::{Line, Source};

pub(crate) struct Case {
    pub(crate) name: String,
    pub(crate) record: Value,
    /// The host's frames.
    rate_hz: f64,
    /// Host frames for one of the solution.
    divisor: usize,
    /// Frames of the solution over which it is judged.
    judged: Range<usize>,
    /// Where the taps stand before the start, volts.
    pub(crate) rest: [f64; 3],
    /// Taps by frame from there, volts.
    pub(crate) solution: Vec<[f64; 3]>,
}

impl Case {
    pub(crate) fn read(name: &str) -> Self {
        let record = fixture(&format!("{name}.json"));
        let count = |value: &Value| usize::try_from(value.as_u64().expect("a count")).expect("a count");
        let (rate, stored) = (count(&record["rate_hz"]), count(&record["stored_hz"]));
        assert_eq!(rate % stored, 0, "{name}");
        let judged = count(&record["judged"][0])..count(&record["judged"][1]);
        let rest = std::array::from_fn(|tap| record["rest_volts"][tap].as_f64().expect("volts"));
        let solution = read_npy(&folder().join("fixtures").join(format!("{name}.npy")));
        assert_eq!(solution.len(), judged.end + count(&record["margin"]), "{name}");
        Self { name: name.to_owned(), rate_hz: rate as f64, divisor: rate / stored, judged, rest, solution, record }
    }

    fn signal(&self, input: &str) -> Option<Signal> {
        self.record["inputs"].get(input).map(Signal::of)
    }

    /// Host frame, line, on.
    pub(crate) fn edges(&self) -> Vec<(usize, Line, bool)> {
        let row = |edge: &Value| {
            let frame = usize::try_from(edge[0].as_u64()?).ok()?;
            Some((frame, Line::parse(edge[1].as_str()?)?, edge[2].as_bool()?))
        };
        self.record["edges"].as_array().expect("edges").iter().map(|edge| row(edge).expect("frame, line, on")).collect()
    }

    /// The engine's taps by host frame, latency taken out; and how often its solver fell back.
    pub(crate) fn play(&self, quality: usize) -> (Vec<[f64; 3]>, u64) {
        let mut unit = Unit::of(&self.record);
        let place = QUALITIES.iter().position(|q| *q == quality).expect("a quality");
        unit.settings.set(Knob::UnitQuality, place as f64);
        for stage in 0..3 {
            unit.settings.set(Knob::code(stage), f64::from(unit.codes[stage]));
        }
        let mut instrument =
            Instrument::new(&unit.board, &unit.settings, self.rate_hz).expect("a rate that is allowed");
        let jacks = ["in1", "in2", "in3"].map(|name| self.signal(name));
        let mut sweeps: Vec<Sweep> = (1..=3)
            .zip([Knob::Stage1Sweep, Knob::Stage2Sweep, Knob::Stage3Sweep])
            .filter_map(|(n, knob)| {
                let rest = unit.settings.get(knob);
                self.signal(&format!("sweep{n}")).map(|signal| Sweep::new(knob, signal, rest))
            })
            .collect();
        let mut edges = self.edges().into_iter().peekable();
        let latency = instrument.latency();
        let frames = self.solution.len() * self.divisor;
        let mut taps = Vec::with_capacity(frames);
        for frame in 0..frames + latency {
            while let Some((_, line, on)) = edges.next_if(|(at, ..)| *at == frame) {
                let resting = unit.codes[line.index() / 4] >> (line.index() % 4) & 1 == 1;
                instrument.gate(Source::Score, line, on != resting);
            }
            for sweep in &mut sweeps {
                // The frame's own interval ends one frame later.
                sweep.turn(&mut instrument, self.rate_hz, (frame + 1) as f64 / self.rate_hz);
            }
            let seconds = frame as f64 / self.rate_hz;
            let [main, stage2, stage3] =
                jacks.each_ref().map(|jack| jack.as_ref().map_or(0.0, |signal| signal.at(seconds)));
            let out = instrument.tick(Input { main: [main; 2], stage2, stage3 });
            if frame >= latency {
                taps.push(out.taps);
            }
        }
        assert!(edges.next().is_none(), "{}: an edge comes too late, or out of order", self.name);
        (taps, instrument.counts().fallbacks)
    }

    /// Error to signal of each tap, given by host frame, dB.
    pub(crate) fn error_db(&self, taps: &[[f64; 3]]) -> [f64; 3] {
        let low = |row: &mut dyn Iterator<Item = f64>, every: usize| {
            let rate_hz = self.rate_hz * every as f64 / self.divisor as f64;
            below_16_khz(&row.collect::<Vec<_>>(), rate_hz, every, self.judged.clone())
        };
        let rms = |row: &[f64]| (row.iter().map(|x| x * x).sum::<f64>() / row.len() as f64).sqrt();
        let solved: [_; 3] = std::array::from_fn(|tap| low(&mut self.solution.iter().map(|frame| frame[tap]), 1));
        let signal = solved.each_ref().map(|row| rms(row));
        let loudest = signal.iter().copied().fold(0.0, f64::max);
        std::array::from_fn(|tap| {
            let mut error = low(&mut taps.iter().map(|frame| frame[tap] - self.rest[tap]), self.divisor);
            error.iter_mut().zip(&solved[tap]).for_each(|(given, solved)| *given -= solved);
            let error = rms(&error);
            assert!(error.is_finite(), "{} tap {}: not finite", self.name, tap + 1);
            let held_against = if signal[tap] > 1e-6 * loudest { signal[tap] } else { loudest };
            20.0 * (error / held_against).log10()
        })
    }
}

/// Little-endian float32, rows of three: the format of numpy's `save`, version 1.0.
fn read_npy(path: &Path) -> Vec<[f64; 3]> {
    let bytes = std::fs::read(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    assert_eq!(&bytes[..8], b"\x93NUMPY\x01\x00", "{}", path.display());
    let start = 10 + usize::from(u16::from_le_bytes([bytes[8], bytes[9]]));
    let header = String::from_utf8_lossy(&bytes[10..start]);
    assert!(header.contains("'<f4'") && header.contains("'fortran_order': False"), "{}: {header}", path.display());
    let value = |four: &[u8]| f64::from(f32::from_le_bytes(four.try_into().expect("four bytes")));
    bytes[start..].chunks_exact(12).map(|row| std::array::from_fn(|n| value(&row[4 * n..4 * n + 4]))).collect()
}

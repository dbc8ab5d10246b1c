//! What comes in, on its way to the deck: two channels of sound and a gate for every line, at the rate of the output.
//!
//! ```text
//!   sound ──► 32 frames ──► band-limited interpolation ──┐
//!   gates ──► wait as long as that takes, and stay ──────┴─► wires          (straight through when both rates are the same)
//! ```
//! Interpolation is by windowed sinc (rubato, fixed number of frames in). A gate is no sound: band-limited it would ring about
//! its threshold, so each frame takes the latest that is due.

use crate::wires::{Frame, Side, Wires};
use rubato::audioadapter_buffers::direct::SequentialSliceOfVecs;
use rubato::{Async, FixedAsync, Resampler, SincInterpolationParameters, WindowFunction};
use std::collections::VecDeque;
use std::sync::Arc;
use tritank_dsp::lines::Line;

/// Frames that are resampled at once: two thirds of a millisecond at 48 kHz, and less than any block.
const CHUNK: usize = 32;

/// Taps of the sinc. With the window below its cut-off is at 0.9 of the lower Nyquist rate, and it is 64 frames late.
const TAPS: usize = 128;

/// Frames, at the rate that comes in, that resampling holds back at most.
pub const HELD: usize = TAPS / 2 + CHUNK;

type Gates = [f32; Line::COUNT];

/// The input thread's part of a session.
pub struct Inlet {
    wires: Arc<Wires>,
    /// Channel of the first gate, from 0.
    gates_from: Option<usize>,
    gate_volts: f32,
    resampled: Option<Resampled>,
}

struct Resampled {
    resampler: Async<f32>,
    /// Frames of both channels that wait for a chunk to be full.
    main: [Vec<f32>; 2],
    filled: usize,
    played: [Vec<f32>; 2],
    /// Gates of the frames that the interpolation holds back, and of the chunk; oldest first.
    gates: VecDeque<Gates>,
}

impl Inlet {
    /// From one rate to another, hertz. Gates are read from channel `gates_from` (from 1) on, `gate_volts` at full scale.
    ///
    /// # Errors
    /// Rates between which there is no way.
    pub fn new(
        wires: Arc<Wires>,
        gates_from: Option<usize>,
        gate_volts: f32,
        from_hz: u32,
        to_hz: u32,
    ) -> Result<Self, String> {
        let no_way = |error: rubato::ResamplerConstructionError| format!("given {from_hz} Hz to {to_hz} Hz: {error}");
        let resampled = if from_hz == to_hz { None } else { Some(Resampled::new(from_hz, to_hz).map_err(no_way)?) };
        Ok(Self { wires, gates_from: gates_from.map(|channel| channel.saturating_sub(1)), gate_volts, resampled })
    }

    /// Takes one block: frames, each of `channels` interleaved, at `full_scale` of what the system counts in.
    pub fn hear<T: Copy>(&mut self, heard: &[T], channels: usize, full_scale: impl Fn(T) -> f32) {
        for frame in heard.chunks_exact(channels.max(1)) {
            self.hear_frame(channels, |channel| full_scale(frame[channel]));
        }
        self.wires.turn(Side::In);
    }

    /// Takes one frame: of `channels`, each at `full_scale(channel)`. When the output does not keep up, the oldest frames are
    /// left out.
    fn hear_frame(&mut self, channels: usize, full_scale: impl Fn(usize) -> f32) {
        let volts = |channel: usize| if channel < channels { full_scale(channel) } else { 0.0 };
        let main = [volts(0), volts(1.min(channels.saturating_sub(1)))];
        let gates = match self.gates_from {
            Some(first) => std::array::from_fn(|line| self.gate_volts * volts(first + line)),
            None => [0.0; Line::COUNT],
        };
        match &mut self.resampled {
            None => drop(self.wires.sound.force_push(Frame { main, gates })),
            Some(resampled) => resampled.hear(main, gates, &self.wires),
        }
    }
}

impl Resampled {
    fn new(from_hz: u32, to_hz: u32) -> Result<Self, rubato::ResamplerConstructionError> {
        let sinc = SincInterpolationParameters::new(TAPS, WindowFunction::BlackmanHarris2);
        let ratio = f64::from(to_hz) / f64::from(from_hz);
        let resampler = Async::new_sinc(ratio, 1.0, &sinc, CHUNK, 2, FixedAsync::Input)?;
        let most = resampler.output_frames_max();
        let late = (resampler.output_delay() as f64 / ratio).round() as usize;
        let mut gates = VecDeque::with_capacity(late + CHUNK);
        gates.extend(std::iter::repeat_n([f32::NAN; Line::COUNT], late));
        let room = |frames: usize| [vec![0.0; frames], vec![0.0; frames]];
        Ok(Self { resampler, main: room(CHUNK), filled: 0, played: room(most), gates })
    }

    fn hear(&mut self, main: [f32; 2], gates: Gates, wires: &Wires) {
        for (channel, volts) in self.main.iter_mut().zip(main) {
            channel[self.filled] = volts;
        }
        self.gates.push_back(gates);
        self.filled += 1;
        if self.filled < CHUNK {
            return;
        }
        self.filled = 0;
        let most = self.played[0].len();
        // Both have the rooms that they were made with.
        let Ok(input) = SequentialSliceOfVecs::new(&self.main[..], 2, CHUNK) else { return };
        let Ok(mut output) = SequentialSliceOfVecs::new_mut(&mut self.played[..], 2, most) else { return };
        let played = self.resampler.process_into_buffer(&input, &mut output, None).map_or(0, |(_, played)| played);
        for n in 0..played {
            let frame = Frame { main: [self.played[0][n], self.played[1][n]], gates: self.gates[n * CHUNK / played] };
            wires.sound.force_push(frame);
        }
        self.gates.drain(..CHUNK);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What comes of a sine of 1 kHz and half a volt, and of a gate that goes to 10 V at a tenth of a second.
    fn heard(from_hz: u32, to_hz: u32) -> Vec<Frame> {
        let wires = Arc::new(Wires::new(to_hz as usize));
        let mut inlet = Inlet::new(wires.clone(), Some(3), 10.0, from_hz, to_hz).unwrap();
        let mut frames = Vec::new();
        for n in 0..from_hz / 2 {
            let sine = 0.5 * (f64::from(n) / f64::from(from_hz) * std::f64::consts::TAU * 1000.0).sin() as f32;
            let gate = if n >= from_hz / 10 { 1.0 } else { 0.0 };
            inlet.hear(&[sine, -sine, 0.0, gate], 4, |volts| volts);
            frames.extend(std::iter::from_fn(|| wires.sound.pop()));
        }
        frames
    }

    #[test]
    fn at_one_rate_every_frame_comes_through_as_it_is() {
        let frames = heard(48_000, 48_000);
        assert_eq!(frames.len(), 24_000);
        for (n, frame) in frames.iter().enumerate() {
            let sine = 0.5 * (n as f64 / 48e3 * std::f64::consts::TAU * 1000.0).sin() as f32;
            assert_eq!(frame.main, [sine, -sine], "frame {n}");
            let mut gates = [0.0; Line::COUNT];
            gates[1] = if n >= 4800 { 10.0 } else { 0.0 };
            assert_eq!(frame.gates, gates, "frame {n}");
        }
    }

    #[test]
    fn between_two_rates_a_sine_stays_one_and_a_gate_stays_square_and_in_time() {
        for (from_hz, to_hz) in
            [(44_100, 48_000), (48_000, 44_100), (96_000, 48_000), (48_000, 192_000), (44_100, 96_000)]
        {
            let frames = heard(from_hz, to_hz);
            let expected = f64::from(to_hz) / 2.0;
            assert!((frames.len() as f64 - expected).abs() < 1500.0 * f64::from(to_hz) / f64::from(from_hz));
            // The sine of that frequency that is nearest, over a whole number of periods, and what it leaves.
            let step = std::f64::consts::TAU * 1000.0 / f64::from(to_hz);
            let part = &frames[to_hz as usize / 20..][..to_hz as usize / 5];
            let sum = |wave: fn(f64) -> f64| -> f64 {
                let products =
                    part.iter().enumerate().map(|(n, frame)| f64::from(frame.main[0]) * wave(n as f64 * step));
                2.0 / part.len() as f64 * products.sum::<f64>()
            };
            let (sine, cosine) = (sum(f64::sin), sum(f64::cos));
            let left = part.iter().enumerate().map(|(n, frame)| {
                let fitted = sine * (n as f64 * step).sin() + cosine * (n as f64 * step).cos();
                assert_eq!(frame.main[0], -frame.main[1]);
                (f64::from(frame.main[0]) - fitted).abs()
            });
            let worst = left.fold(0.0, f64::max);
            assert!((sine.hypot(cosine) - 0.5).abs() < 1e-5 && worst < 1e-5, "{from_hz} to {to_hz}: {worst:e}");
            // The gate is 0 V or 10 V and nothing between, and rises where the sine is as far as it was a tenth of a second in.
            let rise = frames.iter().position(|frame| frame.gates[1] == 10.0).unwrap();
            assert!(frames[rise..].iter().all(|frame| frame.gates[1] == 10.0));
            assert!(frames[..rise].iter().all(|frame| frame.gates[1] == 0.0 || frame.gates[1].is_nan()));
            let phase = |n: f64| cosine.atan2(sine) + n * step;
            let there = phase(rise as f64 - f64::from(to_hz) / 20.0).rem_euclid(std::f64::consts::TAU);
            let off_frames = there.min(std::f64::consts::TAU - there) / step;
            assert!(off_frames < 3.0 * (f64::from(to_hz) / f64::from(from_hz)).max(1.0), "{off_frames} frames");
        }
    }

    #[test]
    fn resampling_holds_back_no_more_than_is_said_at_any_rates() {
        for (from_hz, to_hz) in [(8000, 768_000), (768_000, 8000), (44_100, 48_000), (48_000, 44_101)] {
            let wires = Arc::new(Wires::new(from_hz.max(to_hz) as usize));
            let mut inlet = Inlet::new(wires.clone(), None, 1.0, from_hz, to_hz).unwrap();
            let ratio = f64::from(to_hz) / f64::from(from_hz);
            // A step after so many frames stands at half its height as many later, and what has been held back.
            let step = 96 * 96 + 17;
            let mut frames: Vec<Frame> = Vec::new();
            let mut needed = 0;
            while frames.last().is_none_or(|frame| frame.main[0] < 0.5) {
                inlet.hear(&[if needed < step { 0.0 } else { 1.0f32 }], 1, |volts| volts);
                frames.extend(std::iter::from_fn(|| wires.sound.pop()));
                needed += 1;
                assert!(needed < 2 * step, "the step never came");
            }
            let slack = (1.0 / ratio).ceil() as usize + 1;
            assert!(needed - step <= HELD + slack, "{from_hz} Hz to {to_hz} Hz: {} frames", needed - step);
            assert!(needed - step >= TAPS / 2, "{from_hz} Hz to {to_hz} Hz: {} frames", needed - step);
        }
    }
}

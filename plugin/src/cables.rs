//! Voltages from outside, and the lines read back.
//!
//! | port | channels | what |
//! |---|---|---|
//! | Gates | 14, in the order of [`Line::all`] | up at 1 V, down below 0.5 V, one more pull on the line |
//! | Control | exciter, sweeps 1 to 3 | 1 V/octave on what knob or key say; volts on top of the sweep's knob |
//! | Lines | 14, as Gates | 5 V while the line is on, 0 V while it is off, as late as the sound |
//!
//! `line = switch XOR keys XOR pattern XOR gate`: a channel of Gates is `gate`, one of Lines is `line`.
//!
//! A cable that stands still costs a look at its block, and a port without one a look at a block of silence.

use tritank_dsp::gate_input::GateInput;
use tritank_dsp::instrument::{Instrument, Voltage};
use tritank_dsp::lines::{Line, Source};

/// What a line that is on puts out, volts: five times what a gate input asks for, as logic of 5 V does.
pub const HIGH_VOLTS: f64 = 5.0;

/// What the inputs for voltages heard last.
#[derive(Clone, Copy, Debug, Default)]
pub struct Cables {
    gates: GateInput,
    volts: [f32; Voltage::COUNT],
}

/// Channels that change something within a block, bit n for channel n.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Moving {
    gates: u16,
    control: u16,
}

impl Moving {
    /// Whether there are any.
    pub fn is_any(self) -> bool {
        self != Self { gates: 0, control: 0 }
    }
}

impl Cables {
    /// Looks a block over.
    pub fn look(&self, gates: &[&mut [f32]], control: &[&mut [f32]]) -> Moving {
        let gate = |(line, volts): (Line, &&mut [f32])| u16::from(self.gates.may_turn(line, volts)) << line.index();
        let moves = |n: usize, volts: &[f32]| volts.iter().any(|new| *new != self.volts[n]);
        Moving {
            gates: Line::all().zip(gates).map(gate).sum(),
            control: (0..Voltage::COUNT).zip(control).map(|(n, volts)| u16::from(moves(n, volts)) << n).sum(),
        }
    }

    /// Passes on what changes at a frame of the block.
    #[inline]
    pub fn pass_on(
        &mut self,
        moving: Moving,
        gates: &[&mut [f32]],
        control: &[&mut [f32]],
        frame: usize,
        instrument: &mut Instrument,
    ) {
        for (line, volts) in Line::all().zip(gates).filter(|(line, _)| moving.gates >> line.index() & 1 == 1) {
            if let Some(on) = self.gates.hear(line, volts[frame]) {
                instrument.gate(Source::Inputs, line, on);
            }
        }
        for (n, volts) in control.iter().enumerate().filter(|(n, _)| moving.control >> n & 1 == 1) {
            let new = volts[frame];
            if new.is_finite() && new != self.volts[n] {
                self.volts[n] = new;
                instrument.control(Voltage::ALL[n], f64::from(new));
            }
        }
    }

    /// Lines that gates pull, bit n for line n of [`Line::all`].
    pub fn pulled(&self) -> u16 {
        Line::all().map(|line| u16::from(self.gates.is_high(line)) << line.index()).sum()
    }

    /// Tells a unit that was just put in what it stands at.
    pub fn tell(&self, instrument: &mut Instrument) {
        for line in Line::all() {
            instrument.gate(Source::Inputs, line, self.gates.is_high(line));
        }
        for (voltage, volts) in Voltage::ALL.into_iter().zip(self.volts) {
            instrument.control(voltage, f64::from(volts));
        }
    }

    /// Back to where no cable is plugged in.
    pub fn pull_out(&mut self, instrument: &mut Instrument) {
        *self = Self::default();
        self.tell(instrument);
    }
}

/// What a line puts out, volts, from the word of all.
#[inline]
pub fn line_volts(word: u16, line: usize) -> f64 {
    if word >> line & 1 == 1 { HIGH_VOLTS } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tritank_dsp::board::Board;
    use tritank_dsp::knobs::Settings;

    /// The same voltages in blocks of any size give the same edges, and only channels that move are heard.
    #[test]
    fn only_what_moves_is_passed_on_whatever_the_blocks() {
        let board = Board::built_in();
        let wave = |channel: usize, n: usize| match channel {
            3 if n % 50 >= 20 => 5.0,
            9 if n == 77 => f32::NAN,
            _ => 0.2,
        };
        let pitch = |n: usize| if n < 110 { 0.0 } else { 1.5 };
        let mut heard = Vec::new();
        for block in [1, 7, 200] {
            let mut unit = Instrument::new(&board, &Settings::of(&board), 48e3).unwrap();
            let mut cables = Cables::default();
            let (mut words, mut moved) = (Vec::new(), 0);
            for start in (0..200).step_by(block) {
                let span = start..(start + block).min(200);
                let channel = |wave: &dyn Fn(usize) -> f32| span.clone().map(wave).collect::<Vec<f32>>();
                let mut gates: Vec<_> = (0..Line::COUNT).map(|line| channel(&|n| wave(line, n))).collect();
                let mut control: Vec<_> =
                    (0..Voltage::COUNT).map(|n| if n == 0 { channel(&pitch) } else { channel(&|_| 0.0) }).collect();
                let gates: Vec<_> = gates.iter_mut().map(Vec::as_mut_slice).collect();
                let control: Vec<_> = control.iter_mut().map(Vec::as_mut_slice).collect();
                let moving = cables.look(&gates, &control);
                assert_eq!((moving.gates | 1 << 3, moving.control | 1), (1 << 3, 1));
                moved += usize::from(moving.is_any());
                for frame in 0..span.len() {
                    cables.pass_on(moving, &gates, &control, frame, &mut unit);
                    unit.tick(tritank_dsp::instrument::Input::default());
                    words.push(unit.line_word());
                }
            }
            assert_eq!(cables.volts, [1.5, 0.0, 0.0, 0.0]);
            if block == 1 {
                assert_eq!(moved, 7 + 1, "seven edges and one turn of the pitch");
            }
            heard.push(words);
        }
        assert_eq!(heard[0], heard[1]);
        assert_eq!(heard[0], heard[2]);
        assert!(heard[0].contains(&(1 << 3)));
    }
}

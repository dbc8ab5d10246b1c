//! The delay line of an FIR: its last samples as one slice, oldest first.
//!
//! ```text
//!   memory  | · · a b c d e · · · · · |     a new sample goes behind the last; where the room ends, what is still
//!                  └ window ┘               needed moves to its start
//! ```
//! A push writes once; reading is a borrow.

/// Windows that the room holds.
const ROOM: usize = 8;

#[derive(Clone, Debug)]
pub(super) struct Window {
    memory: Box<[f64]>,
    length: usize,
    end: usize,
}

impl Window {
    /// Of `length` samples, at least as many as one push brings.
    pub(super) fn new(length: usize) -> Self {
        Self { memory: vec![0.0; ROOM * length].into(), length, end: length }
    }

    /// Takes samples; returns all of their windows: the first ends with the first of them, the last with the last.
    #[inline]
    pub(super) fn push(&mut self, samples: &[f64]) -> &[f64] {
        if self.end + samples.len() > self.memory.len() {
            self.memory.copy_within(self.end - self.length..self.end, 0);
            self.end = self.length;
        }
        self.memory[self.end..][..samples.len()].copy_from_slice(samples);
        self.end += samples.len();
        &self.memory[self.end + 1 - samples.len() - self.length..self.end]
    }

    pub(super) fn fill(&mut self, sample: f64) {
        self.memory.fill(sample);
    }
}

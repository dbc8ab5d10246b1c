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
pub(crate) struct Window<T> {
    memory: Box<[T]>,
    length: usize,
    end: usize,
}

impl<T: Copy> Window<T> {
    /// Of `length` samples, at least as many as one push brings, before which `sample` has stood for ever.
    pub(crate) fn new(length: usize, sample: T) -> Self {
        Self { memory: vec![sample; ROOM * length].into(), length, end: length }
    }

    /// Takes samples; returns all of their windows: the first ends with the first of them, the last with the last.
    #[inline]
    pub(crate) fn push(&mut self, samples: &[T]) -> &[T] {
        if self.end + samples.len() > self.memory.len() {
            self.memory.copy_within(self.end - self.length..self.end, 0);
            self.end = self.length;
        }
        self.memory[self.end..][..samples.len()].copy_from_slice(samples);
        self.end += samples.len();
        &self.memory[self.end + 1 - samples.len() - self.length..self.end]
    }

    pub(crate) fn fill(&mut self, sample: T) {
        self.memory.fill(sample);
    }
}

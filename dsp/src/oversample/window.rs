//! The delay line of an FIR: its last samples as one slice, oldest first.
//!
//! ```text
//!   memory  | · · a b c d e · · · · · |     a new sample goes behind the last; where the room ends, what is still
//!                  └ window ┘               needed moves to its start
//! ```
//! A sample is written once; reading is a borrow.

/// Windows that the room holds.
const ROOM: usize = 8;

#[derive(Clone, Debug)]
pub(crate) struct Window<T> {
    memory: Box<[T]>,
    length: usize,
    end: usize,
}

impl<T: Copy> Window<T> {
    /// Of `length` samples, at least as many as come at once, before which `sample` has stood for ever.
    pub(crate) fn new(length: usize, sample: T) -> Self {
        Self { memory: vec![sample; ROOM * length].into(), length, end: length }
    }

    /// Room for so many samples, which come next.
    #[inline]
    pub(crate) fn next(&mut self, count: usize) -> &mut [T] {
        if self.end + count > self.memory.len() {
            self.memory.copy_within(self.end - self.length..self.end, 0);
            self.end = self.length;
        }
        self.end += count;
        &mut self.memory[self.end - count..self.end]
    }

    /// The windows that end with the last so many samples, one a sample, all as one slice.
    #[inline]
    pub(crate) fn last(&self, count: usize) -> &[T] {
        &self.memory[self.end + 1 - count - self.length..self.end]
    }

    pub(crate) fn fill(&mut self, sample: T) {
        self.memory.fill(sample);
    }
}

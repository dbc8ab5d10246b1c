//! The delay line of an FIR: its last samples as one slice, oldest first.
//!
//! ```text
//!   memory  | a b c d | a b c d |     every sample stands twice, so a window never wraps
//!                 └ window ┘
//! ```
//! A push writes twice; reading is a borrow.

use super::Lanes;

#[derive(Clone, Debug)]
pub(super) struct Window {
    memory: Box<[Lanes]>,
    next: usize,
}

impl Window {
    pub(super) fn new(length: usize) -> Self {
        Self { memory: vec![[0.0; 4]; 2 * length].into(), next: 0 }
    }

    /// Takes a sample; returns the window that ends with it.
    #[inline]
    pub(super) fn push(&mut self, sample: Lanes) -> &[Lanes] {
        let length = self.memory.len() / 2;
        self.memory[self.next] = sample;
        self.memory[self.next + length] = sample;
        let newest = self.next + length;
        self.next = if self.next + 1 == length { 0 } else { self.next + 1 };
        &self.memory[newest + 1 - length..=newest]
    }

    pub(super) fn fill(&mut self, sample: Lanes) {
        self.memory.fill(sample);
        self.next = 0;
    }
}

//! Frames that wait.

/// A delay of whole frames.
#[derive(Clone, Debug)]
pub(super) struct Delay<T> {
    waiting: Box<[T]>,
    place: usize,
}

impl<T: Copy> Delay<T> {
    pub(super) fn new(frames: usize, value: T) -> Self {
        Self { waiting: vec![value; frames].into_boxed_slice(), place: 0 }
    }

    #[inline]
    pub(super) fn pass(&mut self, value: T) -> T {
        let Some(slot) = self.waiting.get_mut(self.place) else { return value };
        let out = std::mem::replace(slot, value);
        self.place = if self.place + 1 == self.waiting.len() { 0 } else { self.place + 1 };
        out
    }

    pub(super) fn fill(&mut self, value: T) {
        self.waiting.fill(value);
        self.place = 0;
    }
}

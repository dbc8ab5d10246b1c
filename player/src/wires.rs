//! What goes between the audio thread and the others, without a lock.

use crossbeam_queue::ArrayQueue;
use std::sync::atomic::{AtomicBool, AtomicU32, AtomicU64, AtomicUsize, Ordering};
use tritank_dsp::lines::Line;

/// Messages that can wait: a whole second of a full MIDI 1.0 cable (31 250 baud, ten bits a byte, three bytes a message).
const MESSAGES: usize = 1042;

/// One frame from the machine's input.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Frame {
    /// Left and right, volts.
    pub main: [f32; 2],
    /// A gate for every line, volts.
    pub gates: [f32; Line::COUNT],
}

/// The wires of one session; they outlive a stream that is lost.
pub struct Wires {
    /// MIDI 1.0, three bytes each.
    pub midi: ArrayQueue<[u8; 3]>,
    /// Frames that came in and have not been played.
    pub sound: ArrayQueue<Frame>,
    /// The sound is to fade out.
    pub closing: AtomicBool,
    /// It has.
    pub closed: AtomicBool,
    /// The streams play no more: in, out.
    lost: [AtomicBool; 2],
    /// Blocks that came in, and that were played.
    blocks: [AtomicU64; 2],
    /// Frames that lie between input and output; until it is known, nothing is let through.
    between: AtomicUsize,
    /// Times that the input ran dry or over.
    pub slips: AtomicU64,
    peaks: [AtomicU32; 2],
}

/// Which side of the unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// What comes in.
    In,
    /// What goes out.
    Out,
}

impl Wires {
    /// Room for so many frames between input and output.
    pub fn new(frames: usize) -> Self {
        Self {
            midi: ArrayQueue::new(MESSAGES),
            sound: ArrayQueue::new(frames.max(1)),
            closing: AtomicBool::new(false),
            closed: AtomicBool::new(false),
            lost: [AtomicBool::new(false), AtomicBool::new(false)],
            blocks: [AtomicU64::new(0), AtomicU64::new(0)],
            between: AtomicUsize::new(usize::MAX),
            slips: AtomicU64::new(0),
            peaks: [AtomicU32::new(0), AtomicU32::new(0)],
        }
    }

    /// Says that a stream plays no more.
    pub fn lose(&self, side: Side) {
        self.lost[side as usize].store(true, Ordering::Release);
    }

    /// Which stream plays no more.
    pub fn lost(&self) -> Option<Side> {
        [Side::Out, Side::In].into_iter().find(|side| self.lost[*side as usize].load(Ordering::Acquire))
    }

    /// Counts one block.
    pub fn turn(&self, side: Side) {
        self.blocks[side as usize].fetch_add(1, Ordering::Relaxed);
    }

    /// Blocks so far: a stream that is at work has more at every look.
    pub fn turns(&self, side: Side) -> u64 {
        self.blocks[side as usize].load(Ordering::Relaxed)
    }

    /// Says how many frames lie between input and output: no more than a quarter of the room there is.
    pub fn put_between(&self, frames: usize) {
        self.between.store(frames.min(self.sound.capacity() / 4), Ordering::Release);
    }

    /// Frames between input and output.
    pub fn between(&self) -> usize {
        self.between.load(Ordering::Acquire)
    }

    /// Lets a meter see a block's largest magnitude, volts.
    pub fn show(&self, side: Side, volts: f32) {
        // Numbers of one sign are in the order of their bits (IEEE 754).
        self.peaks[side as usize].fetch_max(volts.abs().to_bits(), Ordering::Relaxed);
    }

    /// The largest magnitude since this was last asked, volts.
    pub fn peak(&self, side: Side) -> f32 {
        f32::from_bits(self.peaks[side as usize].swap(0, Ordering::Relaxed))
    }

    /// Counts one slip.
    pub fn slip(&self) {
        self.slips.fetch_add(1, Ordering::Relaxed);
    }
}

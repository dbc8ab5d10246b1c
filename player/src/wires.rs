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
    midi: ArrayQueue<[u8; 3]>,
    /// Whether everything that is held is to be let go.
    letting_go: AtomicBool,
    /// Times that more messages came than can wait.
    pub floods: AtomicU64,
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
            letting_go: AtomicBool::new(false),
            floods: AtomicU64::new(0),
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

    /// Takes a MIDI message. One for which there is no room is lost, and might have been a key's way up: then all are let go.
    pub fn hear(&self, message: [u8; 3]) {
        if self.midi.push(message).is_err() && !self.letting_go.swap(true, Ordering::AcqRel) {
            self.floods.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// Has keys, wheels and pedals let go: nobody is left to lift them.
    pub fn let_go(&self) {
        self.letting_go.store(true, Ordering::Release);
    }

    /// Plays the messages that wait, and no more than there is room for; says whether all is to be let go after them.
    pub fn each_message(&self, mut play: impl FnMut([u8; 3])) -> bool {
        // Asked first: what was lost came after all that now waits.
        let letting_go = self.letting_go.swap(false, Ordering::AcqRel);
        (0..MESSAGES).map_while(|_| self.midi.pop()).for_each(&mut play);
        letting_go
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

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn what_is_lost_in_a_flood_leaves_nothing_held_whoever_is_faster() {
        let wires = Wires::new(1);
        let mut held = BTreeSet::new();
        let mut play = || {
            let letting_go = wires.each_message(|[status, key, _]| {
                let _ = if status == 0x90 { held.insert(key) } else { held.remove(&key) };
            });
            if letting_go {
                held.clear();
            }
        };
        // Nobody listens yet, so that some are lost whoever is faster.
        (0..2 * MESSAGES).for_each(|_| wires.hear([0x90, 60, 100]));
        std::thread::scope(|scope| {
            let player = scope.spawn(|| {
                for n in 0..1_000_000u32 {
                    let key = (n % 128) as u8;
                    wires.hear([0x90, key, 100]);
                    wires.hear([0x80, key, 0]);
                }
            });
            while !player.is_finished() {
                play();
            }
        });
        // What waits, and what was lost while that was played.
        play();
        play();
        assert!(held.is_empty(), "{held:?}");
        assert!(wires.floods.load(Ordering::Relaxed) > 0, "nothing was lost");
    }
}

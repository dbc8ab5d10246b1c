//! The step pattern that works the switch lines.
//!
//! ```text
//!   1.1   x . . . x . . . x . x .      each row turns at its own length,
//!   2.0   . . x . . x . .              so the codes keep drifting against each other
//! ```

use tritank_dsp::lines::Line;
use tritank_workbench::score::Edge;

/// One line and its steps: `x` on, `.` off.
pub(crate) const ROWS: [(Line, &str); 7] = [
    (Line::of_stage(0, 1), "........xxxxxxxx"),
    (Line::of_stage(0, 2), "xxxx....xx..xxxx........"),
    (Line::of_stage(0, 3), "................................xxxxxxxx........"),
    (Line::of_stage(1, 1), "..xx..xx..x."),
    (Line::of_stage(1, 2), "....xxxx........xx......"),
    (Line::of_stage(2, 0), "x...x...x.x."),
    (Line::of_stage(2, 2), "......xx........"),
];

/// A step, in seconds: a sixteenth at 72 beats a minute.
pub(crate) const STEP_SECONDS: f64 = 60.0 / 72.0 / 4.0;

/// An edge at a frame of the track.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Move {
    pub(crate) frame: usize,
    pub(crate) line: Line,
    pub(crate) on: bool,
}

impl Move {
    pub(crate) fn edge(&self, rate_hz: u32) -> Edge {
        Edge { seconds: self.frame as f64 / f64::from(rate_hz), line: self.line, on: self.on }
    }
}

/// Every edge from the start of the pattern to the end of the track, in order; all lines are off before and after.
pub(crate) fn moves(rows: &[(Line, &str)], rate_hz: u32, start_seconds: f64, frames: usize) -> Vec<Move> {
    let frame_of = |step: usize| ((start_seconds + step as f64 * STEP_SECONDS) * f64::from(rate_hz)).round() as usize;
    let mut moves = Vec::new();
    for &(line, steps) in rows {
        let mut now = false;
        for (step, mark) in steps.bytes().cycle().enumerate() {
            let frame = frame_of(step);
            if frame >= frames {
                break;
            }
            let on = mark == b'x';
            if on != now {
                moves.push(Move { frame, line, on });
                now = on;
            }
        }
    }
    moves.sort_by_key(|m| m.frame);
    moves
}

/// Every code that each stage passes through, in order of first use.
pub(crate) fn codes(moves: &[Move]) -> [Vec<u8>; 3] {
    let mut now = [0u8; 3];
    let mut seen = [vec![0], vec![0], vec![0]];
    let mut moves = moves.iter().peekable();
    while let Some(m) = moves.next() {
        let (stage, bit) = (m.line.index() / 4, m.line.index() % 4);
        if m.on {
            now[stage] |= 1 << bit;
        } else {
            now[stage] &= !(1 << bit);
        }
        // Lines that move on the same frame make one new code, not two.
        let settled = moves.peek().is_none_or(|next| next.frame != m.frame);
        if settled {
            for (seen, code) in seen.iter_mut().zip(now) {
                if !seen.contains(&code) {
                    seen.push(code);
                }
            }
        }
    }
    seen
}

#[cfg(test)]
mod tests {
    use super::*;

    const A: Line = Line::of_stage(0, 0);
    const B: Line = Line::of_stage(1, 3);

    #[test]
    fn a_row_turns_at_its_own_length_and_edges_fall_on_their_frames() {
        // At 48 kHz a step is 10 000 frames.
        let moves = moves(&[(A, "x."), (B, ".xx")], 48_000, 0.0, 40_000);
        let told: Vec<_> = moves.iter().map(|m| (m.frame, m.line, m.on)).collect();
        let expected = [
            (0, A, true),
            (10_000, A, false),
            (10_000, B, true),
            (20_000, A, true),
            (30_000, A, false),
            (30_000, B, false),
        ];
        assert_eq!(told, expected);
        assert_eq!(super::moves(&[(A, "x")], 44_100, 1.0, 44_101)[0].frame, 44_100);
    }

    #[test]
    fn lines_that_move_together_make_one_code() {
        let both = [(Line::of_stage(0, 0), ".x"), (Line::of_stage(0, 1), ".x")];
        assert_eq!(codes(&moves(&both, 48_000, 0.0, 100_000)), [vec![0, 3], vec![0], vec![0]]);
    }

    #[test]
    fn the_pattern_uses_every_stage_and_stays_readable_in_a_picture() {
        let seen = codes(&moves(&ROWS, 48_000, 3.0, 48_000 * 28));
        for codes in seen {
            assert!((3..=8).contains(&codes.len()), "{codes:?}");
        }
    }
}

//! A key table that is played in: what a hand moves while a key is held belongs to that key.
//!
//! ```text
//!   switches, codes, gates, pedals ──► a line that moved ──► row of the newest key
//!   a knob that was turned ──────────────────┐
//!   the next controller that moves ──────────┴─► turns that knob from now on
//! ```
//! While it goes on, keys pull no lines of their own, so that what is heard is what the switches say. Patterns pull on, then and
//! later, and are no part of what is learnt.

use super::controllers::{Controllers, FINE};
use super::{KeyTable, Message};
use crate::instrument::Instrument;
use crate::knobs::{Knob, Settings};
use crate::lines::{Line, Lines, Source};

/// Lines that the panel's switches and codes pull together, bit n for line n of [`Line::all`].
pub fn panel_lines(settings: &Settings) -> u16 {
    let mut lines = Lines::default();
    for stage in 0..3 {
        lines.set_code(Source::Code, stage, settings.get(Knob::code(stage)) as u8);
        for bit in 0..4 {
            lines.set(Source::Panel, Line::of_stage(stage, bit), settings.is_on(Knob::switch(stage, bit)));
        }
    }
    lines.set(Source::Panel, Line::SOFT, settings.is_on(Knob::ExciterSoftGate));
    lines.set(Source::Panel, Line::HARD, settings.is_on(Knob::ExciterHardGate));
    lines.word()
}

/// Whether a table is being played in, and what was seen last.
#[derive(Clone, Debug, Default)]
pub struct Learning {
    on: bool,
    /// Lines that were pulled when it last looked, bit n for line n.
    pulled: u16,
    /// The knob that was turned last, until a controller takes it.
    turned: Option<Knob>,
    /// Whether it has not looked since another patch came.
    unseen: bool,
    /// Whether the table has learnt what its keeper has not been told; the keeper puts it back.
    pub news: bool,
}

impl Learning {
    /// Begins or ends. `pulled` is what panel, pedals and gate inputs pull together, see [`panel_lines`].
    pub fn switch(&mut self, on: bool, pulled: u16, instrument: &mut Instrument) {
        if on != self.on {
            (self.on, self.pulled, self.turned, self.unseen) = (on, pulled, None, false);
            instrument.learn(on);
        }
    }

    /// Whether it goes on.
    pub fn is_on(&self) -> bool {
        self.on
    }

    /// Goes on with another unit. When it is of another patch, nothing that differs there was moved.
    pub fn tell(&mut self, another_patch: bool, instrument: &mut Instrument) {
        if another_patch {
            (self.unseen, self.turned, self.news) = (true, None, false);
        }
        if self.on {
            instrument.learn(true);
        }
    }

    /// A knob was turned by hand.
    pub fn turn(&mut self, knob: Knob) {
        // What needs a new unit is no controller's matter.
        if self.on && !knob.rebuilds() {
            self.turned = Some(knob);
        }
    }

    /// Looks at what is pulled now, while `held` is the newest key: that key learns what has moved.
    pub fn look(&mut self, pulled: u16, held: Option<u8>, instrument: &mut Instrument) {
        let moved = if std::mem::take(&mut self.unseen) { 0 } else { self.pulled ^ pulled };
        self.pulled = pulled;
        let Some(held) = held.filter(|_| self.on && moved != 0) else { return };
        for line in Line::all().filter(|line| moved >> line.index() & 1 == 1) {
            instrument.keys_mut().learn(held, line, pulled >> line.index() & 1 == 1);
        }
        // Such a move was meant for the key, not for a controller.
        self.turned = None;
        self.news = true;
    }

    /// Hears a message before it is played: a controller takes the knob that was turned last.
    pub fn hear(&mut self, message: Message, instrument: &mut Instrument) {
        let Message::Controller { channel, number, .. } = message else { return };
        if self.on
            && is_free(channel, number, instrument.keys())
            && let Some(knob) = self.turned.take()
        {
            instrument.keys_mut().learn_controller(number, knob);
            self.news = true;
        }
    }
}

/// Whether a controller can be given a knob: not a pedal, a mode, a parameter's number or value, or the fine part of another.
fn is_free(channel: u8, number: u8, table: &KeyTable) -> bool {
    let taken = matches!((number, channel), (6 | 38 | 64 | 96..=101 | 120.., _) | (80..=83, 0..=2));
    let is_fine = Controllers::named(table, number).is_some_and(|named| named + FINE == number);
    !taken && !is_fine
}

//! Lends a channel for every one that a host left out: silence to be heard, scrap to be written to.

use nice_plug::prelude::AudioIOLayout;
use std::num::NonZeroU32;
use std::ptr;

/// What a host gave for one port: `count` channel pointers, or null.
#[derive(Clone, Copy, Debug)]
pub struct Given {
    /// The host's list of channels; may be null.
    pub channels: *mut *mut f32,
    /// How many it says there are.
    pub count: usize,
}

impl Given {
    /// A port that the host does not mention.
    pub const NOTHING: Self = Self { channels: ptr::null_mut(), count: 0 };

    /// A channel of it; null if it is not there.
    ///
    /// # Safety
    /// `channels` is null or points to `count` pointers.
    unsafe fn channel(self, channel: usize) -> *mut f32 {
        if self.channels.is_null() || channel >= self.count {
            return ptr::null_mut();
        }
        // SAFETY: the list is there and has more than `channel` pointers.
        unsafe { *self.channels.add(channel) }
    }
}

/// Channels of our own, and complete lists of channels made of the host's and ours.
pub struct Lender {
    frames: usize,
    /// What every missing input hears. Nobody writes to it: the framework copies its inputs before the plugin sees them.
    silence: Box<[f32]>,
    inputs: Vec<Port>,
    outputs: Vec<Port>,
}

/// One port: for each channel the pointer in use, and a channel of our own.
struct Port {
    pointers: Box<[*mut f32]>,
    own: Box<[Box<[f32]>]>,
}

// SAFETY: the pointers are written at the start of each call and mean nothing after it; between calls the lender is
// plain memory, which any thread may own.
unsafe impl Send for Lender {}

impl Port {
    fn new(channels: usize, frames: usize) -> Self {
        let own = (0..channels).map(|_| vec![0.0; frames].into_boxed_slice()).collect();
        Self { pointers: vec![ptr::null_mut(); channels].into_boxed_slice(), own }
    }
}

impl Lender {
    /// Ports as in the layout, for calls of at most so many frames. Allocates; nothing after it does.
    pub fn new(layout: &AudioIOLayout, frames: usize) -> Self {
        let ports = |main: Option<NonZeroU32>, side: &[NonZeroU32]| {
            main.iter().chain(side).map(|channels| Port::new(channels.get() as usize, frames)).collect()
        };
        Self {
            frames,
            silence: vec![0.0; frames].into_boxed_slice(),
            inputs: ports(layout.main_input_channels, layout.aux_input_ports),
            outputs: ports(layout.main_output_channels, layout.aux_output_ports),
        }
    }

    /// Most frames in one call.
    pub fn frames(&self) -> usize {
        self.frames
    }

    /// Input and output ports.
    pub fn ports(&self) -> (usize, usize) {
        (self.inputs.len(), self.outputs.len())
    }

    /// The complete list of channels of an input port, as [`Lender::complete`] left it.
    pub fn input(&mut self, port: usize) -> &mut [*mut f32] {
        &mut self.inputs[port].pointers
    }

    /// The same of an output port.
    pub fn output(&mut self, port: usize) -> &mut [*mut f32] {
        &mut self.outputs[port].pointers
    }

    /// Completes every port for a call of `frames` frames.
    ///
    /// A mono cable in a stereo input feeds both channels; in one of more it feeds the first. A buffer that the host gives to two outputs is written by the
    /// first. An input that shares its memory with another port's output is copied first, since that output may be
    /// written before the input is read.
    ///
    /// # Safety
    /// What `given_in` and `given_out` return has null `channels` or `count` pointers there, each null or good for
    /// `frames` samples (to be written, for outputs) until the pointers have been used. `frames` is at most
    /// [`Lender::frames`].
    pub unsafe fn complete(
        &mut self,
        frames: usize,
        given_in: impl Fn(usize) -> Given,
        given_out: impl Fn(usize) -> Given,
    ) {
        for number in 0..self.outputs.len() {
            let given = given_out(number);
            let (before, rest) = self.outputs.split_at_mut(number);
            let port = &mut rest[0];
            for channel in 0..port.pointers.len() {
                // SAFETY: the caller vouches for the list.
                let host = unsafe { given.channel(channel) };
                let taken = |pointers: &[*mut f32]| pointers.contains(&host);
                let twice = before.iter().any(|port| taken(&port.pointers)) || taken(&port.pointers[..channel]);
                port.pointers[channel] = if host.is_null() || twice { port.own[channel].as_mut_ptr() } else { host };
            }
        }
        for (number, port) in self.inputs.iter_mut().enumerate() {
            let given = given_in(number);
            for channel in 0..port.pointers.len() {
                // SAFETY: the caller vouches for the list.
                let (own, first) = unsafe { (given.channel(channel), given.channel(0)) };
                let host = if own.is_null() && given.count == 1 && port.pointers.len() == 2 { first } else { own };
                let is = |pointers: &[*mut f32]| pointers.contains(&host);
                let elsewhere = self.outputs.iter().enumerate().any(|(output, port)| {
                    if output == number {
                        port.pointers.iter().enumerate().any(|(other, &pointer)| other != channel && pointer == host)
                    } else {
                        is(&port.pointers)
                    }
                });
                port.pointers[channel] = if host.is_null() {
                    self.silence.as_mut_ptr()
                } else if elsewhere {
                    // SAFETY: the host's channel is good for `frames` samples, ours has at least as many, and ours is
                    // memory of this lender, so the two do not overlap.
                    unsafe { ptr::copy_nonoverlapping(host, port.own[channel].as_mut_ptr(), frames) };
                    port.own[channel].as_mut_ptr()
                } else {
                    host
                };
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nice_plug::prelude::new_nonzero_u32;

    const LAYOUT: AudioIOLayout = AudioIOLayout {
        main_input_channels: Some(new_nonzero_u32(2)),
        main_output_channels: Some(new_nonzero_u32(2)),
        aux_input_ports: &[new_nonzero_u32(2)],
        aux_output_ports: &[new_nonzero_u32(2); 2],
        ..AudioIOLayout::const_default()
    };
    const FRAMES: usize = 4;

    /// Completes with host channels given as indices into `memory`; -1 is a null channel, an empty list a missing port.
    fn complete(lender: &mut Lender, memory: &mut [[f32; FRAMES]], inputs: &[&[i32]], outputs: &[&[i32]]) {
        let base = memory.as_mut_ptr();
        let lists = |ports: &[&[i32]]| -> Vec<Vec<*mut f32>> {
            let channel = |&n: &i32| if n < 0 { ptr::null_mut() } else { base.wrapping_add(n as usize).cast::<f32>() };
            ports.iter().map(|port| port.iter().map(channel).collect()).collect()
        };
        let (mut inputs, mut outputs) = (lists(inputs), lists(outputs));
        let given = |lists: &mut Vec<Vec<*mut f32>>| -> Vec<Given> {
            lists
                .iter_mut()
                .map(|list| {
                    if list.is_empty() {
                        Given::NOTHING
                    } else {
                        Given { channels: list.as_mut_ptr(), count: list.len() }
                    }
                })
                .collect()
        };
        let (inputs, outputs) = (given(&mut inputs), given(&mut outputs));
        let at = |given: &[Given], port: usize| given.get(port).copied().unwrap_or(Given::NOTHING);
        // SAFETY: the lists live to the end of this function, the channels are rows of `memory`.
        unsafe { lender.complete(FRAMES, |port| at(&inputs, port), |port| at(&outputs, port)) };
    }

    #[test]
    fn every_missing_channel_is_lent_and_every_given_one_is_the_hosts() {
        let mut memory = [[1.0; FRAMES]; 10];
        let rows: Vec<*mut f32> = memory.iter_mut().map(|row| row.as_mut_ptr()).collect();
        let mut lender = Lender::new(&LAYOUT, FRAMES);
        complete(&mut lender, &mut memory, &[&[0, 1]], &[&[2, 3], &[], &[4, -1]]);
        let silence = lender.silence.as_mut_ptr();
        assert_eq!(lender.input(0), &[rows[0], rows[1]]);
        assert_eq!(lender.input(1), &[silence, silence]);
        assert_eq!(lender.output(0), &[rows[2], rows[3]]);
        assert_eq!(lender.output(2)[0], rows[4]);
        let mut all: Vec<_> = (0..3).flat_map(|port| lender.output(port).to_vec()).collect();
        assert!(all.iter().all(|pointer| !pointer.is_null()));
        all.sort_unstable();
        all.dedup();
        assert_eq!(all.len(), 6, "two outputs would be written to one place");
    }

    #[test]
    fn a_mono_cable_feeds_both_channels() {
        let mut memory = [[1.0; FRAMES]; 4];
        let rows: Vec<*mut f32> = memory.iter_mut().map(|row| row.as_mut_ptr()).collect();
        let mut lender = Lender::new(&LAYOUT, FRAMES);
        complete(&mut lender, &mut memory, &[&[0]], &[&[2, 3]]);
        assert_eq!(lender.input(0), &[rows[0], rows[0]]);
    }

    #[test]
    fn a_buffer_given_to_two_outputs_is_written_by_the_first() {
        let mut memory = [[1.0; FRAMES]; 4];
        let rows: Vec<*mut f32> = memory.iter_mut().map(|row| row.as_mut_ptr()).collect();
        let mut lender = Lender::new(&LAYOUT, FRAMES);
        complete(&mut lender, &mut memory, &[&[0, 1]], &[&[2, 2], &[2, 3], &[3, 3]]);
        assert_eq!(lender.output(0)[0], rows[2]);
        assert_ne!(lender.output(0)[1], rows[2]);
        assert_ne!(lender.output(1)[0], rows[2]);
        assert_eq!(lender.output(1)[1], rows[3]);
    }

    #[test]
    fn an_input_in_the_memory_of_another_ports_output_is_copied_first() {
        let mut memory = [[1.0; FRAMES], [2.0; FRAMES], [3.0; FRAMES], [4.0; FRAMES]];
        let rows: Vec<*mut f32> = memory.iter_mut().map(|row| row.as_mut_ptr()).collect();
        let mut lender = Lender::new(&LAYOUT, FRAMES);
        // Main in place; the side input lies where the main output is written, crosswise.
        complete(&mut lender, &mut memory, &[&[0, 1], &[1, 0]], &[&[0, 1], &[2, 3]]);
        assert_eq!(lender.input(0), &[rows[0], rows[1]], "in place is in place");
        let copied = lender.input(1).to_vec();
        assert!(!copied.contains(&rows[0]) && !copied.contains(&rows[1]));
        // SAFETY: the lender's own channels, of `FRAMES` samples each.
        let first = unsafe { copied.iter().map(|&pointer| *pointer).collect::<Vec<_>>() };
        assert_eq!(first, [2.0, 1.0]);
        // Main crosswise too: left in is where right out is written.
        complete(&mut lender, &mut memory, &[&[1, 0]], &[&[0, 1]]);
        assert!(!lender.input(0).contains(&rows[0]) && !lender.input(0).contains(&rows[1]));
    }
}

//! Denormal numbers are flushed to zero while we run, and the host's mode is restored after.
//!
//! A tank that rings out ends in numbers below 2.2e-308, on which a processor can be a hundred times slower.
//! - `x86_64`: bits 15 (flush to zero) and 6 (denormals are zero) of MXCSR; Intel SDM vol. 1, 10.2.3.
//! - `aarch64`: bit 24 (FZ) of FPCR; Arm Architecture Reference Manual, "FPCR, Floating-point Control Register".

use std::marker::PhantomData;

/// While this lives, denormals on this thread are flushed.
pub struct Flushed {
    #[cfg_attr(not(any(target_arch = "x86_64", target_arch = "aarch64")), allow(dead_code))]
    before: Word,
    /// The mode belongs to this thread: the guard may not leave it.
    _this_thread: PhantomData<*const ()>,
}

#[cfg(target_arch = "x86_64")]
type Word = u32;
#[cfg(not(target_arch = "x86_64"))]
type Word = u64;

#[cfg(target_arch = "x86_64")]
const FLUSH: Word = 1 << 15 | 1 << 6;
#[cfg(target_arch = "aarch64")]
const FLUSH: Word = 1 << 24;

impl Flushed {
    /// Switches flushing on, on this thread, until the guard is dropped.
    pub fn here() -> Self {
        #[cfg(any(target_arch = "x86_64", target_arch = "aarch64"))]
        let before = {
            let before = read();
            write(before | FLUSH);
            before
        };
        #[cfg(not(any(target_arch = "x86_64", target_arch = "aarch64")))]
        let before = 0;
        Self { before, _this_thread: PhantomData }
    }
}

impl Drop for Flushed {
    fn drop(&mut self) {
        #[cfg(any(target_arch = "x86_64", target_arch = "aarch64"))]
        write(self.before);
    }
}

#[cfg(target_arch = "x86_64")]
fn read() -> Word {
    let mut word: Word = 0;
    // SAFETY: stores the 32 bits of MXCSR into `word`, which is that large and lives on; touches nothing else.
    unsafe { std::arch::asm!("stmxcsr [{}]", in(reg) &raw mut word, options(nostack, preserves_flags)) };
    word
}

#[cfg(target_arch = "x86_64")]
fn write(word: Word) {
    // SAFETY: `word` is what MXCSR held, with two architectural mode bits added: no reserved bit, no exception unmasked.
    // The mode is the host's again before we return to it.
    unsafe { std::arch::asm!("ldmxcsr [{}]", in(reg) &raw const word, options(nostack, readonly, preserves_flags)) };
}

#[cfg(target_arch = "aarch64")]
fn read() -> Word {
    let word: Word;
    // SAFETY: reads a control register that is readable in user mode.
    unsafe { std::arch::asm!("mrs {}, fpcr", out(reg) word, options(nomem, nostack, preserves_flags)) };
    word
}

#[cfg(target_arch = "aarch64")]
fn write(word: Word) {
    // SAFETY: `word` is what FPCR held, with one architectural mode bit added; it is the host's again before we return.
    unsafe { std::arch::asm!("msr fpcr, {}", in(reg) word, options(nomem, nostack, preserves_flags)) };
}

#[cfg(all(test, any(target_arch = "x86_64", target_arch = "aarch64")))]
mod tests {
    use super::*;
    use std::hint::black_box;

    fn half_of_the_smallest_normal_number() -> f64 {
        black_box(f64::MIN_POSITIVE) * black_box(0.5)
    }

    #[test]
    fn denormals_are_zero_while_flushed_and_the_hosts_mode_is_restored() {
        let before = read();
        assert_ne!(half_of_the_smallest_normal_number(), 0.0);
        {
            let _outer = Flushed::here();
            assert_eq!(half_of_the_smallest_normal_number(), 0.0);
            drop(Flushed::here());
            assert_eq!(half_of_the_smallest_normal_number(), 0.0, "an inner guard restored more than it changed");
        }
        assert_ne!(half_of_the_smallest_normal_number(), 0.0);
        // Status flags (underflow, inexact) may have been raised meanwhile; the modes may not have changed.
        #[cfg(target_arch = "x86_64")]
        assert_eq!(read() & !0x3f, before & !0x3f);
        #[cfg(target_arch = "aarch64")]
        assert_eq!(read(), before);
    }
}

//! Which of a processor's instructions the solver takes.
//!
//! | | x86-64 with AVX2 and FMA | any other |
//! | --- | --- | --- |
//! | [`Instructions::Widest`] | four numbers in one register | as `Common` |
//! | [`Instructions::Common`] | what every processor of the kind has | the same |
//!
//! One program serves them all: the processor is asked when a unit is built.

#[cfg(target_arch = "x86_64")]
use crate::lanes::V3;

/// What a unit is built for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Instructions {
    /// The widest that the processor at hand has.
    #[default]
    Widest,
    /// What every processor of its kind has: to see what the widest are worth.
    Common,
}

impl Instructions {
    /// Whether these are AVX2 and FMA.
    pub(crate) fn are_v3(self) -> bool {
        #[cfg(target_arch = "x86_64")]
        return self == Self::Widest && V3::is_here();
        #[cfg(not(target_arch = "x86_64"))]
        false
    }

    /// The processor's kind and what of it is taken: `x86_64-avx2`.
    pub fn name(self) -> String {
        let kind = std::env::consts::ARCH;
        if self.are_v3() { format!("{kind}-avx2") } else { kind.to_owned() }
    }
}

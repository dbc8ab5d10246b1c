//! Remote-control pages: eight knobs at a time on a controller with encoders, in the order of the signal.

use crate::panel::{Panel, Visit};
use nice_plug::params::InternalParamMut;
use nice_plug::prelude::{RemoteControlsContext, RemoteControlsPage, RemoteControlsSection};
#[allow(clippy::enum_glob_use)] // Every knob is named here.
use tritank_dsp::knobs::Knob::{self, *};

/// One page: what it is called, and its knobs.
pub type Page = (&'static str, &'static [Knob]);

/// Sections and their pages. A page has room for eight.
pub const SECTIONS: &[(&str, &[Page])] = &[
    (
        "Voice",
        &[
            (
                "Codes and sweeps",
                &[Stage1Code, Stage2Code, Stage3Code, InputDrive, Stage1Sweep, Stage2Sweep, Stage3Sweep, OutputLevel],
            ),
            (
                "Exciter",
                &[
                    ExciterRate,
                    ExciterLevel,
                    ExciterPitch,
                    ExciterSoftGate,
                    ExciterHardGate,
                    Stage1Pulse,
                    Stage2Pulse,
                    Stage3Pulse,
                ],
            ),
            (
                "Unit",
                &[
                    UnitSupply,
                    UnitTemperature,
                    InputOverdriven,
                    ExciterChord,
                    ClickBleed,
                    ClickZeroWait,
                    ClickSoftEdge,
                    UnitQuality,
                ],
            ),
        ],
    ),
    (
        "Stages",
        &[
            (
                "Stage 1",
                &[
                    Stage1Switch0,
                    Stage1Switch1,
                    Stage1Switch2,
                    Stage1Switch3,
                    Stage1Code,
                    Stage1Sweep,
                    Stage1Main,
                    Stage1Pulse,
                ],
            ),
            (
                "Stage 2",
                &[
                    Stage2Switch0,
                    Stage2Switch1,
                    Stage2Switch2,
                    Stage2Switch3,
                    Stage2Code,
                    Stage2Sweep,
                    Stage2Link,
                    Stage2In,
                ],
            ),
            (
                "Stage 3",
                &[
                    Stage3Switch0,
                    Stage3Switch1,
                    Stage3Switch2,
                    Stage3Switch3,
                    Stage3Code,
                    Stage3Sweep,
                    Stage3Link,
                    Stage3In,
                ],
            ),
            (
                "Levels",
                &[Stage1Main, Stage2Main, Stage3Main, Stage2In, Stage3In, Stage1Pulse, Stage2Pulse, Stage3Pulse],
            ),
        ],
    ),
    (
        "Mixer",
        &[
            ("Taps", &[Tap1Level, Tap2Level, Tap3Level, DirectLevel, Tap1Pan, Tap2Pan, Tap3Pan, OutputLevel]),
            ("Output", &[Tap1Invert, Tap2Invert, Tap3Invert, DirectLevel, OutputLevel, Limiter, LimiterCeiling]),
        ],
    ),
];

struct Put<'a, P>(&'a mut P);
impl<P: RemoteControlsPage> Visit<()> for Put<'_, P> {
    fn see(self, param: &impl InternalParamMut) {
        self.0.add_param(param);
    }
}

/// Lays the pages out for a host.
pub fn lay_out(panel: &Panel, context: &mut impl RemoteControlsContext) {
    for (section, pages) in SECTIONS {
        context.add_section(*section, |section| {
            for (name, knobs) in *pages {
                section.add_page(*name, |page| {
                    for &knob in *knobs {
                        panel.dial(knob).with(Put(page));
                    }
                });
            }
        });
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_knob_is_on_some_page_and_no_page_overflows() {
        let mut seen: BTreeSet<Knob> = BTreeSet::new();
        for (name, knobs) in SECTIONS.iter().flat_map(|(_, pages)| *pages) {
            assert!((1..=8).contains(&knobs.len()), "{name}");
            assert_eq!(knobs.iter().collect::<BTreeSet<_>>().len(), knobs.len(), "{name} has a knob twice");
            seen.extend(*knobs);
        }
        assert_eq!(seen.len(), Knob::COUNT);
    }
}

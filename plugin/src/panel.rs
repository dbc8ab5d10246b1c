//! The panel: every knob of [`Knob::ALL`] as a host parameter, and what a host saves.
//!
//! ```text
//!   Knob::ALL ──► dials ──► parameter list        id, group, name, text both ways: all from the one table
//!                   │
//!                   ├─► live value of a knob ──► instrument
//!                   └─► patch text ◄──► state
//! ```
//! A host turns a continuous knob by its travel, 0 to 1, in single precision; the table's taper makes the value of it.

use crate::workshop::Workshop;
use nice_plug::params::InternalParamMut;
use nice_plug::plugin::ParamValue;
use nice_plug::prelude::{BoolParam, FloatParam, FloatRange, IntParam, IntRange, Param, ParamPtr, Params, PluginState};
use std::collections::BTreeMap;
use std::sync::Arc;
use tritank_dsp::board::Board;
use tritank_dsp::knobs::{Kind, Knob, Settings};
use tritank_dsp::patch::Patch;

/// Id of the shell's own parameter: the signal goes round the unit, as late as it would come out of it.
pub const BYPASS: &str = "bypass";

/// Id of the shell's other parameter: switches and controllers that move are learnt by the key table. It is no part of a song: a
/// state that is loaded leaves it where it is.
pub const LEARN: &str = "learn";

/// Name of the field of the state that carries the patch text.
const PATCH: &str = "patch";

/// A knob as the framework holds it.
pub(crate) enum Dial {
    /// Travel, 0 to 1.
    Travel(FloatParam),
    /// A count or the place of a word.
    Steps(IntParam),
    /// On or off.
    Switch(BoolParam),
}

impl Dial {
    fn of(knob: Knob, value: f64) -> Self {
        let name = knob.full_name();
        match knob.kind() {
            Kind::Value { .. } => Self::Travel(
                FloatParam::new(name, knob.travel(value) as f32, FloatRange::Linear { min: 0.0, max: 1.0 })
                    .with_value_to_string(Arc::new(move |travel| knob.write(value_at(knob, travel))))
                    .with_string_to_value(Arc::new(move |text| {
                        knob.parse(text).ok().map(|value| knob.travel(value) as f32)
                    })),
            ),
            Kind::Switch { .. } => Self::Switch(
                BoolParam::new(name, value > 0.5)
                    .with_value_to_string(Arc::new(move |on| knob.write(f64::from(u8::from(on)))))
                    .with_string_to_value(Arc::new(move |text| knob.parse(text).ok().map(|value| value > 0.5))),
            ),
            Kind::Count { .. } | Kind::Choice { .. } => {
                let most = knob.range().1 as i32;
                let dial = IntParam::new(name, value as i32, IntRange::Linear { min: 0, max: most })
                    .with_value_to_string(Arc::new(move |place| knob.write(f64::from(place))))
                    .with_string_to_value(Arc::new(move |text| knob.parse(text).ok().map(|value| value as i32)));
                Self::Steps(if knob.rebuilds() { dial.non_automatable() } else { dial })
            }
        }
    }

    /// The parameter, whatever its type.
    pub(crate) fn with<R>(&self, visit: impl Visit<R>) -> R {
        match self {
            Self::Travel(param) => visit.see(param),
            Self::Steps(param) => visit.see(param),
            Self::Switch(param) => visit.see(param),
        }
    }
}

/// What is done with a parameter of any type.
pub(crate) trait Visit<R> {
    /// Does it.
    fn see(self, param: &impl InternalParamMut) -> R;
}

struct Pointer;
impl Visit<ParamPtr> for Pointer {
    fn see(self, param: &impl InternalParamMut) -> ParamPtr {
        param.as_ptr()
    }
}

/// Travel with a host's modulation.
struct Live;
impl Visit<f32> for Live {
    fn see(self, param: &impl InternalParamMut) -> f32 {
        param.modulated_normalized_value()
    }
}

/// Travel without it.
struct Set;
impl Visit<f32> for Set {
    fn see(self, param: &impl InternalParamMut) -> f32 {
        param.unmodulated_normalized_value()
    }
}

/// The value of a knob at a host's travel: the shortest decimal that single precision cannot tell from the exact one.
///
/// So 0.1 set by text, by a default or by a bench's `--set` is 0.1 to the last bit here too.
pub fn value_at(knob: Knob, travel: f32) -> f64 {
    let exact = knob.at_travel(f64::from(travel));
    let same = |value: f64| knob.travel(value) as f32 == travel && knob.clamped(value) == value;
    if !matches!(knob.kind(), Kind::Value { .. }) || exact == 0.0 {
        return exact;
    }
    let places = exact.abs().log10().floor() as i32;
    // Single precision holds under eight digits; near zero of a two-sided knob it holds fewer.
    (-3..9)
        .map(|digits| {
            let shift = digits - places;
            if shift >= 0 {
                let scale = 10f64.powi(shift);
                (exact * scale).round() / scale
            } else {
                let scale = 10f64.powi(-shift);
                (exact / scale).round() * scale
            }
        })
        .find(|value| same(*value))
        .unwrap_or(exact)
}

/// A switch of the shell's own.
fn switch(name: &str) -> BoolParam {
    BoolParam::new(name, false)
        .with_value_to_string(Arc::new(|on| if on { "on" } else { "off" }.to_owned()))
        .with_string_to_value(Arc::new(|text| match text.to_ascii_lowercase().as_str() {
            "on" | "1" | "true" => Some(true),
            "off" | "0" | "false" => Some(false),
            _ => None,
        }))
}

/// Every knob as a parameter, and the workshop that a loaded state sends its board to.
pub struct Panel {
    dials: Vec<Dial>,
    pub(crate) bypass: BoolParam,
    pub(crate) learn: BoolParam,
    workshop: Arc<Workshop>,
}

impl Panel {
    /// A new unit's panel, on the built-in board.
    pub fn new(workshop: Arc<Workshop>) -> Self {
        let settings = Settings::of(&Board::built_in());
        Self {
            dials: Knob::ALL.iter().map(|&knob| Dial::of(knob, settings.get(knob))).collect(),
            bypass: switch("Bypass").make_bypass(),
            learn: switch("Learn").non_automatable(),
            workshop,
        }
    }

    pub(crate) fn dial(&self, knob: Knob) -> &Dial {
        &self.dials[knob as usize]
    }

    /// Where the host wants a knob now, its modulation included.
    pub fn travel(&self, knob: Knob) -> f32 {
        self.dial(knob).with(Live)
    }

    /// Where every knob was put, without modulation: what is saved, and what a new unit starts from.
    pub fn settings(&self) -> Settings {
        let mut settings = Settings::of(&Board::built_in());
        for &knob in Knob::ALL {
            settings.set(knob, value_at(knob, self.dial(knob).with(Set)));
        }
        settings
    }
}

// SAFETY: the pointers point into `self.dials`, `self.bypass` and `self.learn`. None moves or shrinks once the panel is built
// (nothing takes the panel by `&mut` or by value out of the `Arc` that shell and framework share), so they are good for
// as long as that `Arc` lives, which is what the framework asks for.
unsafe impl Params for Panel {
    fn param_map(&self) -> Vec<(String, ParamPtr, String)> {
        Knob::ALL
            .iter()
            .map(|&knob| (knob.id().to_owned(), self.dial(knob).with(Pointer), knob.group_name()))
            .chain(
                [(BYPASS, &self.bypass), (LEARN, &self.learn)]
                    .map(|(id, own)| (id.to_owned(), own.as_ptr(), String::new())),
            )
            .collect()
    }

    fn serialize_fields(&self) -> BTreeMap<String, String> {
        BTreeMap::from([(PATCH.to_owned(), self.workshop.patch(&self.settings()).to_toml())])
    }

    /// The framework has turned the knobs by now; here come the board and the tables. [`filter_state`] has passed the text.
    fn deserialize_fields(&self, fields: &BTreeMap<String, String>) {
        let Some(Ok(patch)) = fields.get(PATCH).map(|text| read_patch(text)) else { return };
        self.workshop.rebuild_with(patch, &self.settings());
    }
}

fn read_patch(text: &str) -> Result<Patch, String> {
    Patch::from_toml(text, &Board::built_in()).map_err(|error| format!("{PATCH}: {error}"))
}

/// The patch in a state.
///
/// # Errors
/// What is missing or wrong, where, and what is allowed, on one line.
pub fn patch_of(state: &PluginState) -> Result<Patch, String> {
    let text = state.fields.get(PATCH).ok_or_else(|| {
        format!("no field \"{PATCH}\" among {:?}; a Tritank state carries its board there", state.fields.keys())
    })?;
    read_patch(text)
}

/// A state that carries a patch, and leaves the bypass where it is.
pub fn state_of(patch: &Patch) -> PluginState {
    PluginState {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        params: BTreeMap::new(),
        fields: BTreeMap::from([(PATCH.to_owned(), patch.to_toml())]),
    }
}

/// Lets the patch text rule a state that is about to be loaded: the framework's own list of values is rewritten from it.
/// A broken state is emptied, so that nothing changes, whoever calls.
///
/// # Errors
/// As [`patch_of`].
pub fn filter_state(state: &mut PluginState) -> Result<(), String> {
    match patch_of(state) {
        Ok(patch) => {
            let bypass = state.params.remove(BYPASS);
            state.params = Knob::ALL
                .iter()
                .map(|&knob| (knob.id().to_owned(), framework_value(knob, patch.settings.get(knob))))
                .chain(bypass.map(|value| (BYPASS.to_owned(), value)))
                .collect();
            Ok(())
        }
        Err(error) => {
            state.params.clear();
            state.fields.clear();
            Err(error)
        }
    }
}

fn framework_value(knob: Knob, value: f64) -> ParamValue {
    match knob.kind() {
        Kind::Value { .. } => ParamValue::F32(knob.travel(value) as f32),
        Kind::Switch { .. } => ParamValue::Bool(value > 0.5),
        Kind::Count { .. } | Kind::Choice { .. } => ParamValue::I32(value as i32),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    fn panel() -> Panel {
        Panel::new(Arc::new(Workshop::new()))
    }

    #[test]
    fn every_knob_is_a_parameter_under_its_own_id_in_its_group() {
        let panel = panel();
        let map = panel.param_map();
        assert_eq!(map.len(), Knob::COUNT + 2);
        for (&knob, (id, _, group)) in Knob::ALL.iter().zip(&map) {
            assert_eq!(id, knob.id());
            assert_eq!(group, &knob.group_name());
        }
        assert_eq!(Knob::Stage1Sweep.group_name(), "Stage 1");
        assert_eq!(Knob::Stage1Switch2.full_name(), "Stage 1 Switch 2");
        assert_eq!(Knob::Stage2In.full_name(), "Stage 2 in");
        assert_eq!(Knob::Limiter.full_name(), "Limiter");
        let names: BTreeSet<_> = Knob::ALL.iter().map(|&knob| knob.full_name()).collect();
        assert_eq!(names.len(), Knob::COUNT, "two knobs look the same in a flat list");
    }

    /// The framework numbers parameters by a 31-bit hash of their id; two of the same number would be one.
    #[test]
    fn no_two_ids_fall_on_the_same_number() {
        let number =
            |id: &str| id.bytes().fold(0u32, |hash, b| hash.wrapping_mul(31).wrapping_add(u32::from(b))) & !(1 << 31);
        let numbers: BTreeSet<_> = Knob::ALL.iter().map(|knob| number(knob.id())).chain([number(BYPASS)]).collect();
        assert_eq!(numbers.len(), Knob::COUNT + 1);
    }

    #[test]
    fn a_new_panel_stands_as_a_new_unit_on_the_built_in_board() {
        assert_eq!(panel().settings(), Settings::of(&Board::built_in()));
    }

    #[test]
    fn a_written_decimal_comes_back_through_single_precision_to_the_last_bit() {
        for (knob, value) in [
            (Knob::ExciterRate, 110.0),
            (Knob::ExciterRate, 97.3),
            (Knob::ExciterRate, 2000.0),
            (Knob::Stage2Link, 0.1),
            (Knob::Stage2Link, -0.1),
            (Knob::Stage2Link, 0.0),
            (Knob::OutputLevel, 0.0),
            (Knob::OutputLevel, -6.5),
            (Knob::UnitSupply, 1.2),
            (Knob::UnitSupply, 2.45),
            (Knob::ClickSoftEdge, 0.002),
            (Knob::Tap1Pan, -0.6),
            (Knob::Tap1Level, 0.333),
            (Knob::LimiterCeiling, -3.0),
        ] {
            assert_eq!(value_at(knob, knob.travel(value) as f32), value, "{}", knob.id());
        }
    }

    #[test]
    fn a_travel_is_never_moved_by_more_than_single_precision_can_tell() {
        for &knob in Knob::ALL.iter().filter(|knob| matches!(knob.kind(), Kind::Value { .. })) {
            for step in 0..=1000u16 {
                let travel = f32::from(step) / 1000.0;
                assert_eq!(knob.travel(value_at(knob, travel)) as f32, travel, "{} at {travel}", knob.id());
            }
        }
    }

    #[test]
    fn text_goes_both_ways_and_what_is_not_allowed_is_refused() {
        let panel = panel();
        for (id, pointer, _) in panel.param_map() {
            // SAFETY: `panel` lives to the end of the test.
            let (text, back) = unsafe {
                let text = pointer.normalized_value_to_string(pointer.unmodulated_normalized_value(), true);
                let back = pointer.string_to_normalized_value(&text);
                assert_eq!(pointer.string_to_normalized_value("a cup of tea"), None, "{id}");
                assert_eq!(back, Some(pointer.unmodulated_normalized_value()), "{id}");
                (text, back)
            };
            assert!(!text.is_empty() && back.is_some());
        }
        let Dial::Travel(rate) = panel.dial(Knob::ExciterRate) else { panic!("the rate is continuous") };
        assert_eq!(rate.normalized_value_to_string(rate.string_to_normalized_value("440 Hz").unwrap(), true), "440 Hz");
        assert_eq!(rate.string_to_normalized_value("3 kHz"), None, "2000 Hz is the highest");
    }

    #[test]
    fn the_patch_rules_the_state_and_a_broken_one_changes_nothing() {
        let panel = panel();
        let mut patch = Patch::new(Board::built_in());
        patch.settings.set(Knob::ExciterRate, 97.3);
        patch.settings.set(Knob::Stage3Switch1, 1.0);
        let fresh = |text: String| PluginState {
            version: String::new(),
            params: BTreeMap::from([("exciter.rate".to_owned(), ParamValue::F32(0.9))]),
            fields: BTreeMap::from([(PATCH.to_owned(), text)]),
        };
        let mut state = fresh(patch.to_toml());
        filter_state(&mut state).unwrap();
        assert_eq!(state.params.len(), Knob::COUNT);
        assert!(matches!(state.params["stage3.switch1"], ParamValue::Bool(true)));

        for broken in [
            patch.to_toml().replace("97.3 Hz", "97.3 GHz"),
            patch.to_toml().replacen("patch = 1", "patch = 7", 1),
            patch.to_toml()[..400].to_owned(),
            String::new(),
        ] {
            let mut state = fresh(broken);
            let error = filter_state(&mut state).unwrap_err();
            assert!(error.starts_with("patch: ") && !error.contains('\n'), "{error}");
            assert!(state.params.is_empty() && state.fields.is_empty());
            panel.deserialize_fields(&state.fields);
        }
        assert_eq!(panel.settings(), Settings::of(&Board::built_in()));
        assert_eq!(panel.workshop.patch(&panel.settings()).board, Board::built_in());
    }
}

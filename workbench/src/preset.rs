//! A patch as a preset file of VST3 hosts: what the plugin saves, in the box that the standard draws round it.
//!
//! ```text
//!    0  'VST3'   1   class id          header: version of the format, and in 32 digits which plugin it is for
//!   40  where the list begins
//!   48  {"version": …, "params": {}, "fields": {"patch": …}}     chunk 'Comp': the plugin's saved state, its patch as text
//!       'List'   1                     how many chunks there are
//!       'Comp'  48   bytes of it
//! ```
//! What of this is the plugin's own, its class id and the form of its state, is held against the plugin in `tests/`.
//!
//! Numbers are of four bytes, places and sizes of eight, the least byte first. VST 3, "Preset Format"; names of the chunks, their
//! order and that of the bytes: the standard's own `vstpresetfile.cpp`. A preset is called what its file is called, so the
//! file has no chunk that names it.

use serde::Serialize;
use tritank_dsp::patch::Patch;

/// What the name of a preset file ends in.
pub const ENDING: &str = "vstpreset";

/// The plugin's class id. Written as digits it is the same on every system, so a preset is too.
const CLASS_ID: &[u8; 16] = b"TritankFormantV1";
/// Header, version, digits of the class id, place of the list.
const HEADER_BYTES: u64 = 4 + 4 + 32 + 8;

/// The plugin's saved state.
#[derive(Serialize)]
struct State {
    version: &'static str,
    params: NoValues,
    fields: Fields,
}

/// No values of single parameters: those of the patch rule.
#[derive(Serialize)]
struct NoValues {}

#[derive(Serialize)]
struct Fields {
    patch: String,
}

/// The whole file.
///
/// # Panics
/// Never: a state is text.
pub fn file(patch: &Patch) -> Vec<u8> {
    let state =
        State { version: env!("CARGO_PKG_VERSION"), params: NoValues {}, fields: Fields { patch: patch.to_toml() } };
    let state = serde_json::to_vec(&state).expect("a state is text");
    let size = state.len() as u64;
    let class_id = format!("{:032X}", u128::from_be_bytes(*CLASS_ID));
    let header = [b"VST3", &1u32.to_le_bytes()[..], class_id.as_bytes(), &(HEADER_BYTES + size).to_le_bytes()];
    let list = [b"List", &1u32.to_le_bytes()[..], b"Comp", &HEADER_BYTES.to_le_bytes(), &size.to_le_bytes()];
    [header.concat(), state, list.concat()].concat()
}

//! The page that shows and plays the demo: one file with its own look, beside the sounds and pictures it names.

use crate::Track;
use crate::insert::Rendered;
use crate::pattern::Move;
use crate::pictures::Figure;
use std::fmt::Write as _;
use tritank_dsp::knobs::{Knob, Settings};
use tritank_workbench::sound::Sound;

/// What the page tells of.
pub(crate) struct Page<'a> {
    pub(crate) track: &'a Track,
    pub(crate) rendered: &'a Rendered,
    pub(crate) settings: &'a Settings,
    pub(crate) moves: &'a [Move],
    pub(crate) plugin: &'a str,
    pub(crate) pictures: &'a [Figure],
}

impl Page<'_> {
    /// The whole page.
    pub(crate) fn html(&self) -> String {
        include_str!("page.html")
            .replace("{style}", include_str!("page.css"))
            .replace("{plugin}", &escape(self.plugin))
            .replace("{title}", &escape(&self.track.title))
            .replace("{scene}", self.scene())
            .replace("{sounds}", &self.sounds())
            .replace("{figures}", &self.figures())
            .replace("{facts}", &self.facts())
    }

    fn scene(&self) -> &'static str {
        if self.track.is_organ {
            "The last boat has gone, the shutters are down, and somebody rehearses on the small organ beside gate 3. \
             One insert on its track, fourteen lines, a step pattern."
        } else {
            "Your own recording, with the same insert and the same step pattern that the organ gets."
        }
    }

    fn sounds(&self) -> String {
        let row = |file: &str, name: &str, what: &str, sound: &Sound| {
            let (peak, rms) = (peak(sound), rms(sound));
            format!(
                "<tr><th scope=\"row\">{name}<small>{what}</small></th>\
                 <td class=\"player\"><audio controls preload=\"metadata\" src=\"{file}\"></audio></td>\
                 <td class=\"n\">{peak:.3} V</td><td class=\"n\">{rms:.3} V</td>\
                 <td><a href=\"{file}\">{file}</a></td></tr>\n"
            )
        };
        [
            row("dry.wav", "Dry", "the track as it came", &self.track.dry),
            row("wet.wav", "Wet", "main out: the three taps, mixed", &self.rendered.wet),
            row("taps.wav", "Taps", "four channels: pulse, tap 1, tap 2, tap 3", &self.rendered.taps),
        ]
        .concat()
    }

    fn figures(&self) -> String {
        let mut html = String::new();
        for Figure { file, title, caption, .. } in self.pictures {
            let _ = writeln!(
                html,
                "<figure><a href=\"{file}\"><img src=\"{file}\" alt=\"{title}\"></a>\
                 <figcaption><b>{title}.</b> {caption}</figcaption></figure>"
            );
        }
        html
    }

    fn facts(&self) -> String {
        let knob = |(knob, value): (Knob, f64)| format!("<code>{} = {}</code>", knob.id(), escape(&knob.write(value)));
        let knobs: Vec<_> = crate::turned(self.settings).map(knob).collect();
        let rate = self.track.dry.rate_hz;
        let facts = [
            ("Plugin", escape(self.plugin)),
            ("Track", escape(&self.track.line())),
            ("Speed", format!("{:.1} × real time at {rate} Hz", crate::speed(&self.track.dry, self.rendered))),
            ("Latency", format!("{} frames, taken off: dry and wet line up", self.rendered.latency)),
            ("Edges", self.moves.len().to_string()),
            ("Knobs turned", knobs.join(" ")),
            ("Level", "a sample of 1.0 is 1 V at the jack".to_owned()),
        ];
        facts.iter().map(|(name, value)| format!("<dt>{name}</dt><dd>{value}</dd>\n")).collect::<Vec<_>>().concat()
    }
}

fn peak(sound: &Sound) -> f64 {
    sound.channels.iter().flatten().fold(0.0, |peak, x| x.abs().max(peak))
}

fn rms(sound: &Sound) -> f64 {
    let (sum, count) = sound.channels.iter().flatten().fold((0.0, 0usize), |(sum, count), x| (sum + x * x, count + 1));
    (sum / count.max(1) as f64).sqrt()
}

/// A file's name may hold anything.
fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_recording_s_name_cannot_break_the_page() {
        assert_eq!(escape("<b>\"R&D\".wav"), "&lt;b&gt;&quot;R&amp;D&quot;.wav");
    }

    #[test]
    fn the_page_asks_nothing_of_a_network() {
        let page = [include_str!("page.html"), include_str!("page.css")].concat();
        for word in ["http:", "https:", "//", "@import", "url("] {
            assert!(!page.contains(word), "{word}");
        }
    }

    #[test]
    fn levels_are_those_of_the_samples() {
        let sound = Sound { rate_hz: 8000, channels: vec![vec![0.3, -0.5], vec![0.0, 0.1]] };
        assert_eq!(peak(&sound), 0.5);
        approx::assert_relative_eq!(rms(&sound), (0.35_f64 / 4.0).sqrt(), max_relative = 1e-12);
    }
}

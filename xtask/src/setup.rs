//! What a machine needs from its system, and the packages that bring it. Nothing is installed here.
//!
//! Everything but the player without a host builds from Rust and a C linker alone; that one asks for the development files
//! of ALSA on Linux. macOS and Windows bring what it needs.

use anyhow::{Result, bail};
use xshell::{Shell, cmd};

/// A package manager, how it is asked to install, and what the player needs by its names.
const MANAGERS: [(&str, &str, &[&str]); 4] = [
    ("apt-get", "sudo apt-get install", &["pkg-config", "libasound2-dev"]),
    ("dnf", "sudo dnf install", &["pkgconf-pkg-config", "alsa-lib-devel"]),
    ("pacman", "sudo pacman -S", &["pkgconf", "alsa-lib"]),
    ("brew", "brew install", &["pkgconf", "alsa-lib"]),
];

/// Says what is there and what is missing; fails when the player could not be built.
pub(crate) fn run() -> Result<()> {
    println!("plugin, bench and checks: ready (Rust and a C linker are here)");
    if !cfg!(target_os = "linux") {
        println!("player without a host:    ready (the system brings audio and MIDI)");
        return Ok(());
    }
    let shell = Shell::new()?;
    let answers = |program: &str, words: &[&str]| {
        cmd!(shell, "{program} {words...}").quiet().ignore_stdout().ignore_stderr().run().is_ok()
    };
    if answers("pkg-config", &["--exists", "alsa"]) {
        println!("player without a host:    ready (ALSA's development files are here)");
        return Ok(());
    }
    let here: Vec<_> = MANAGERS.iter().filter(|(program, ..)| answers(program, &["--version"])).collect();
    bail!("player without a host: ALSA's development files are missing; {}", advice(&here));
}

/// What to type.
fn advice(here: &[&(&str, &str, &[&str])]) -> String {
    let named: Vec<_> = if here.is_empty() { MANAGERS.iter().collect() } else { here.to_vec() };
    let commands: Vec<_> =
        named.iter().map(|(_, install, packages)| format!("{install} {}", packages.join(" "))).collect();
    format!("to install them: {}", commands.join(", or "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_packages_of_the_manager_that_is_here_are_named_or_else_those_of_all() {
        assert_eq!(advice(&[&MANAGERS[1]]), "to install them: sudo dnf install pkgconf-pkg-config alsa-lib-devel");
        let all = advice(&[]);
        assert!(MANAGERS.iter().all(|(_, install, _)| all.contains(install)), "{all}");
    }
}

//! What a machine needs from its system, and the packages that bring it. Nothing is installed here.
//!
//! Everything but the player without a host builds from Rust and a C linker alone; that one asks for the development files
//! of ALSA on Linux, and for those of JACK where it is to play through JACK too. macOS and Windows bring what it needs.

use anyhow::{Result, bail};
use xshell::{Shell, cmd};

/// A library that the player is built with.
#[derive(Clone, Copy)]
pub(crate) enum Library {
    Alsa,
    Jack,
}

impl Library {
    /// What people call it, and what `pkg-config` does.
    fn names(self) -> (&'static str, &'static str) {
        match self {
            Self::Alsa => ("ALSA", "alsa"),
            Self::Jack => ("JACK", "jack"),
        }
    }

    /// Whether the player can be built with it here.
    pub(crate) fn is_here(self) -> bool {
        cfg!(target_os = "linux") && answers("pkg-config", &["--exists", self.names().1])
    }

    /// That it is not, and what to do.
    pub(crate) fn missing(self) -> String {
        format!("{}'s development files are missing here; {}", self.names().0, advice(self, &managers()))
    }
}

/// A package manager, how it is asked to install, and its names for `pkg-config` and the libraries.
struct Manager {
    program: &'static str,
    install: &'static str,
    pkg_config: &'static str,
    alsa: &'static str,
    jack: &'static str,
}

/// Names as Debian and Ubuntu, Fedora, Arch and openSUSE have them: Debian's looked up, the others from memory.
const MANAGERS: [Manager; 4] = [
    Manager {
        program: "apt-get",
        install: "sudo apt-get install",
        pkg_config: "pkg-config",
        alsa: "libasound2-dev",
        jack: "libjack-jackd2-dev",
    },
    Manager {
        program: "dnf",
        install: "sudo dnf install",
        pkg_config: "pkgconf-pkg-config",
        alsa: "alsa-lib-devel",
        jack: "pipewire-jack-audio-connection-kit-devel",
    },
    Manager { program: "pacman", install: "sudo pacman -S", pkg_config: "pkgconf", alsa: "alsa-lib", jack: "jack2" },
    Manager {
        program: "zypper",
        install: "sudo zypper install",
        pkg_config: "pkg-config",
        alsa: "alsa-devel",
        jack: "libjack-devel",
    },
];

/// Says what is there and what is missing; fails when the player could not be built.
pub(crate) fn run() -> Result<()> {
    println!("plugin, bench and checks: ready (Rust and a C linker are here)");
    if !cfg!(target_os = "linux") {
        println!("player without a host:    ready (the system brings audio and MIDI)");
        return Ok(());
    }
    if Library::Jack.is_here() {
        println!("player through JACK:      ready (JACK's development files are here): --features jack");
    } else {
        println!("player through JACK:      not to be built: {}", Library::Jack.missing());
    }
    if !Library::Alsa.is_here() {
        bail!("player without a host: {}", Library::Alsa.missing());
    }
    println!("player without a host:    ready (ALSA's development files are here): --features standalone");
    Ok(())
}

/// Whether a program can be run here and has no complaint.
pub(crate) fn answers(program: &str, words: &[&str]) -> bool {
    let Ok(shell) = Shell::new() else { return false };
    cmd!(shell, "{program} {words...}").quiet().ignore_stdout().ignore_stderr().run().is_ok()
}

/// Those that are here; all of them if none is.
fn managers() -> Vec<&'static Manager> {
    let here: Vec<_> = MANAGERS.iter().filter(|manager| answers(manager.program, &["--version"])).collect();
    if here.is_empty() { MANAGERS.iter().collect() } else { here }
}

/// What to type.
fn advice(library: Library, managers: &[&Manager]) -> String {
    let command = |manager: &&Manager| {
        let package = match library {
            Library::Alsa => manager.alsa,
            Library::Jack => manager.jack,
        };
        format!("{} {} {package}", manager.install, manager.pkg_config)
    };
    format!("to install them: {}", managers.iter().map(command).collect::<Vec<_>>().join(", or "))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_packages_of_a_library_are_named_for_every_manager() {
        let fedora = advice(Library::Alsa, &[&MANAGERS[1]]);
        assert_eq!(fedora, "to install them: sudo dnf install pkgconf-pkg-config alsa-lib-devel");
        let all = advice(Library::Jack, &MANAGERS.iter().collect::<Vec<_>>());
        for manager in &MANAGERS {
            let command = format!("{} {} {}", manager.install, manager.pkg_config, manager.jack);
            assert!(all.contains(&command), "{all}");
        }
        assert!(!all.contains("alsa"), "{all}");
    }
}

//! The release plugin, laid out as hosts look for it.
//!
//! ```text
//!   target/bundled/
//!     Tritank.clap                       the library itself, renamed; on macOS a bundle folder
//!     Tritank.vst3/Contents/
//!       x86_64-linux/Tritank.so          one folder for each processor and system
//!       x86_64-win/Tritank.vst3
//!       MacOS/Tritank                    with Info.plist and PkgInfo beside it
//!     presets/Tritank/Tritank/           a preset file for every patch, under the maker's name and the plugin's
//! ```
//! The layouts are those of the two standards: CLAP, `entry.h`; VST 3, "Plug-in Format Structure" and "Preset Locations".

use crate::house::House;
use anyhow::{Context, Result, bail};
use std::env::consts::{ARCH, DLL_EXTENSION, OS};
use std::path::{Path, PathBuf};
use xshell::Shell;

const NAME: &str = "Tritank";

/// The bench program, which writes the presets.
const BENCH: &str = "tritank";

/// What was built, and where it lies.
pub(crate) struct Bundle {
    /// `Tritank.clap`.
    pub(crate) clap: PathBuf,
    /// `Tritank.vst3`.
    pub(crate) vst3: PathBuf,
    /// `presets`: what is inside is copied as it lies.
    pub(crate) presets: PathBuf,
    built: Built,
}

impl Bundle {
    /// The bench program.
    pub(crate) fn bench(&self) -> Result<&Path> {
        self.executable(BENCH)
    }

    /// A program that was built along with it.
    pub(crate) fn executable(&self, name: &str) -> Result<&Path> {
        self.built.executables.iter().find(|(n, _)| n == name).map(|(_, path)| path.as_path()).context(name.to_owned())
    }
}

/// Builds plugin and bench in release, with whatever else `also` asks Cargo for, and lays out both bundles and the presets.
pub(crate) fn build(house: &House, also: &[&str]) -> Result<Bundle> {
    let built = Built::by_cargo(house, also)?;
    let folder = house.target().join("bundled");
    let bundle = Bundle {
        clap: folder.join(format!("{NAME}.clap")),
        vst3: folder.join(format!("{NAME}.vst3")),
        presets: folder.join("presets"),
        built,
    };
    lay_out(house.shell(), &bundle)?;
    write_presets(house.shell(), &bundle)?;
    Ok(bundle)
}

fn lay_out(shell: &Shell, bundle: &Bundle) -> Result<()> {
    let library = &bundle.built.library;
    // Nothing of an older build may stay inside.
    shell.remove_path(&bundle.clap)?;
    shell.remove_path(&bundle.vst3)?;
    if OS == "macos" {
        mac_folder(shell, library, &bundle.clap)?;
        mac_folder(shell, library, &bundle.vst3)
    } else {
        copy(shell, library, &bundle.clap)?;
        copy(shell, library, &bundle.vst3.join(vst3_place(ARCH, OS)?))
    }
}

fn write_presets(shell: &Shell, bundle: &Bundle) -> Result<()> {
    shell.remove_path(&bundle.presets)?;
    let place = bundle.presets.join(NAME).join(NAME);
    shell.cmd(bundle.bench()?).args(["preset", "--all"]).arg(place).quiet().ignore_stdout().run()?;
    Ok(())
}

/// Where the library lies inside the VST3 folder.
fn vst3_place(arch: &str, os: &str) -> Result<String> {
    // The standard's own names for processors differ between systems.
    let place = match (os, arch) {
        ("windows", "x86_64") => "x86_64-win",
        ("windows", "aarch64") => "arm64-win",
        ("windows", "x86") => "x86-win",
        ("linux", "x86") => return Ok(format!("Contents/i386-linux/{NAME}.so")),
        ("linux", arch) => return Ok(format!("Contents/{arch}-linux/{NAME}.so")),
        (os, arch) => bail!("VST3 bundle: given {os} on {arch}, allowed are linux, macos, and windows on x86 or arm64"),
    };
    Ok(format!("Contents/{place}/{NAME}.vst3"))
}

fn mac_folder(shell: &Shell, library: &Path, folder: &Path) -> Result<()> {
    let contents = folder.join("Contents");
    copy(shell, library, &contents.join("MacOS").join(NAME))?;
    shell.write_file(contents.join("PkgInfo"), "BNDL????")?;
    shell.write_file(contents.join("Info.plist"), info_plist())?;
    Ok(())
}

fn info_plist() -> String {
    let entries = [
        ("CFBundleDevelopmentRegion", "en"),
        ("CFBundleExecutable", NAME),
        ("CFBundleIdentifier", "org.tritank.tritank"),
        ("CFBundleInfoDictionaryVersion", "6.0"),
        ("CFBundleName", NAME),
        ("CFBundlePackageType", "BNDL"),
        ("CFBundleShortVersionString", env!("CARGO_PKG_VERSION")),
        ("CFBundleSignature", "????"),
        ("CFBundleVersion", env!("CARGO_PKG_VERSION")),
    ];
    let line = |(key, value): &(&str, &str)| format!("  <key>{key}</key><string>{value}</string>\n");
    let body = entries.iter().map(line).collect::<Vec<_>>().concat();
    format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
         <!DOCTYPE plist PUBLIC \"-//Apple//DTD PLIST 1.0//EN\" \"http://www.apple.com/DTDs/PropertyList-1.0.dtd\">\n\
         <plist version=\"1.0\"><dict>\n{body}  <key>NSHighResolutionCapable</key><true/>\n</dict></plist>\n"
    )
}

fn copy(shell: &Shell, from: &Path, to: &Path) -> Result<()> {
    if let Some(folder) = to.parent() {
        shell.create_dir(folder)?;
    }
    shell.copy_file(from, to)?;
    Ok(())
}

/// What Cargo says that it made.
struct Built {
    library: PathBuf,
    executables: Vec<(String, PathBuf)>,
}

impl Built {
    fn by_cargo(house: &House, also: &[&str]) -> Result<Self> {
        let command = house.cargo("build").args(["--release", "-p", "tritank", "--lib"]);
        let command = command.args(["-p", "tritank-workbench", "--bin", BENCH]).args(also);
        let lines = command.arg("--message-format=json-render-diagnostics").read()?;
        Self::from_messages(&lines)
    }

    /// Reads Cargo's messages, so that the files are found on any system and for any target folder.
    fn from_messages(lines: &str) -> Result<Self> {
        let (mut library, mut executables) = (None, Vec::new());
        for line in lines.lines() {
            let Ok(message) = serde_json::from_str::<serde_json::Value>(line) else { continue };
            let target = &message["target"];
            let Some(name) = target["name"].as_str() else { continue };
            if let Some(file) = message["executable"].as_str() {
                executables.push((name.to_owned(), PathBuf::from(file)));
            }
            let is_plugin =
                name == "tritank" && target["crate_types"].as_array().is_some_and(|t| t.contains(&"cdylib".into()));
            if is_plugin {
                let files = message["filenames"].as_array().into_iter().flatten().filter_map(|file| file.as_str());
                library = files.map(PathBuf::from).find(|f| f.extension().is_some_and(|e| e == DLL_EXTENSION));
            }
        }
        Ok(Self { library: library.context("Cargo built no plugin library")?, executables })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_system_finds_its_library_where_the_vst3_standard_says() {
        assert_eq!(vst3_place("x86_64", "linux").unwrap(), "Contents/x86_64-linux/Tritank.so");
        assert_eq!(vst3_place("aarch64", "linux").unwrap(), "Contents/aarch64-linux/Tritank.so");
        assert_eq!(vst3_place("x86_64", "windows").unwrap(), "Contents/x86_64-win/Tritank.vst3");
        assert_eq!(vst3_place("aarch64", "windows").unwrap(), "Contents/arm64-win/Tritank.vst3");
        assert!(vst3_place("x86_64", "plan9").unwrap_err().to_string().contains("plan9"));
    }

    #[test]
    fn the_library_and_the_programs_are_found_in_what_cargo_says() {
        let lines = format!(
            "{}\nnot a message\n{}\n{}\n",
            r#"{"reason":"compiler-artifact","target":{"name":"tritank","crate_types":["bin"]},"executable":"/t/tritank","filenames":["/t/tritank"]}"#,
            format_args!(
                r#"{{"reason":"compiler-artifact","target":{{"name":"tritank","crate_types":["cdylib","lib"]}},"executable":null,"filenames":["/t/libtritank.{DLL_EXTENSION}","/t/libtritank.rlib"]}}"#
            ),
            r#"{"reason":"build-finished","success":true}"#,
        );
        let built = Built::from_messages(&lines).unwrap();
        assert_eq!(built.library, PathBuf::from(format!("/t/libtritank.{DLL_EXTENSION}")));
        assert_eq!(built.executables, [("tritank".to_owned(), PathBuf::from("/t/tritank"))]);
        assert!(Built::from_messages("").is_err());
    }

    #[test]
    fn a_mac_bundle_names_its_own_library() {
        assert!(info_plist().contains("<key>CFBundleExecutable</key><string>Tritank</string>"));
    }
}

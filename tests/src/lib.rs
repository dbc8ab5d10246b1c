//! Checks of the instrument against the world outside.

pub mod allocations;

use std::env::consts::{DLL_PREFIX, DLL_SUFFIX};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// The built library: named by `TRITANK_CLAP`, or built here by Cargo, in release, once.
///
/// # Panics
/// When it does not build. Only a test or an example of the workspace knows by its own place where it is.
pub fn built_library() -> &'static Path {
    static LIBRARY: OnceLock<PathBuf> = OnceLock::new();
    LIBRARY.get_or_init(|| {
        if let Some(path) = std::env::var_os("TRITANK_CLAP") {
            return path.into();
        }
        // The test itself lies in <target>/<profile>/deps.
        let test = std::env::current_exe().expect("a test knows where it is");
        let target = test.ancestors().nth(3).expect("a test lies in the target folder");
        let done = Command::new(env!("CARGO"))
            .args(["build", "--quiet", "--release", "--package", "tritank", "--lib", "--target-dir"])
            .arg(target)
            .current_dir(env!("CARGO_MANIFEST_DIR"))
            .status()
            .expect("cargo runs");
        assert!(done.success(), "the plugin does not build");
        target.join("release").join(format!("{DLL_PREFIX}tritank{DLL_SUFFIX}"))
    })
}

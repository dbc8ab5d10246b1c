//! Where things are: the root of the house, its target folder, and a shell that works there.

use anyhow::{Context, Result};
use std::path::{Path, PathBuf};
use xshell::{Cmd, Shell};

/// The workspace, as Cargo sees it.
pub(crate) struct House {
    shell: Shell,
    root: PathBuf,
    target: PathBuf,
}

impl House {
    /// Asks Cargo, so that a target folder set from outside is honoured.
    pub(crate) fn find() -> Result<Self> {
        let shell = Shell::new()?;
        let text = cargo(&shell, "metadata").args(["--no-deps", "--format-version", "1"]).quiet().read()?;
        let facts: serde_json::Value = serde_json::from_str(&text).context("what `cargo metadata` said")?;
        let path = |key: &str| facts[key].as_str().map(PathBuf::from).with_context(|| format!("no {key} from Cargo"));
        let (root, target) = (path("workspace_root")?, path("target_directory")?);
        shell.change_dir(&root);
        Ok(Self { shell, root, target })
    }

    /// A shell at the root.
    pub(crate) fn shell(&self) -> &Shell {
        &self.shell
    }

    /// The folder with the workspace's `Cargo.toml`.
    pub(crate) fn root(&self) -> &Path {
        &self.root
    }

    /// Cargo's target folder.
    pub(crate) fn target(&self) -> &Path {
        &self.target
    }

    /// A Cargo command.
    pub(crate) fn cargo(&self, command: &str) -> Cmd<'_> {
        cargo(&self.shell, command)
    }
}

fn cargo<'a>(shell: &'a Shell, command: &str) -> Cmd<'a> {
    // Cargo names itself to what it runs, so that the toolchain stays the same one.
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    shell.cmd(cargo).arg(command)
}

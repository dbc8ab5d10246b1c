//! The built bench program in a folder of its own.

// Each test program uses its own part of these.
#![allow(dead_code)]

use std::path::PathBuf;
use std::process::{Command, Output};
use tempfile::TempDir;

/// A folder and the program in it.
pub(crate) struct Bench {
    folder: TempDir,
}

impl Bench {
    pub(crate) fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub(crate) fn put(&self, name: &str, bytes: impl AsRef<[u8]>) {
        std::fs::write(self.path(name), bytes).unwrap();
    }

    /// Every name in the folder, hidden ones too, in order.
    pub(crate) fn names(&self) -> Vec<String> {
        let entries = std::fs::read_dir(self.folder.path()).unwrap();
        let mut names: Vec<_> = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
        names.sort();
        names
    }

    /// Runs a command line, its words between blanks.
    pub(crate) fn run(&self, line: &str) -> Output {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tritank"));
        command.args(line.split_whitespace()).current_dir(self.folder.path()).output().unwrap()
    }

    /// The same with nobody at the other end of standard output, of standard error, or of both.
    pub(crate) fn with_closed(&self, line: &str, output: bool, error: bool) -> Output {
        let mut command = Command::new(env!("CARGO_BIN_EXE_tritank"));
        command.args(line.split_whitespace()).current_dir(self.folder.path());
        let closed = || std::io::pipe().unwrap().1;
        if output {
            command.stdout(closed());
        }
        if error {
            command.stderr(closed());
        }
        command.output().unwrap()
    }

    /// Runs a command line that must succeed; what it printed.
    pub(crate) fn well(&self, line: &str) -> String {
        let output = self.run(line);
        assert!(output.status.success(), "{line}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    }

    /// The same, as JSON.
    pub(crate) fn facts(&self, line: &str) -> serde_json::Value {
        serde_json::from_str(&self.well(line)).unwrap()
    }

    /// Runs a command line that must be refused: exit code 2, one line, nothing printed, nothing written.
    pub(crate) fn refused(&self, line: &str) -> String {
        let before = self.names();
        let output = self.run(line);
        let told = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{line}: {told}");
        assert_eq!(told.matches('\n').count(), 1, "{line}: {told}");
        assert!(told.starts_with("tritank: ") && told.ends_with('\n'), "{line}: {told}");
        assert!(output.stdout.is_empty(), "{line}: {}", String::from_utf8_lossy(&output.stdout));
        assert_eq!(self.names(), before, "{line}");
        told
    }
}

//! An output file that appears whole or not at all.
//!
//! ```text
//!   create ──► a hidden file in the same folder ──► write … ──► finish: renamed onto its name
//!                                                     └──────► dropped: gone
//! ```
//! It is created before the long work, so that a folder that cannot be written is refused at once.

use crate::fault::Fault;
use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};
use tempfile::NamedTempFile;

/// A file on its way.
pub struct WholeFile {
    name: PathBuf,
    file: NamedTempFile,
}

impl WholeFile {
    /// Opens a hidden file beside `name`.
    ///
    /// # Errors
    /// When the name is a folder or a device, or when its folder is not there or cannot be written.
    pub fn create(name: &Path) -> Result<Self, Fault> {
        // A link stays a link: what it points to is replaced.
        let target = std::fs::canonicalize(name).unwrap_or_else(|_| name.to_owned());
        if let Ok(there) = std::fs::metadata(&target)
            && !there.is_file()
        {
            let given = if there.is_dir() { "a folder" } else { "a device" };
            return Err(Fault::in_file(name, format!("given {given}, allowed is the name of a file to write")));
        }
        let folder = match target.parent() {
            Some(folder) if folder != Path::new("") => folder,
            _ => Path::new("."),
        };
        let mut builder = tempfile::Builder::new();
        builder.prefix(".tritank-").suffix(".part");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            // As any program would create it; the user's mask takes its share.
            builder.permissions(std::fs::Permissions::from_mode(0o666));
        }
        let file = builder.tempfile_in(folder).map_err(|error| {
            let why = crate::fault::told(&error);
            Fault::in_file(name, format!("cannot be written: folder \"{}\": {why}", folder.display()))
        })?;
        Ok(Self { name: target, file })
    }

    /// The open file.
    ///
    /// # Errors
    /// When the system gives no second handle.
    pub fn handle(&self) -> Result<File, Fault> {
        self.file.as_file().try_clone().map_err(|error| Fault::in_file(&self.name, error))
    }

    /// Writes all of it and lets it appear.
    ///
    /// # Errors
    /// When it cannot be written, for want of room for example; then nothing appears.
    pub fn write(mut self, bytes: &[u8]) -> Result<(), Fault> {
        self.file.write_all(bytes).map_err(|error| Fault::in_file(&self.name, error))?;
        self.finish()
    }

    /// Lets the file appear under its name, in place of one that was there.
    ///
    /// # Errors
    /// When it cannot be flushed or renamed; then nothing appears.
    pub fn finish(self) -> Result<(), Fault> {
        let Self { name, file } = self;
        file.as_file().sync_all().map_err(|error| Fault::in_file(&name, error))?;
        file.persist(&name).map_err(|error| Fault::in_file(&name, error.error))?;
        Ok(())
    }
}

/// Writes a text or a picture whole.
///
/// # Errors
/// As [`WholeFile::create`] and [`WholeFile::write`].
pub fn write(name: &Path, bytes: &[u8]) -> Result<(), Fault> {
    WholeFile::create(name)?.write(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_appears_whole_and_a_dropped_one_leaves_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let name = folder.path().join("out.txt");
        std::fs::write(&name, "old").unwrap();
        let file = WholeFile::create(&name).unwrap();
        file.handle().unwrap().write_all(b"half").unwrap();
        drop(file);
        assert_eq!(std::fs::read_to_string(&name).unwrap(), "old");
        write(&name, b"new").unwrap();
        assert_eq!(std::fs::read_to_string(&name).unwrap(), "new");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_folder_a_device_and_a_missing_folder_are_refused_by_name() {
        let folder = tempfile::tempdir().unwrap();
        assert!(write(folder.path(), b"").unwrap_err().to_string().contains("given a folder"));
        let lost = folder.path().join("lost/out.wav");
        let error = write(&lost, b"").unwrap_err().to_string();
        assert!(error.contains("lost/out.wav") && error.contains("no such file or folder"), "{error}");
        #[cfg(unix)]
        assert!(write(Path::new("/dev/null"), b"").unwrap_err().to_string().contains("given a device"));
    }
}

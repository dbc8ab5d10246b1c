//! What went wrong, as one line: the file, the place in it, what was given and what is allowed.

use std::fmt::Display;
use std::path::Path;

/// Exit code of every refusal, those of the argument parser included.
pub const EXIT_CODE: u8 = 2;

/// One line for a person. Nothing was written.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Fault(String);

impl Fault {
    /// A fault that no file is to blame for.
    pub fn new(what: impl Display) -> Self {
        let line: Vec<_> = what.to_string().split_whitespace().map(str::to_owned).collect();
        Self(line.join(" "))
    }

    /// A fault in a file: the file, then the place in it, what was given and what is allowed.
    pub fn in_file(file: &Path, what: impl Display) -> Self {
        Self::new(format!("{}: {what}", file.display()))
    }
}

/// What the system says of a file, in a person's words.
pub fn told(error: &std::io::Error) -> String {
    match error.kind() {
        std::io::ErrorKind::NotFound => "there is no such file or folder".to_owned(),
        std::io::ErrorKind::IsADirectory => "given a folder, allowed is a file".to_owned(),
        kind => kind.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_is_one_line_whatever_it_is_made_of() {
        let fault = Fault::in_file(Path::new("my board.toml"), "line 3:\n  given 4\r\n\tallowed 1 to 3");
        assert_eq!(fault.to_string(), "my board.toml: line 3: given 4 allowed 1 to 3");
    }
}

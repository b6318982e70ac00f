//! What can go wrong on the host, said so that the reader can mend it: file, line, cause, remedy.

use std::fmt;
use std::path::{Path, PathBuf};

/// The exit code that a problem leads to. The larger one wins where several problems meet (3 and 4 beat 1).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Exit {
    /// A finding of the level given by `--fail-on` was raised.
    FindingRaised = 1,
    /// Usage, profile, mapping, actions or scenario unusable.
    Usage = 2,
    /// A trace or memory of which nothing can be read.
    Unreadable = 3,
    /// Port, flash, database or output not usable.
    Device = 4,
}

/// One problem: which file and line, what is wrong, what to do about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Problem {
    /// What the command exits with.
    pub exit: Exit,
    /// The file it is about.
    pub file: Option<PathBuf>,
    /// The line in that file, counted from 1.
    pub line: Option<u64>,
    /// What is wrong.
    pub cause: String,
    /// What to do about it.
    pub remedy: String,
}

impl Problem {
    /// A problem that belongs to no file.
    pub fn new(exit: Exit, cause: impl Into<String>, remedy: impl Into<String>) -> Self {
        Self { exit, file: None, line: None, cause: cause.into(), remedy: remedy.into() }
    }

    /// The same problem, in that file.
    #[must_use]
    pub fn in_file(mut self, file: &Path) -> Self {
        self.file = Some(file.to_owned());
        self
    }

    /// The same problem, at that line.
    #[must_use]
    pub fn at_line(mut self, line: u64) -> Self {
        self.line = Some(line);
        self
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(file) = &self.file {
            write!(f, "{}:", file.display())?;
            if let Some(line) = self.line {
                write!(f, "{line}:")?;
            }
            f.write_str(" ")?;
        }
        write!(f, "{}. {}", self.cause, self.remedy)
    }
}

impl std::error::Error for Problem {}

//! Files that are not there before they are complete.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use crate::problem::{Exit, Problem};

/// A file that is written beside its place and moved there at the end, so that a reader never sees half of it. The place
/// is tried before the work begins, so that one that cannot be written to is known before it is done.
#[derive(Debug)]
pub struct OutFile {
    target: PathBuf,
    /// Devices and pipes are written as they are; there is nothing to replace.
    is_regular: bool,
    /// What it is, for messages: `The summary`.
    what: &'static str,
    remedy: &'static str,
}

impl OutFile {
    /// Makes sure that `target` can be written. Problems say `what` cannot be written, and the `remedy`.
    ///
    /// # Errors
    /// The place cannot be written to: exit code 4.
    pub fn create(target: &Path, what: &'static str, remedy: &'static str) -> Result<Self, Problem> {
        let file = Self { target: target.to_owned(), is_regular: true, what, remedy };
        match try_place(target) {
            Ok((target, is_regular)) => Ok(Self { target, is_regular, ..file }),
            Err(error) => Err(file.unwritable(&error)),
        }
    }

    /// Writes the file and moves it to its place.
    ///
    /// # Errors
    /// The file cannot be written: exit code 4.
    pub fn finish(self, bytes: &[u8]) -> Result<(), Problem> {
        self.write(bytes).map_err(|error| self.unwritable(&error))
    }

    fn write(&self, bytes: &[u8]) -> io::Result<()> {
        if !self.is_regular {
            return OpenOptions::new().write(true).open(&self.target)?.write_all(bytes);
        }
        let mut part = Part::beside(&self.target)?;
        part.file.write_all(bytes)?;
        // Who may read and write the file is settled already where it exists.
        if let Ok(there) = fs::metadata(&self.target) {
            part.file.set_permissions(there.permissions())?;
        }
        part.file.sync_all()?;
        fs::rename(&part.path, &self.target)?;
        sync_folder(&self.target)
    }

    fn unwritable(&self, error: &io::Error) -> Problem {
        let cause = format!("{} cannot be written: {error}", self.what);
        Problem::new(Exit::Device, cause, self.remedy).in_file(&self.target)
    }
}

fn try_place(target: &Path) -> io::Result<(PathBuf, bool)> {
    // A link stays a link: what it points to is replaced.
    let target = fs::canonicalize(target).unwrap_or_else(|_| target.to_owned());
    let is_regular = match fs::metadata(&target) {
        Ok(there) if there.is_dir() => return Err(io::Error::other("it is a directory")),
        Ok(there) if there.is_file() && there.permissions().readonly() => {
            return Err(io::Error::other("it is read-only"));
        }
        Ok(there) => there.is_file(),
        Err(_) => true,
    };
    if is_regular {
        Part::beside(&target)?;
    }
    Ok((target, is_regular))
}

/// Makes the new name of a file outlast a power cut. Only Unix opens a folder for that; elsewhere the system sees to it.
fn sync_folder(file: &Path) -> io::Result<()> {
    if cfg!(unix) {
        let folder = file.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        File::open(folder)?.sync_all()?;
    }
    Ok(())
}

/// A file that is removed again unless it was moved to its place.
struct Part {
    path: PathBuf,
    file: File,
}

impl Part {
    fn beside(target: &Path) -> io::Result<Self> {
        let name = target.file_name().ok_or_else(|| io::Error::other("it is not the name of a file"))?;
        let name = format!(".{}.{}.part", name.to_string_lossy(), std::process::id());
        let path = target.with_file_name(name);
        let file = OpenOptions::new().write(true).create_new(true).open(&path)?;
        Ok(Self { path, file })
    }
}

impl Drop for Part {
    fn drop(&mut self) {
        // Gone already where it was moved; otherwise nothing is left to do about a file that cannot be removed.
        let _ = fs::remove_file(&self.path);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_there_until_the_file_is_complete() {
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("s.json");
        fs::write(&target, "old").unwrap();
        let pending = OutFile::create(&target, "The summary", "Give another place").unwrap();
        assert_eq!(fs::read_to_string(&target).unwrap(), "old");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1, "trying the place leaves nothing behind");
        pending.finish(b"new").unwrap();
        assert_eq!(fs::read_to_string(&target).unwrap(), "new");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[cfg(unix)]
    #[test]
    fn a_file_that_is_replaced_keeps_its_permissions() {
        use std::os::unix::fs::PermissionsExt;
        let folder = tempfile::tempdir().unwrap();
        let target = folder.path().join("m.bin");
        fs::write(&target, "old").unwrap();
        for mode in [0o600, 0o644, 0o640] {
            fs::set_permissions(&target, fs::Permissions::from_mode(mode)).unwrap();
            OutFile::create(&target, "The memory", "Give another place").unwrap().finish(b"new").unwrap();
            assert_eq!(fs::metadata(&target).unwrap().permissions().mode() & 0o777, mode, "{mode:o}");
        }
    }

    #[test]
    fn a_place_that_cannot_be_written_to_is_known_before() {
        let folder = tempfile::tempdir().unwrap();
        let problem = OutFile::create(folder.path(), "The memory", "Give another place").unwrap_err();
        assert_eq!(problem.exit, Exit::Device);
        assert!(problem.to_string().contains("The memory cannot be written: it is a directory"), "{problem}");
    }
}

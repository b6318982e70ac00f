//! Two programs that work with one memory notice each other: who comes first keeps a lock file beside it.

use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

use crate::problem::{Exit, Problem};

/// Held as long as somebody works with a memory; the lock file goes with it.
#[derive(Debug)]
pub(super) struct Lock {
    path: PathBuf,
}

impl Lock {
    /// Takes the lock of a memory; `None` for what is no file, which nobody replaces.
    ///
    /// # Errors
    /// Another program has it, or no file can be made beside the memory: exit code 4.
    pub(super) fn take(memory: &Path) -> Result<Option<Self>, Problem> {
        // All names of a file have one lock.
        let target = fs::canonicalize(memory).unwrap_or_else(|_| memory.to_owned());
        if fs::metadata(&target).is_ok_and(|there| !there.is_file()) {
            return Ok(None);
        }
        let unwritable = |error: io::Error| {
            let cause = format!("The memory cannot be written: {error}");
            Problem::new(Exit::Device, cause, "Give a place that can be written to").in_file(memory)
        };
        let name = target.file_name().ok_or_else(|| unwritable(io::Error::other("it is not the name of a file")))?;
        let path = target.with_file_name(format!(".{}.lock", name.to_string_lossy()));
        if let Some(lock) = Self::make(&path).map_err(unwritable)? {
            return Ok(Some(lock));
        }
        let owner = owner(&path);
        if owner.is_some_and(has_ended) {
            // It was left behind. Moved away first: of several programs that see it only one succeeds.
            let stale = path.with_file_name(format!(".{}.lock.{}", name.to_string_lossy(), std::process::id()));
            if fs::rename(&path, &stale).is_ok() {
                fs::remove_file(&stale).map_err(unwritable)?;
            }
            if let Some(lock) = Self::make(&path).map_err(unwritable)? {
                return Ok(Some(lock));
            }
        }
        let who = owner.map_or_else(String::new, |process| format!(" (process {process})"));
        let cause = format!("Another program{who} is working with this memory");
        let remedy = format!("Wait until it has ended; if there is none, remove {}", path.display());
        Err(Problem::new(Exit::Device, cause, remedy).in_file(memory))
    }

    /// Makes the file; `None` if it is there already.
    fn make(path: &Path) -> io::Result<Option<Self>> {
        match OpenOptions::new().write(true).create_new(true).open(path) {
            Ok(mut file) => {
                let lock = Self { path: path.to_owned() };
                writeln!(file, "{}", std::process::id())?;
                Ok(Some(lock))
            }
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => Ok(None),
            Err(error) => Err(error),
        }
    }
}

impl Drop for Lock {
    fn drop(&mut self) {
        // A file that cannot be removed is told to whoever comes next.
        let _ = fs::remove_file(&self.path);
    }
}

/// The process that made a lock file, if it can be read.
fn owner(path: &Path) -> Option<u32> {
    fs::read_to_string(path).ok()?.trim().parse().ok()
}

/// Whether a process is known to have ended. Where the system does not show its processes as files nothing is known.
fn has_ended(process: u32) -> bool {
    let processes = Path::new("/proc");
    processes.join("self").exists() && !processes.join(process.to_string()).exists()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_second_one_is_told_and_nothing_is_left_behind() {
        let folder = tempfile::tempdir().unwrap();
        let memory = folder.path().join("m.bin");
        let lock = Lock::take(&memory).unwrap().unwrap();
        let problem = Lock::take(&memory).unwrap_err();
        assert_eq!(problem.exit, Exit::Device);
        let said = problem.to_string();
        let process = format!("Another program (process {}) is working with this memory", std::process::id());
        assert!(said.contains(&process) && said.contains(".m.bin.lock"), "{said}");
        drop(lock);
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 0);
        assert!(Lock::take(&memory).unwrap().is_some());
    }

    #[test]
    fn a_lock_that_was_left_behind_is_taken_over() {
        let folder = tempfile::tempdir().unwrap();
        let memory = folder.path().join("m.bin");
        let file = folder.path().join(".m.bin.lock");
        // No process has this number: it is over the greatest that Linux gives.
        let cases = [("a process that has ended", "4194305\n", true), ("nothing in it", "", false)];
        for (name, text, taken) in cases {
            fs::write(&file, text).unwrap();
            let lock = Lock::take(&memory);
            // Elsewhere than on Linux it cannot be known.
            let knows = Path::new("/proc/self").exists();
            assert_eq!(lock.is_ok(), taken && knows, "{name}: {lock:?}");
        }
    }

    #[test]
    fn a_link_and_what_it_points_to_have_one_lock() {
        #[cfg(unix)]
        {
            let folder = tempfile::tempdir().unwrap();
            let (memory, link) = (folder.path().join("m.bin"), folder.path().join("link.bin"));
            fs::write(&memory, "").unwrap();
            std::os::unix::fs::symlink(&memory, &link).unwrap();
            let _lock = Lock::take(&memory).unwrap();
            assert!(Lock::take(&link).is_err());
        }
    }
}

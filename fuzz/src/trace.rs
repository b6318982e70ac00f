//! A trace of which nobody knows what it holds.

use std::fs;
use std::path::{Path, PathBuf};
use std::process;

use sim_host::columns::ColumnMap;
use sim_host::columns_auto;
use sim_host::trace::TraceReader;

/// The bytes are read as a trace: to its end or to a problem that is told, never further and never without end.
///
/// # Panics
/// More rows come than there are bytes, or the trace cannot be written to a temporary file.
pub fn trace_file(data: &[u8]) {
    let path = temporary_file();
    fs::write(&path, data).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    read(&path, None, data.len());
    // What is guessed of any bytes is a map that opens them.
    if let Ok(guess) = columns_auto::guess(&path) {
        read(&path, Some(&guess.map), data.len());
    }
}

fn read(path: &Path, map: Option<&ColumnMap>, most_rows: usize) {
    let mut reader = match TraceReader::open(path, map) {
        Ok(reader) => reader,
        Err(problem) => {
            assert!(map.is_none(), "the map that was guessed does not fit: {problem}");
            return;
        }
    };
    let mut rows = 0;
    while let Ok(Some(_)) = reader.next_row() {
        rows += 1;
        assert!(rows <= most_rows, "more rows than bytes");
    }
}

/// In memory where the system has a file system there; one for each thread of a process.
fn temporary_file() -> PathBuf {
    let shared_memory = PathBuf::from("/dev/shm");
    let folder = if shared_memory.is_dir() { shared_memory } else { std::env::temp_dir() };
    folder.join(format!("lookastern-fuzz-{}-{:?}.csv", process::id(), std::thread::current().id()))
}

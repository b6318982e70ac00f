//! A memory file, or a dump, of any bytes.

use sim_host::ledger::{read, to_json, to_text};
use sim_host::memory::{FILE_BYTES, examine, header, salvage};

/// The bytes are read as a memory file, as the region behind a good header, and as a raw dump: to the end or to a problem
/// that is told.
pub fn memory_file(data: &[u8]) {
    let mut headed = header().to_vec();
    headed.extend_from_slice(data);
    headed.resize(FILE_BYTES, u8::MAX);
    let regions = [examine(data).ok(), examine(&headed).ok(), salvage(data).map(|salvaged| salvaged.region)];
    for region in regions.into_iter().flatten() {
        if let Ok(ledger) = read(&region) {
            let _ = (to_json(&ledger), to_text(&ledger));
        }
    }
}

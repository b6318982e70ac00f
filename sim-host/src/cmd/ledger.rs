//! `ledger`: what an engine's memory says.

use std::fs;
use std::io::{self, Write};
use std::path::Path;

use super::{notes, output_failed};
use crate::cli::LedgerFormat;
use crate::ledger::{read, to_json, to_text};
use crate::memory::{self, Memory, Salvage, salvage};
use crate::problem::{Exit, Problem};
use crate::texts;

/// Prints the service book in `path`.
pub(super) fn show(path: &Path, format: LedgerFormat) -> Result<Option<Exit>, Problem> {
    let unreadable = |cause: String| {
        let remedy = "Check the name, or save what can be read with `lookastern ledger recover`";
        Problem::new(Exit::Unreadable, cause, remedy).in_file(path)
    };
    let region = memory::read(path)?.ok_or_else(|| unreadable("There is no such file".to_owned()))?;
    let ledger = read(&region).map_err(|error| unreadable(error.to_string()))?;
    if ledger.is_lost() {
        return Err(unreadable("Nothing of it can be read".to_owned()));
    }
    if ledger.damaged > 0 {
        notes::say("note", &format!("{}: {}", path.display(), texts::damaged_memory(ledger.damaged)));
    }
    let said = match format {
        LedgerFormat::Json => to_json(&ledger),
        LedgerFormat::Text => {
            notes::say_wrapped(texts::CAUTIONS);
            to_text(&ledger)
        }
    };
    let said = said.map_err(|error| unreadable(error.to_string()))?;
    let mut out = io::stdout().lock();
    out.write_all(said.as_bytes()).and_then(|()| out.flush()).map(|()| None).or_else(output_failed)
}

/// Makes a memory of what can be read of a raw dump.
pub(super) fn recover(dump: &Path, output: &Path) -> Result<Option<Exit>, Problem> {
    let unreadable = |cause: String, remedy: &str| Problem::new(Exit::Unreadable, cause, remedy).in_file(dump);
    let bytes = fs::read(dump)
        .map_err(|error| unreadable(format!("The dump cannot be read: {error}"), "Give a file that can be read"))?;
    let nothing = || unreadable("No record in it can be read".to_owned(), "Read the board's flash once more");
    let salvaged = salvage(&bytes).ok_or_else(nothing)?;
    let ledger = read(&salvaged.region).map_err(|error| unreadable(error.to_string(), "Read the flash once more"))?;
    let memory = Memory::of_region(output, salvaged.region.clone())?;
    notes::say_wrapped(&texts::recovered(&salvaged, &ledger));
    for doubt in doubts(&salvaged, &ledger) {
        notes::say("note", &format!("{}: {doubt}", dump.display()));
    }
    memory.save()?;
    Ok(None)
}

/// What was lost, and what may be older than it was.
fn doubts(salvaged: &Salvage, ledger: &crate::ledger::Ledger) -> Vec<String> {
    let mut doubts = texts::salvage_losses(salvaged);
    if ledger.damaged > 0 {
        doubts.push(texts::damaged_memory(ledger.damaged));
    }
    let journal_s = ledger.newest_running_s.unwrap_or(0);
    let hours_s = ledger.totals.all_running_ms() / 1_000;
    if u64::from(journal_s) > hours_s + 10 {
        doubts.push(texts::hours_are_older(hours_s, journal_s));
    } else if salvaged.unreadable.contains(&"hours") {
        doubts.push(texts::HOURS_MAY_BE_OLDER.to_owned());
    }
    doubts
}

//! `ledger`: what an engine's memory says.

use std::io::{self, Write};
use std::path::Path;

use super::{notes, output_failed};
use crate::cli::LedgerFormat;
use crate::ledger::{read, to_json, to_text};
use crate::problem::{Exit, Problem};
use crate::{memory, texts};

/// Prints the service book in `path`.
pub(super) fn show(path: &Path, format: LedgerFormat) -> Result<Option<Exit>, Problem> {
    let unreadable = |cause: String| {
        let remedy = "Check the name, or save what can be read with `lookastern ledger recover`";
        Problem::new(Exit::Unreadable, cause, remedy).in_file(path)
    };
    let region = memory::read(path)?.ok_or_else(|| unreadable("There is no such file".to_owned()))?;
    let ledger = read(&region).map_err(|error| unreadable(error.to_string()))?;
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

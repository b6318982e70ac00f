//! `ledger`: what an engine's memory says.

use std::fs;
use std::io::{self, Write};
use std::path::Path;

use super::{notes, output_failed};
use crate::cli::{LedgerFormat, SignArgs};
use crate::ledger::{self, Ledger, SignRequest, read, to_json, to_text};
use crate::memory::{self, Memory, Salvage, salvage};
use crate::problem::{Exit, Problem};
use crate::suggest;
use crate::texts;
use crate::trace::decimal;
use monitor_core::ledger::store::NOTE_BYTES;
use monitor_core::ledger::{Item, Role};

/// Prints the service book in `path`.
pub(super) fn show(path: &Path, format: LedgerFormat) -> Result<Option<Exit>, Problem> {
    let ledger = load(path)?;
    let said = match format {
        LedgerFormat::Json => to_json(&ledger),
        LedgerFormat::Text => {
            notes::say_wrapped(texts::CAUTIONS);
            to_text(&ledger)
        }
    };
    print(&said.map_err(|error| unreadable(path, error.to_string()))?)
}

/// Reads the service book in `path` and says how much of it is damaged.
fn load(path: &Path) -> Result<Ledger, Problem> {
    let region = memory::read(path)?.ok_or_else(|| unreadable(path, "There is no such file".to_owned()))?;
    let ledger = read(&region).map_err(|error| unreadable(path, error.to_string()))?;
    if ledger.is_lost() {
        return Err(unreadable(path, "Nothing of it can be read".to_owned()));
    }
    if ledger.damaged > 0 {
        notes::say("note", &format!("{}: {}", path.display(), texts::damaged_memory(ledger.damaged)));
    }
    Ok(ledger)
}

fn unreadable(path: &Path, cause: String) -> Problem {
    let remedy = "Check the name, or save what can be read with `lookastern ledger recover`";
    Problem::new(Exit::Unreadable, cause, remedy).in_file(path)
}

fn print(said: &str) -> Result<Option<Exit>, Problem> {
    let mut out = io::stdout().lock();
    out.write_all(said.as_bytes()).and_then(|()| out.flush()).map(|()| None).or_else(output_failed)
}

/// Signs a service in the memory.
pub(super) fn sign(args: &SignArgs) -> Result<Option<Exit>, Problem> {
    let ledger = load(&args.memory)?;
    let request = request(args, ledger.totals.all_running_ms() / 1_000)?;
    let mut memory = Memory::open(&args.memory)?;
    ledger::sign(&mut memory.region, &request).map_err(|error| unreadable(&args.memory, error.to_string()))?;
    let after = read(&memory.region).map_err(|error| unreadable(&args.memory, error.to_string()))?;
    memory.save()?;
    let planned = after.plan.items().find(|item| item.item == request.item && item.is_planned());
    if planned.is_none() {
        notes::say_wrapped(&format!("note: {}", texts::not_in_plan(request.item)));
    }
    print(&texts::signed(&request, planned.as_ref()))
}

/// What is to be signed, as far as it makes sense for an engine that has run `running_s` seconds.
fn request(args: &SignArgs, running_s: u64) -> Result<SignRequest, Problem> {
    let usage = |cause: String, remedy: String| Problem::new(Exit::Usage, cause, remedy);
    let items = Item::ALL.map(Item::name);
    let item = Item::from_name(&args.item)
        .ok_or_else(|| usage(format!("There is no item `{}`", args.item), suggest::remedy(&args.item, &items)))?;
    let roles = Role::ALL.map(Role::name);
    let role = Role::from_name(&args.role)
        .ok_or_else(|| usage(format!("There is no role `{}`", args.role), suggest::remedy(&args.role, &roles)))?;
    let present_s = u32::try_from(running_s).unwrap_or(u32::MAX);
    let at_s = match &args.at_hours {
        None => present_s,
        Some(hours) => at_hours(hours, present_s)
            .ok_or_else(|| usage(format!("--at-hours {hours} cannot be"), texts::at_hours_remedy(present_s)))?,
    };
    let day = match &args.date {
        None => None,
        Some(date) => Some(ledger::parse_date(date).ok_or_else(|| {
            let remedy = "Write year, month and day as 2026-05-31; the year from 1970 to 2106";
            usage(format!("--date {date} is no day"), remedy.to_owned())
        })?),
    };
    let note = args.note.clone().unwrap_or_default();
    if note.len() > NOTE_BYTES || note.chars().any(char::is_control) {
        let cause = format!("The note has {} bytes, or more than one line", note.len());
        return Err(usage(cause, format!("Keep it to one line of {NOTE_BYTES} bytes; letters with accents take two")));
    }
    Ok(SignRequest { item, role, at_s, day, note })
}

/// Seconds from decimal hours, 0 to the present ones.
fn at_hours(hours: &str, present_s: u32) -> Option<u32> {
    const SECONDS_AN_HOUR: i32 = 3_600;
    let seconds = decimal::scaled(hours, SECONDS_AN_HOUR).and_then(|seconds| u32::try_from(seconds).ok())?;
    (seconds <= present_s).then_some(seconds)
}

/// Makes a memory of what can be read of a raw dump.
pub(super) fn recover(dump: &Path, output: &Path) -> Result<Option<Exit>, Problem> {
    let unusable = |cause: String, remedy: &str| Problem::new(Exit::Unreadable, cause, remedy).in_file(dump);
    let bytes = fs::read(dump)
        .map_err(|error| unusable(format!("The dump cannot be read: {error}"), "Give a file that can be read"))?;
    let nothing = || unusable("No record in it can be read".to_owned(), "Read the board's flash once more");
    let salvaged = salvage(&bytes).ok_or_else(nothing)?;
    let ledger = read(&salvaged.region).map_err(|error| unusable(error.to_string(), "Read the flash once more"))?;
    let memory = Memory::of_region(output, salvaged.region.clone())?;
    notes::say_wrapped(&texts::recovered(&salvaged, &ledger));
    for doubt in doubts(&salvaged, &ledger) {
        notes::say("note", &format!("{}: {doubt}", dump.display()));
    }
    memory.save()?;
    Ok(None)
}

/// What was lost, and what may be older than it was.
fn doubts(salvaged: &Salvage, ledger: &Ledger) -> Vec<String> {
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

//! `ledger`: what an engine's memory says.

use std::fs;
use std::io::{self, Write};
use std::path::Path;
use std::time::{SystemTime, UNIX_EPOCH};

use super::{notes, output_failed};
use crate::cli::{ExportArgs, ExportFormat, LedgerFormat, PlanArgs, PlanFormat, SignArgs, WaterKind};
use crate::ledger::export;
use crate::ledger::plan::{self, PlanRequest, Sheet, Water};
use crate::ledger::{self, Ledger, SignRequest, read, to_json, to_text};
use crate::memory::{self, Memory, Salvage, salvage};
use crate::out_file::OutFile;
use crate::problem::{Exit, Problem};
use crate::suggest;
use crate::texts;
use crate::trace::decimal;
use monitor_core::ledger::store::NOTE_BYTES;
use monitor_core::ledger::{Day, EARLIEST_BELIEVABLE_UNIX_S, Item, Role};

/// More running hours than any engine lives.
const MOST_ENGINE_HOURS: u32 = 100_000;

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
    print(said.map_err(|error| unreadable(path, error.to_string()))?.as_bytes())
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

fn print(said: &[u8]) -> Result<Option<Exit>, Problem> {
    let mut out = io::stdout().lock();
    out.write_all(said).and_then(|()| out.flush()).map(|()| None).or_else(output_failed)
}

/// Prints the sheet for a walk round the engine.
pub(super) fn plan(args: &PlanArgs) -> Result<Option<Exit>, Problem> {
    let today = today(args.today.as_deref())?;
    let water = match args.water {
        WaterKind::Fresh => Water::Fresh,
        WaterKind::Salt => Water::Salt,
        WaterKind::Sand => Water::Sand,
    };
    let output = output_file(args.output.as_deref(), &args.memory)?;
    let sheet = Sheet::of(&load(&args.memory)?, PlanRequest { today, water });
    let memory = args.memory.display().to_string();
    let said = match args.format {
        PlanFormat::Html => plan::to_html(&sheet, &memory).into_bytes(),
        PlanFormat::Text => {
            notes::say_wrapped(texts::CAUTIONS);
            let mut said = Vec::new();
            plan::to_text(&sheet, &memory, &mut said).map_err(|error| unreadable(&args.memory, error.to_string()))?;
            said
        }
    };
    deliver(output, &said)
}

/// Writes the service book for other programs.
pub(super) fn export(args: &ExportArgs) -> Result<Option<Exit>, Problem> {
    let request = PlanRequest { today: today(args.today.as_deref())?, water: Water::Fresh };
    let output = output_file(args.output.as_deref(), &args.memory)?;
    let ledger = load(&args.memory)?;
    let said = match args.format {
        ExportFormat::Csv => export::to_csv(&ledger),
        ExportFormat::Json => export::to_json(&ledger).map_err(|error| unreadable(&args.memory, error.to_string()))?,
        ExportFormat::Ical => {
            let name = args.memory.file_stem().unwrap_or_default().to_string_lossy();
            let calendar = export::to_calendar(&Sheet::of(&ledger, request), &name);
            if !calendar.left_out.is_empty() {
                notes::say_wrapped(&format!("note: {}", texts::left_out_of_calendar(&calendar.left_out)));
            }
            calendar.text
        }
    };
    deliver(output, said.as_bytes())
}

/// The place that is written to instead of standard output; never the memory itself.
fn output_file(output: Option<&Path>, memory: &Path) -> Result<Option<OutFile>, Problem> {
    let Some(output) = output else { return Ok(None) };
    let same = fs::canonicalize(output).is_ok_and(|there| fs::canonicalize(memory).is_ok_and(|memory| memory == there));
    if same {
        let cause = "The output would replace the memory";
        return Err(Problem::new(Exit::Usage, cause, "Give -o another name").in_file(output));
    }
    OutFile::create(output, "The output", "Give -o a place that can be written to").map(Some)
}

fn deliver(output: Option<OutFile>, said: &[u8]) -> Result<Option<Exit>, Problem> {
    match output {
        Some(file) => file.finish(said).map(|()| None),
        None => print(said),
    }
}

/// The day that was given, or this computer's.
fn today(given: Option<&str>) -> Result<Option<Day>, Problem> {
    given.map_or_else(|| Ok(this_day()), |date| day("--today", date).map(Some))
}

/// The day by this computer's clock; `None` if that was never set.
fn this_day() -> Option<Day> {
    let since_1970 = SystemTime::now().duration_since(UNIX_EPOCH).ok()?;
    let unix_s = u32::try_from(since_1970.as_secs()).ok()?;
    (unix_s >= EARLIEST_BELIEVABLE_UNIX_S).then(|| Day::of_unix_s(unix_s))
}

fn day(option: &str, date: &str) -> Result<Day, Problem> {
    ledger::parse_date(date).ok_or_else(|| {
        let cause = format!("{option} {date} is no day");
        Problem::new(Exit::Usage, cause, "Write year, month and day as 2026-05-31; the year from 1970 to 2106")
    })
}

/// Signs a service in the memory.
pub(super) fn sign(args: &SignArgs) -> Result<Option<Exit>, Problem> {
    let ledger = load(&args.memory)?;
    if let Some(hours) = &args.engine_hours {
        return sign_meter(args, hours);
    }
    let request = request(args, ledger.totals.all_running_ms() / 1_000)?;
    let mut memory = Memory::open(&args.memory)?;
    ledger::sign(&mut memory.region, &request).map_err(|error| unreadable(&args.memory, error.to_string()))?;
    let after = read(&memory.region).map_err(|error| unreadable(&args.memory, error.to_string()))?;
    memory.save()?;
    let planned = after.plan.items().find(|item| item.item == request.item && item.is_planned());
    if planned.is_none() {
        notes::say_wrapped(&format!("note: {}", texts::not_in_plan(request.item)));
    }
    print(texts::signed(&request, planned.as_ref()).as_bytes())
}

/// Signs that the monitor took over from another hour meter or board.
fn sign_meter(args: &SignArgs, hours: &str) -> Result<Option<Exit>, Problem> {
    let role = role(&args.role)?;
    let old_s = seconds(hours, MOST_ENGINE_HOURS * 3_600).ok_or_else(|| {
        let remedy = format!("Give decimal hours from 0 to {MOST_ENGINE_HOURS}");
        Problem::new(Exit::Usage, format!("--engine-hours {hours} cannot be"), remedy)
    })?;
    let mut memory = Memory::open(&args.memory)?;
    let change = ledger::sign_meter(&mut memory.region, role, old_s)
        .map_err(|error| unreadable(&args.memory, error.to_string()))?;
    memory.save()?;
    print(texts::meter_signed(&change).as_bytes())
}

fn role(name: &str) -> Result<Role, Problem> {
    let unknown = || {
        let remedy = suggest::remedy(name, &Role::ALL.map(Role::name));
        Problem::new(Exit::Usage, format!("There is no role `{name}`"), remedy)
    };
    Role::from_name(name).ok_or_else(unknown)
}

/// What is to be signed, as far as it makes sense for an engine that has run `running_s` seconds.
fn request(args: &SignArgs, running_s: u64) -> Result<SignRequest, Problem> {
    let usage = |cause: String, remedy: String| Problem::new(Exit::Usage, cause, remedy);
    let name = args.item.as_deref().unwrap_or_default();
    let item = Item::from_name(name).ok_or_else(|| {
        usage(format!("There is no item `{name}`"), suggest::remedy(name, &Item::ALL.map(Item::name)))
    })?;
    let role = role(&args.role)?;
    let present_s = u32::try_from(running_s).unwrap_or(u32::MAX);
    let at_s = match &args.at_hours {
        None => present_s,
        Some(hours) => seconds(hours, present_s)
            .ok_or_else(|| usage(format!("--at-hours {hours} cannot be"), texts::at_hours_remedy(present_s)))?,
    };
    let day = args.date.as_deref().map(|date| day("--date", date)).transpose()?;
    let note = args.note.clone().unwrap_or_default();
    if note.len() > NOTE_BYTES || note.chars().any(char::is_control) {
        let cause = format!("The note has {} bytes, or more than one line", note.len());
        return Err(usage(cause, format!("Keep it to one line of {NOTE_BYTES} bytes; letters with accents take two")));
    }
    Ok(SignRequest { item, role, at_s, day, note })
}

/// Seconds from decimal hours, 0 to `most_s`.
fn seconds(hours: &str, most_s: u32) -> Option<u32> {
    const SECONDS_AN_HOUR: i32 = 3_600;
    let seconds = decimal::scaled(hours, SECONDS_AN_HOUR).and_then(|seconds| u32::try_from(seconds).ok())?;
    (seconds <= most_s).then_some(seconds)
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

//! Sentences of the service book.

use monitor_core::ledger::store::Verdict;
use monitor_core::ledger::{CareItem, Item, MeterChange};

use crate::ledger::plan::DueLine;
use crate::ledger::{SignRequest, date_text, hours_text};

/// Stands for a day that nobody told.
pub const DATE_UNKNOWN: &str = "date unknown";
/// Stands for a service of which nothing is known.
pub const NEVER_SIGNED: &str = "unknown, never signed";
/// Stands instead of a plan.
pub const NO_PLAN: &str = "No service plan: the profile that was used with this memory has no section [care].";

/// Heads the sheet of a walk round the engine.
pub const SHEET_TITLE: &str = "Walk round this engine";
/// Where somebody puts name and day.
pub const SHEET_WHO: &str = "Checked on ____________________ by ____________________";
/// Heads the items of the plan.
pub const SHEET_PLAN: &str = "By this engine's plan";
/// Heads what the record adds.
pub const SHEET_RECORD: &str = "From this engine's record; signing the item in brackets takes a line off the sheet";
/// Heads the items that are not in the plan.
pub const SHEET_GENERIC: &str = "Not in this engine's plan: intervals of common practice, the handbook comes first";
/// Heads the walk round.
pub const SHEET_WALK: &str = "The walk round, what strands people most often first (common practice)";
/// Older events cannot be on the sheet.
pub const SHEET_SUMMED: &str = "Older events are only counted in the journal: they are not on this sheet.";
/// Heads the commands that sign.
pub const SHEET_SIGN: &str = "Sign what was done, one command for each item; --at-hours and --note can be added";

/// When an item is due.
#[must_use]
pub fn due(item: &CareItem) -> String {
    let due = item.due();
    let hours = due.at_s.map(|at_s| format!("at {} h", hours_text(u64::from(at_s))));
    let day = due.day.map(|day| format!("on {}", date_text(day)));
    let mut text = match (hours, day) {
        (Some(hours), Some(day)) => format!("{hours} or {day}"),
        (Some(hours), None) => hours,
        (None, Some(day)) => day,
        (None, None) => return "cannot be told: no date is known".to_owned(),
    };
    if item.done.is_none() {
        text.push_str(", counted from 0");
    }
    if let Some(first_s) = item.first_service_s() {
        text.push_str(&format!("; a new engine first at {} h", hours_text(u64::from(first_s))));
    }
    if item.months > 0 && due.day.is_none() {
        text.push_str(", date unknown");
    }
    text
}

/// What a calendar shows on the day.
#[must_use]
pub fn calendar_summary(item: &str, memory: &str) -> String {
    format!("{item}: service due ({memory})")
}

/// What a calendar shows beside it.
#[must_use]
pub fn calendar_description(line: &DueLine) -> String {
    let mut text = format!("Due {}.", due(&line.item));
    if let Some(expected) = line.expected {
        text.push_str(&format!(" Hours over about {} if used as before.", date_text(expected)));
    }
    text.push_str(" The engine's handbook comes first.");
    text
}

/// Items that are not in a calendar.
#[must_use]
pub fn left_out_of_calendar(items: &[Item]) -> String {
    let names: Vec<_> = items.iter().map(|item| item.name()).collect();
    format!("not in the calendar, because no date can be told: {}; sign them with --date", names.join(", "))
}

/// An item was signed that the plan does not ask for.
#[must_use]
pub fn not_in_plan(item: Item) -> String {
    format!(
        "{} is not in this engine's plan, so that no next service is due; add it under [care] in the profile",
        item.name()
    )
}

/// What was signed, and what follows from it.
#[must_use]
pub fn signed(request: &SignRequest, planned: Option<&CareItem>) -> String {
    let day = request.day.map_or_else(|| DATE_UNKNOWN.to_owned(), date_text);
    let mut text = format!(
        "Signed: {} at {} h, {day}, by {}.",
        request.item.name(),
        hours_text(u64::from(request.at_s)),
        request.role.name()
    );
    if let Some(item) = planned {
        text.push_str(&format!(" Next: {}.", due(item)));
    }
    text.push('\n');
    text
}

/// What another hour meter showed, as it was signed.
#[must_use]
pub fn meter_signed(change: &MeterChange) -> String {
    format!(
        "Signed: the engine has run {} h by the meter before this one, which shows {} h now, by {}.\n",
        hours_text(u64::from(change.old_s)),
        hours_text(u64::from(change.new_s)),
        change.role.name()
    )
}

/// The hours of the engine with those of an older meter.
#[must_use]
pub fn older_meter(change: &MeterChange, engine_s: u64) -> String {
    format!(
        "The engine has run {} h: {} h by an older meter when this one showed {} h, signed by {}",
        hours_text(engine_s),
        hours_text(u64::from(change.old_s)),
        hours_text(u64::from(change.new_s)),
        change.role.name()
    )
}

/// The hours of the journal went back.
#[must_use]
pub fn went_back(seq: u32) -> String {
    format!("Record {seq} shows fewer running hours than the one before it: the hours went back there")
}

/// A clock that was set.
#[must_use]
pub fn clock_step(seq: u32, by_s: i64) -> String {
    let direction = if by_s < 0 { "back" } else { "forward" };
    format!("The clock of record {seq} was {direction} by {} s against the one before; dates are unsure", by_s.abs())
}

/// What the chain of the journal shows.
#[must_use]
pub fn chain(verdict: Verdict) -> String {
    match verdict {
        Verdict::Unkeyed => "Chain: this memory has no key of its own, nothing can be said".to_owned(),
        Verdict::Sound => "Chain: every entry follows from the one before it".to_owned(),
        Verdict::Broken { seq } => {
            format!("Chain: broken at record {seq}: it or the one before was altered, lost or put in")
        }
    }
}

/// What no service book of this kind can know.
pub const CANNOT_KNOW: &str = "What this book cannot know: who was aboard, where the boat was, what happened while the \
    monitor had no power, and whether the newest entries were cut off; compare a hand-over slip for that. Roles and notes are \
    what somebody typed. The chain proves nothing against whoever holds the chip.";

/// Which hours can be signed.
#[must_use]
pub fn at_hours_remedy(present_s: u32) -> String {
    format!("Give decimal hours from 0 to the present {}", hours_text(u64::from(present_s)))
}

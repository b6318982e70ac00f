//! Sentences of the service book.

use monitor_core::ledger::{CareItem, Item};

use crate::ledger::{SignRequest, date_text, hours_text};

/// Stands for a day that nobody told.
pub const DATE_UNKNOWN: &str = "date unknown";
/// Stands for a service of which nothing is known.
pub const NEVER_SIGNED: &str = "unknown, never signed";
/// Stands instead of a plan.
pub const NO_PLAN: &str = "No service plan: the profile that was used with this memory has no section [care].";

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

/// Which hours can be signed.
#[must_use]
pub fn at_hours_remedy(present_s: u32) -> String {
    format!("Give decimal hours from 0 to the present {}", hours_text(u64::from(present_s)))
}

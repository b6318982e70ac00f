//! The sheet for a walk round the engine: what is due, what its record adds, and what a workshop looks at anyway.

mod html;
mod rate;
mod record;
mod severity;
mod text;

pub use html::to_html;
pub use rate::UseRate;
pub use record::{Look, Task};
pub use severity::{Shortened, Water};
pub use text::to_text;

use monitor_core::ledger::{CareItem, Day, Item};

use super::Ledger;
use crate::texts;

/// What is asked of the sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PlanRequest {
    /// The day it is for; without one nothing is compared with dates.
    pub today: Option<Day>,
    /// The water that the engine runs in.
    pub water: Water,
}

/// How soon an item is due.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Status {
    /// By hours or by date.
    Due,
    /// Nobody has signed it, and its hours are not over yet.
    Unknown,
    /// Within the lead of [`SOON_DAYS`] or [`SOON_PERCENT`].
    Soon,
    /// Later.
    Later,
}

/// Days before a date at which an item counts as due soon: time to order parts (own convention).
pub const SOON_DAYS: u16 = 30;
/// Part of an interval in hours before its end, in per cent, at which an item counts as due soon (own convention).
pub const SOON_PERCENT: u32 = 10;

/// Days ahead up to which a rate of use is believed: three years (own convention).
const MOST_DAYS_AHEAD: u16 = 1_096;

/// An item of the plan as it stands today.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DueLine {
    /// The item.
    pub item: CareItem,
    /// How soon it is due.
    pub status: Status,
    /// Running seconds at which it is due; what shortens its interval is in it.
    pub due_s: Option<u32>,
    /// The day on which it is due; what shortens its interval is in it.
    pub due_day: Option<Day>,
    /// The day on which its hours will be over if the engine is used as before.
    pub expected: Option<Day>,
    /// Why and by how much its interval is shortened.
    pub shortened: Option<Shortened>,
}

/// A sheet for one engine and one day.
#[derive(Debug, Clone)]
pub struct Sheet {
    /// What was asked for.
    pub request: PlanRequest,
    /// Running seconds.
    pub running_s: u64,
    /// Running seconds with those that older meters showed.
    pub engine_s: Option<u64>,
    /// Starts.
    pub starts: u32,
    /// Items of the plan, most urgent first, otherwise in the order of the profile.
    pub lines: Vec<DueLine>,
    /// What happened and wants a look.
    pub tasks: Vec<Task>,
    /// Items that the plan does not name, with the intervals of common practice.
    pub generic: Vec<(Item, &'static str)>,
    /// Older events are only counted, so that they are not among the tasks.
    pub has_summed_events: bool,
    /// How much the engine is used.
    pub rate: Option<UseRate>,
    /// Characters of the chain's head.
    pub chain_head: Option<String>,
}

impl Sheet {
    /// The sheet of this engine.
    #[must_use]
    pub fn of(ledger: &Ledger, request: PlanRequest) -> Self {
        let rate = UseRate::of(ledger);
        let running_s = ledger.totals.all_running_ms() / 1_000;
        let strokes = ledger.profile.map(|profile| profile.strokes);
        let planned = ledger.plan.items().filter(CareItem::is_planned);
        let mut lines: Vec<_> = planned.map(|item| line(ledger, &item, request, rate, running_s)).collect();
        lines.sort_by_key(|line| line.status);
        let is_planned = |item: Item| lines.iter().any(|line| line.item.item == item);
        let generic = texts::generic_intervals(strokes).filter(|(item, _)| !is_planned(*item)).collect();
        Self {
            request,
            running_s,
            engine_s: ledger.meter.map(|_| ledger.engine_s()),
            has_summed_events: ledger.has_summed_events(),
            starts: ledger.totals.starts,
            tasks: record::tasks(ledger),
            generic,
            rate,
            chain_head: ledger.chain_head.map(|head| head.to_string()),
            lines,
        }
    }

    /// Items that somebody should see to now, each once, in the order of the sheet.
    #[must_use]
    pub fn to_sign(&self) -> Vec<Item> {
        let due = self.lines.iter().filter(|line| line.status <= Status::Soon).map(|line| line.item.item);
        let looks = self.tasks.iter().flat_map(|task| &task.looks).filter_map(|look| look.closed_by);
        let mut items = Vec::new();
        for item in due.chain(looks) {
            if !items.contains(&item) {
                items.push(item);
            }
        }
        items
    }
}

fn line(ledger: &Ledger, item: &CareItem, request: PlanRequest, rate: Option<UseRate>, running_s: u64) -> DueLine {
    let strokes = ledger.profile.map_or(4, |profile| profile.strokes);
    let shortened = severity::shortened(ledger, item, request.water);
    let percent = shortened.map_or(100, |shortened| shortened.percent);
    let mut shorter = *item;
    // Never to nothing: 0 means that it does not go by hours, or by the calendar.
    shorter.hours = if item.hours > 0 { (item.hours * percent / 100).max(1) } else { 0 };
    let months = u32::from(item.months) * percent / 100;
    shorter.months = if item.months > 0 { u16::try_from(months.max(1)).unwrap_or(item.months) } else { 0 };
    let due = shorter.due();
    let due_s = [due.at_s, item.first_service_s()].into_iter().flatten().min();
    let due_day = [due.day, item.fuel_is_old_on(strokes)].into_iter().flatten().min();
    let is_due = due_s.is_some_and(|due_s| running_s >= u64::from(due_s))
        || request.today.zip(due_day).is_some_and(|(today, due_day)| today >= due_day);
    // Nobody plans further ahead, and no rate of use holds for longer.
    let is_near = |day: &Day| rate.is_some_and(|rate| *day <= rate.until().plus_days(MOST_DAYS_AHEAD));
    let expected = due_s.and_then(|due_s| rate?.day_of(due_s)).filter(is_near);
    let lead_s = u64::from(shorter.hours) * 3_600 * u64::from(SOON_PERCENT) / 100;
    let soon_day = |day: Day| {
        request.today.is_some_and(|today| day.days_since_1970() <= today.days_since_1970().saturating_add(SOON_DAYS))
    };
    let is_soon = due_s.is_some_and(|due_s| running_s + lead_s >= u64::from(due_s))
        || [expected, due_day].into_iter().flatten().any(soon_day);
    let status = match (is_due, item.done.is_none(), is_soon) {
        (true, _, _) => Status::Due,
        (false, true, _) => Status::Unknown,
        (false, false, true) => Status::Soon,
        (false, false, false) => Status::Later,
    };
    DueLine { item: *item, status, due_s, due_day, expected, shortened }
}

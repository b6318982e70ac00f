//! The table `[book]`: what was serviced when, beside the intervals of `[care]`.

use monitor_core::ledger::Item;
use time::{Date, Month};
use toml::Spanned;
use toml::de::DeValue;

use super::{Bounds, Span, number};
use crate::problem::Problem;
use crate::profile::section::{Section, kind_of};

/// A service book with its ranges.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::simulate) struct BookPlan {
    /// Running hours before the first trip.
    pub(in crate::simulate) run_h: Span,
    /// Day of the first trip; `None`: nobody knows the date.
    pub(in crate::simulate) date: Option<Date>,
    /// Items that `[care]` asks for or the book speaks of.
    pub(in crate::simulate) items: Vec<BookItem>,
}

/// An item of the book.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::simulate) struct BookItem {
    pub(in crate::simulate) item: Item,
    /// Running hours between two services.
    pub(in crate::simulate) hours: Option<f64>,
    /// Months between two services.
    pub(in crate::simulate) months: Option<u16>,
    /// Running hours at which the first service of a new engine is due.
    pub(in crate::simulate) run_in_hours: Option<f64>,
    /// Running hours since it was done last; `None`: never signed.
    pub(in crate::simulate) hours_ago: Option<Span>,
    /// Days since then.
    pub(in crate::simulate) days_ago: Option<Span>,
}

const HOURS: Bounds = Bounds::new(0.0, 100_000.0, "hours");
const MONTHS: Bounds = Bounds::new(0.0, 1_200.0, "months");
const DAYS: Bounds = Bounds::new(0.0, 36_500.0, "days");

pub(super) fn read(root: &Section<'_>) -> Result<BookPlan, Problem> {
    let names = Item::ALL.map(Item::name);
    let own: Vec<_> = ["run_h", "date"].into_iter().chain(names).collect();
    let book = root.section("book", &own)?;
    let care = root.section("care", &names)?;
    let mut plan = BookPlan { run_h: Span::only(0.0), date: None, items: Vec::new() };
    if let Some(book) = &book {
        plan.run_h = Span::or(book, "run_h", HOURS, 0.0)?;
        plan.date = book.value("date").map(|value| date(book, value)).transpose()?;
    }
    for item in Item::ALL {
        let interval = inner(care.as_ref(), item, &["hours", "months", "run_in_hours"])?;
        let last = inner(book.as_ref(), item, &["hours_ago", "days_ago"])?;
        if interval.is_none() && last.is_none() {
            continue;
        }
        let every = |key, bounds| positive(interval.as_ref(), key, bounds);
        let ago = |key, bounds| last.as_ref().map_or(Ok(None), |last| Span::read(last, key, bounds));
        plan.items.push(BookItem {
            item,
            hours: every("hours", HOURS)?,
            // Within its bounds.
            months: every("months", MONTHS)?.map(|months| months as u16),
            run_in_hours: every("run_in_hours", HOURS)?,
            hours_ago: ago("hours_ago", HOURS)?,
            days_ago: ago("days_ago", DAYS)?,
        });
    }
    Ok(plan)
}

fn inner<'a>(section: Option<&Section<'a>>, item: Item, known: &[&str]) -> Result<Option<Section<'a>>, Problem> {
    section.map_or(Ok(None), |section| section.section(item.name(), known))
}

/// A number above 0; 0 says that it does not go by this.
fn positive(section: Option<&Section<'_>>, key: &str, bounds: Bounds) -> Result<Option<f64>, Problem> {
    let Some((section, value)) = section.and_then(|section| Some((section, section.value(key)?))) else {
        return Ok(None);
    };
    number(section, key, value, bounds).map(|number| (number > 0.0).then_some(number))
}

fn date(book: &Section<'_>, value: &Spanned<DeValue<'_>>) -> Result<Date, Problem> {
    let remedy = "Write the day without quotes, as date = 2026-06-01";
    let DeValue::Datetime(moment) = value.get_ref() else {
        let cause = format!("{} is {}, not a date", book.joined("date"), kind_of(value.get_ref()));
        return Err(book.problem_at("date", cause, remedy));
    };
    let day = moment.date.filter(|_| moment.time.is_none()).and_then(|day| {
        let month = Month::try_from(day.month).ok()?;
        Date::from_calendar_date(i32::from(day.year), month, day.day).ok()
    });
    day.ok_or_else(|| book.problem_at("date", format!("{} is not a day", book.joined("date")), remedy))
}

//! The service book of a boat: from when on a service is due or the fuel is old, so that labels can say it.
//!
//! The monitor's own plan is not asked; the rules stand in words in `docs/scenario.md`.

use monitor_core::finding::Finding;
use monitor_core::ledger::Item;
use rand_pcg::Pcg64Mcg;
use time::{Date, Duration, Month};

use super::scenario::{BookItem, BookPlan};

/// Fuel is old after so many days where `[care]` has no `fuel-fill`: ten weeks (common practice).
const FUEL_KEEPS_DAYS: i64 = 70;
/// The first trip begins at noon, seconds after midnight.
const NOON_S: f64 = 43_200.0;
const DAY_S: f64 = 86_400.0;
const HOUR_S: f64 = 3_600.0;

/// When something is due, from the beginning of the first trip; what never is due is infinite.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Due {
    /// Running seconds.
    running_s: f64,
    /// Seconds on the clock.
    clock_s: f64,
}

impl Due {
    const NEVER: Self = Self { running_s: f64::INFINITY, clock_s: f64::INFINITY };

    fn or(self, other: Self) -> Self {
        Self { running_s: self.running_s.min(other.running_s), clock_s: self.clock_s.min(other.clock_s) }
    }

    fn has_come(&self, running_s: f64, clock_s: f64) -> bool {
        running_s >= self.running_s || clock_s >= self.clock_s
    }
}

/// A book with every number drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Book {
    service: Due,
    fuel: Due,
}

impl Book {
    pub(super) fn new(plan: &BookPlan, random: &mut Pcg64Mcg) -> Self {
        let run_s = plan.run_h.draw(random) * HOUR_S;
        let mut book = Self { service: Due::NEVER, fuel: Due::NEVER };
        for item in &plan.items {
            let hours_ago = item.hours_ago.map(|span| span.draw(random));
            let days_ago = item.days_ago.map(|span| span.draw(random));
            let due = Due {
                running_s: due_by_hours(item, hours_ago, run_s),
                clock_s: due_by_date(item, days_ago, plan.date),
            };
            let place = if item.item == Item::FuelFill { &mut book.fuel } else { &mut book.service };
            *place = place.or(due);
        }
        book
    }

    /// Whether what `finding` says is so, `running_s` of running and `clock_s` of the clock after the first trip began.
    pub(super) fn is_due(&self, finding: Finding, running_s: f64, clock_s: f64) -> bool {
        match finding {
            Finding::ServiceDue => self.service.has_come(running_s, clock_s),
            Finding::FuelOld => self.fuel.has_come(running_s, clock_s),
            _ => false,
        }
    }
}

/// What was never signed is due at its hours counted from 0, the first service of a new engine earlier.
fn due_by_hours(item: &BookItem, hours_ago: Option<f64>, run_s: f64) -> f64 {
    let hours = item.hours.unwrap_or(f64::INFINITY);
    let due_s = match hours_ago {
        Some(hours_ago) => run_s + (hours - hours_ago) * HOUR_S,
        None => hours.min(item.run_in_hours.unwrap_or(f64::INFINITY)) * HOUR_S,
    };
    due_s - run_s
}

/// Without a date, of today or of the last time, nothing is due by the calendar.
fn due_by_date(item: &BookItem, days_ago: Option<f64>, today: Option<Date>) -> f64 {
    let (Some(today), Some(days_ago)) = (today, days_ago) else { return f64::INFINITY };
    // Whole days, a century at most.
    let done = today.saturating_sub(Duration::days(days_ago.round() as i64));
    let due = match (item.months, item.item) {
        (Some(months), _) => Some(months_later(done, months)),
        (None, Item::FuelFill) => Some(done.saturating_add(Duration::days(FUEL_KEEPS_DAYS))),
        (None, _) => None,
    };
    due.map_or(f64::INFINITY, |due| (due - today).whole_days() as f64 * DAY_S - NOON_S)
}

/// The same day so many months later, or the last of that month where it is shorter.
fn months_later(from: Date, months: u16) -> Date {
    let month0 = i32::from(u8::from(from.month())) - 1 + i32::from(months);
    let year = from.year() + month0.div_euclid(12);
    let month = u8::try_from(month0.rem_euclid(12) + 1).ok().and_then(|month| Month::try_from(month).ok());
    let month = month.unwrap_or(Month::December);
    Date::from_calendar_date(year, month, from.day().min(month.length(year))).unwrap_or(Date::MAX)
}

#[cfg(test)]
mod tests {
    use super::super::scenario::Span;
    use super::*;
    use rand_pcg::rand_core::SeedableRng;

    const IMPELLER: BookItem = BookItem {
        item: Item::Impeller,
        hours: Some(200.0),
        months: Some(12),
        run_in_hours: None,
        hours_ago: None,
        days_ago: None,
    };
    const FUEL: BookItem = BookItem { item: Item::FuelFill, hours: None, months: None, ..IMPELLER };

    fn day(year: i32, month: Month, day: u8) -> Date {
        Date::from_calendar_date(year, month, day).unwrap()
    }

    fn book(run_h: f64, date: Option<Date>, items: Vec<BookItem>) -> Book {
        let plan = BookPlan { run_h: Span::only(run_h), date, items };
        Book::new(&plan, &mut Pcg64Mcg::seed_from_u64(1))
    }

    #[test]
    fn hours_and_dates_at_which_things_are_due() {
        let ago = |number| Some(Span::only(number));
        let summer = Some(day(2026, Month::June, 1));
        let never = f64::INFINITY;
        let cases = [
            ("never signed", 150.0, summer, IMPELLER, 50.0, never),
            ("run-in", 0.0, None, BookItem { run_in_hours: Some(10.0), ..IMPELLER }, 10.0, never),
            ("signed", 150.0, None, BookItem { hours_ago: ago(60.0), ..IMPELLER }, 140.0, never),
            ("overdue", 150.0, None, BookItem { hours_ago: ago(210.0), ..IMPELLER }, -10.0, never),
            (
                "signed after run-in",
                30.0,
                None,
                BookItem { run_in_hours: Some(10.0), hours_ago: ago(20.0), ..IMPELLER },
                180.0,
                never,
            ),
            // 365 days before 1 June 2026 is 1 June 2025, and a year on is today, at midnight: twelve hours ago.
            ("a year ago", 0.0, summer, BookItem { hours: None, days_ago: ago(365.0), ..IMPELLER }, never, -12.0),
            ("a day less", 0.0, summer, BookItem { hours: None, days_ago: ago(364.0), ..IMPELLER }, never, 12.0),
            ("no date of today", 0.0, None, BookItem { hours: None, days_ago: ago(900.0), ..IMPELLER }, never, never),
        ];
        for (name, run_h, date, item, hours, clock_h) in cases {
            let due = book(run_h, date, vec![item]).service;
            let found = (due.running_s / HOUR_S, due.clock_s / HOUR_S);
            let near = |found: f64, expected: f64| found == expected || (found - expected).abs() < 1e-6;
            assert!(near(found.0, hours) && near(found.1, clock_h), "{name}: {found:?}");
        }
    }

    #[test]
    fn fuel_is_old_after_ten_weeks_and_no_service() {
        let filled = |days| BookItem { days_ago: Some(Span::only(days)), ..FUEL };
        let today = Some(day(2026, Month::June, 1));
        for (days, hours) in [(70.0, -12.0), (69.0, 12.0), (0.0, 70.0 * 24.0 - 12.0)] {
            let book = book(5.0, today, vec![filled(days)]);
            let old = |hours: f64| book.is_due(Finding::FuelOld, 0.0, hours * HOUR_S);
            assert!(old(hours) && !old(hours - 0.01), "filled {days} days ago");
            assert!(!book.is_due(Finding::ServiceDue, 1e9, 1e9));
        }
        let sooner = BookItem { months: Some(1), ..filled(31.0) };
        assert!(book(5.0, today, vec![sooner]).is_due(Finding::FuelOld, 0.0, 0.0), "as [care] says");
    }

    #[test]
    fn the_earliest_item_counts() {
        let oil = BookItem { item: Item::EngineOil, hours: Some(100.0), ..IMPELLER };
        let book = book(0.0, None, vec![IMPELLER, oil]);
        assert!(book.is_due(Finding::ServiceDue, 100.0 * HOUR_S, 0.0));
        assert!(!book.is_due(Finding::ServiceDue, 99.9 * HOUR_S, 0.0));
        assert!(!book.is_due(Finding::VaneLost, 1e9, 1e9));
    }

    #[test]
    fn months_end_on_the_last_day_of_shorter_ones() {
        let cases = [
            (day(2026, Month::January, 31), 1, day(2026, Month::February, 28)),
            (day(2024, Month::January, 31), 1, day(2024, Month::February, 29)),
            (day(2024, Month::February, 29), 12, day(2025, Month::February, 28)),
            (day(2026, Month::November, 30), 14, day(2028, Month::January, 30)),
            (day(2026, Month::June, 1), 0, day(2026, Month::June, 1)),
        ];
        for (from, months, expected) in cases {
            assert_eq!(months_later(from, months), expected, "{from} and {months} months");
        }
    }
}

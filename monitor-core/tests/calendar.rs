//! The calendar, day by day against an independent library.

use monitor_core::ledger::{Civil, Day};
use time::{Date, Duration, Month};

fn date(civil: Civil) -> Date {
    let month = Month::try_from(civil.month).unwrap();
    Date::from_calendar_date(i32::from(civil.year), month, civil.day).unwrap()
}

fn civil(year: u16, month: u8, day: u8) -> Civil {
    Civil { year, month, day }
}

const EPOCH: Date = time::macros::date!(1970 - 01 - 01);

#[test]
fn every_day_from_1970_to_the_end_is_that_of_the_time_crate() {
    for days in 0..=u16::MAX {
        let day = Day::from_days_since_1970(days);
        let found = day.civil();
        assert_eq!(date(found), EPOCH + Duration::days(i64::from(days)), "{days}");
        assert_eq!(Day::from_civil(found), Some(day), "{days}: and back");
    }
    assert_eq!(Day::LAST.civil(), civil(2149, 6, 6));
}

#[test]
fn there_is_no_other_day() {
    for year in 1965..=2155 {
        for month in 0..=13 {
            for day in 0..=32 {
                let exists = Month::try_from(month)
                    .is_ok_and(|month| Date::from_calendar_date(i32::from(year), month, day).is_ok());
                let expected = exists && (1970..2150).contains(&year) && (year, month, day) <= (2149, 6, 6);
                assert_eq!(Day::from_civil(civil(year, month, day)).is_some(), expected, "{year}-{month}-{day}");
            }
        }
    }
}

/// Values of the tables in RFC 3339 and of two calendar libraries that agree (dateutil and jiff).
#[test]
fn published_days_and_months() {
    let day = |year, month, day| Day::from_civil(civil(year, month, day)).unwrap();
    assert_eq!(day(1985, 4, 12).days_since_1970(), 5_580, "RFC 3339, 5.8");
    assert_eq!(day(1996, 12, 20).days_since_1970(), 9_850, "RFC 3339, 5.8");
    assert_eq!(Day::of_unix_s(482_196_050), day(1985, 4, 12));
    assert_eq!(Day::of_unix_s(851_042_397), day(1996, 12, 20), "the day in Greenwich, not where it was noted");
    assert_eq!(Day::of_unix_s(i32::MAX.unsigned_abs()), day(2038, 1, 19));
    assert_eq!(Day::of_unix_s(u32::MAX), day(2106, 2, 7), "2106-02-07T06:28:15Z");
    let cases = [
        ("clamped", (2026, 1, 31), 1, (2026, 2, 28)),
        ("clamped in a leap year", (2024, 1, 31), 1, (2024, 2, 29)),
        ("from a leap day", (2024, 2, 29), 12, (2025, 2, 28)),
        ("from leap day to leap day", (2024, 2, 29), 48, (2028, 2, 29)),
        ("2100 has none", (2096, 2, 29), 48, (2100, 2, 28)),
        ("2000 had one", (1999, 8, 31), 6, (2000, 2, 29)),
        ("none", (2026, 11, 25), 0, (2026, 11, 25)),
        ("over the year", (2026, 11, 30), 3, (2027, 2, 28)),
        ("a hundred years", (2026, 5, 31), 1_200, (2126, 5, 31)),
        ("over the end", (2149, 5, 31), 1, (2149, 6, 6)),
        ("far over the end", (2026, 1, 1), u16::MAX, (2149, 6, 6)),
    ];
    for (name, (year, month, of_month), months, (to_year, to_month, to_day)) in cases {
        assert_eq!(day(year, month, of_month).plus_months(months).civil(), civil(to_year, to_month, to_day), "{name}");
    }
}

/// Every day and every number of months up to three years, against another library with rules of its own.
#[test]
fn months_are_those_of_the_jiff_crate() {
    let last = Day::from_civil(civil(2106, 12, 31)).unwrap().days_since_1970();
    for days in 0..=last {
        let day = Day::from_days_since_1970(days);
        let Civil { year, month, day: of_month } = day.civil();
        let start = jiff::civil::date(year.cast_signed(), month.cast_signed(), of_month.cast_signed());
        for months in [1_u16, 2, 3, 6, 11, 12, 18, 24, 36, 60] {
            let there = start.checked_add(jiff::Span::new().months(i32::from(months))).unwrap();
            let Civil { year, month, day } = day.plus_months(months).civil();
            let found = (year.cast_signed(), month.cast_signed(), day.cast_signed());
            assert_eq!(found, (there.year(), there.month(), there.day()), "{start} and {months} months");
        }
    }
}

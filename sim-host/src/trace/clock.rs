//! The time column: from text to stamps in whole milliseconds.

use monitor_core::time::Instant;
use time::OffsetDateTime;
use time::format_description::well_known::Rfc3339;

use super::decimal::{Decimal, Scale, divide_rounding};

const NANOS_PER_MILLI: i128 = 1_000_000;
const NANOS_PER_SECOND: i64 = 1_000_000_000;
const NANOS_PER_HOUR: i64 = 3_600 * NANOS_PER_SECOND;
const NANOS_PER_DAY: i64 = 24 * NANOS_PER_HOUR;
/// Where the seconds stand in an RFC 3339 stamp.
const RFC3339_SECONDS: std::ops::Range<usize> = 17..19;
/// Where a `T` or a blank parts date and time of day.
const RFC3339_SEPARATOR: usize = 10;

/// What the time column is written in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum TimeUnit {
    /// Seconds; stamps are the file's own.
    Seconds,
    /// Milliseconds; stamps are the file's own.
    Millis,
    /// Date and time of day; stamps are measured from the first good row.
    Rfc3339,
    /// A clock that starts again every day; stamps are measured from the first good row.
    HoursMinutesSeconds,
    /// A clock that starts again every hour; stamps are measured from the first good row.
    MinutesSeconds,
}

impl TimeUnit {
    /// Every unit.
    pub(crate) const ALL: [Self; 5] =
        [Self::Seconds, Self::Millis, Self::Rfc3339, Self::HoursMinutesSeconds, Self::MinutesSeconds];

    /// Name in a column map.
    pub(crate) const fn name(self) -> &'static str {
        match self {
            Self::Seconds => "s",
            Self::Millis => "ms",
            Self::Rfc3339 => "rfc3339",
            Self::HoursMinutesSeconds => "hh:mm:ss",
            Self::MinutesSeconds => "mm:ss",
        }
    }

    /// The moment that a cell names; `None` where it names none.
    #[inline]
    pub(crate) fn parse(self, cell: &[u8]) -> Option<Moment> {
        match self {
            Self::Seconds => Some(Moment::Millis(Decimal::parse(cell)?.to_steps(Scale::ratio(1_000, 1)))),
            Self::Millis => Some(Moment::Millis(Decimal::parse(cell)?.to_steps(Scale::ratio(1, 1)))),
            Self::Rfc3339 => parse_rfc3339(cell).map(Moment::Date),
            Self::HoursMinutesSeconds => parse_clock(cell, true).map(Moment::OfTurn),
            Self::MinutesSeconds => parse_clock(cell, false).map(Moment::OfTurn),
        }
    }

    /// What a cell that names no moment is, in words.
    pub(crate) const fn refusal(self) -> &'static str {
        match self {
            Self::Seconds | Self::Millis => "not a number",
            Self::Rfc3339 => "not a date and time with offset such as 2026-05-01T09:30:00Z",
            Self::HoursMinutesSeconds => "not a time of day such as 09:30:00",
            Self::MinutesSeconds => "not minutes and seconds such as 30:00",
        }
    }

    /// Nanoseconds after which the clock starts again.
    const fn turn(self) -> Option<i64> {
        match self {
            Self::HoursMinutesSeconds => Some(NANOS_PER_DAY),
            Self::MinutesSeconds => Some(NANOS_PER_HOUR),
            Self::Seconds | Self::Millis | Self::Rfc3339 => None,
        }
    }
}

/// What one cell of the time column says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Moment {
    /// Milliseconds of the file's own time.
    Millis(i64),
    /// Nanoseconds since 1970.
    Date(i128),
    /// Nanoseconds since the clock last started again.
    OfTurn(i64),
}

/// Turns the moments of the good rows into stamps.
#[derive(Debug, Clone)]
pub(crate) struct Clock {
    turn: Option<i64>,
    turns: i64,
    previous_of_turn: i64,
    first: Option<i128>,
}

impl Clock {
    /// A clock before its first row.
    pub(crate) const fn new(unit: TimeUnit) -> Self {
        Self { turn: unit.turn(), turns: 0, previous_of_turn: 0, first: None }
    }

    /// The stamp of the next good row. A step back stays a step back, unless the clock has started again.
    #[inline]
    pub(crate) fn stamp(&mut self, moment: Moment) -> Instant {
        match moment {
            Moment::Millis(millis) => Instant::from_millis(millis),
            Moment::Date(nanos) => self.since_first(nanos),
            Moment::OfTurn(nanos) => {
                let turn = self.turn.unwrap_or(NANOS_PER_DAY);
                if self.first.is_some() && self.previous_of_turn - nanos > turn / 2 {
                    self.turns = self.turns.saturating_add(1);
                }
                self.previous_of_turn = nanos;
                self.since_first(i128::from(self.turns) * i128::from(turn) + i128::from(nanos))
            }
        }
    }

    fn since_first(&mut self, nanos: i128) -> Instant {
        let first = *self.first.get_or_insert(nanos);
        let millis = divide_rounding(nanos - first, NANOS_PER_MILLI, false);
        Instant::from_millis(i64::try_from(millis).unwrap_or(i64::MAX))
    }
}

/// Nanoseconds since 1970. A leap second `:60` is the second after `:59`; digits after the ninth are dropped.
fn parse_rfc3339(cell: &[u8]) -> Option<i128> {
    if !matches!(cell.get(RFC3339_SEPARATOR)?, b'T' | b't' | b' ') {
        return None;
    }
    let parse = |text: &[u8]| OffsetDateTime::parse(std::str::from_utf8(text).ok()?, &Rfc3339).ok();
    if cell.get(RFC3339_SECONDS)? != b"60" {
        return parse(cell).map(OffsetDateTime::unix_timestamp_nanos);
    }
    let mut second_before = cell.to_vec();
    second_before.get_mut(RFC3339_SECONDS)?.copy_from_slice(b"59");
    parse(&second_before).map(|date| date.unix_timestamp_nanos() + i128::from(NANOS_PER_SECOND))
}

/// Nanoseconds of `hh:mm:ss` or `mm:ss`, one or two digits each, with or without decimals.
fn parse_clock(cell: &[u8], with_hours: bool) -> Option<i64> {
    let (clock, fraction) = match memchr::memchr(b'.', cell) {
        Some(point) => (cell.get(..point)?, Some(cell.get(point + 1..)?)),
        None => (cell, None),
    };
    let mut fields = clock.split(|byte| *byte == b':');
    let hours = if with_hours { parse_field(fields.next()?, 24)? } else { 0 };
    let minutes = parse_field(fields.next()?, 60)?;
    let seconds = parse_field(fields.next()?, 60)?;
    if fields.next().is_some() {
        return None;
    }
    let whole = (hours * 60 + minutes) * 60 + seconds;
    Some(whole * NANOS_PER_SECOND + fraction.map_or(Some(0), parse_fraction)?)
}

fn parse_field(digits: &[u8], limit: i64) -> Option<i64> {
    if !matches!(digits.len(), 1 | 2) || !digits.iter().all(u8::is_ascii_digit) {
        return None;
    }
    let value = digits.iter().fold(0, |value, digit| value * 10 + i64::from(digit - b'0'));
    (value < limit).then_some(value)
}

/// Nanoseconds of the digits after the point; digits after the ninth are dropped.
fn parse_fraction(digits: &[u8]) -> Option<i64> {
    if digits.is_empty() || !digits.iter().all(u8::is_ascii_digit) {
        return None;
    }
    let kept = digits.iter().chain(std::iter::repeat(&b'0')).take(9);
    Some(kept.fold(0, |nanos, digit| nanos * 10 + i64::from(digit - b'0')))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stamps(unit: TimeUnit, cells: &[&str]) -> Vec<Option<i64>> {
        let mut clock = Clock::new(unit);
        cells.iter().map(|cell| unit.parse(cell.as_bytes()).map(|moment| clock.stamp(moment).as_millis())).collect()
    }

    #[test]
    fn stamps_are_what_the_column_says() {
        use TimeUnit::{HoursMinutesSeconds, Millis, MinutesSeconds, Rfc3339, Seconds};
        let cases: [(&str, TimeUnit, &[&str], &[i64]); 14] = [
            ("seconds are the file's own", Seconds, &["412.5", "-1", "1e3"], &[412_500, -1_000, 1_000_000]),
            ("halves of a millisecond", Seconds, &["0.0005", "-0.0005", "0.0004"], &[1, -1, 0]),
            ("seconds far out", Seconds, &["1e300", "-1e300"], &[i64::MAX, i64::MIN]),
            ("milliseconds are the file's own", Millis, &["486942", "487042.5"], &[486_942, 487_043]),
            ("clock from its first row", HoursMinutesSeconds, &["19:23:27.775", "19:23:27.894"], &[0, 119]),
            ("single digits", HoursMinutesSeconds, &["9:5:7", "9:05:08"], &[0, 1_000]),
            ("midnight", HoursMinutesSeconds, &["23:59:59", "00:00:01", "00:00:00"], &[0, 2_000, 1_000]),
            (
                "two midnights",
                HoursMinutesSeconds,
                &["20:00:00", "7:0:0", "20:00:00", "7:0:0"],
                &[0, 39_600_000, 86_400_000, 126_000_000],
            ),
            ("a step back of 12 h stays one", HoursMinutesSeconds, &["12:00:00", "00:00:00"], &[0, -43_200_000]),
            ("hour", MinutesSeconds, &["59:59.9", "0:00.1"], &[0, 200]),
            ("a step back of 30 min stays one", MinutesSeconds, &["30:00", "00:00"], &[0, -1_800_000]),
            (
                "offsets and precision",
                Rfc3339,
                &["2026-05-01T12:00:00Z", "2026-05-01T14:00:00.0005+02:00", "2026-05-01 07:00:00.000499999-05:00"],
                &[0, 1, 0],
            ),
            (
                "leap second",
                Rfc3339,
                &["2016-12-31T23:59:59Z", "2016-12-31T23:59:60.5Z", "2017-01-01T00:00:01Z"],
                &[0, 1_500, 2_000],
            ),
            (
                "first and last year",
                Rfc3339,
                &["0000-01-01T00:00:00Z", "9999-12-31T23:59:59Z"],
                &[0, 315_569_519_999_000],
            ),
        ];
        for (name, unit, cells, expected) in cases {
            let expected: Vec<_> = expected.iter().copied().map(Some).collect();
            assert_eq!(stamps(unit, cells), expected, "{name}");
        }
    }

    #[test]
    fn what_is_no_moment_is_refused() {
        let cases: [(TimeUnit, &[&str]); 4] = [
            (TimeUnit::Seconds, &["", "NaN", "12:00", "inf"]),
            (
                TimeUnit::Rfc3339,
                &[
                    "2026-05-01",
                    "2026-05-01T12:00:00",
                    "2026-02-30T12:00:00Z",
                    "2026-05-01_12:00:00Z",
                    "1",
                    "",
                    "2026-05-01T24:00:00Z",
                    "2026-05-01T12:00:00Zz",
                    "2026-05-01T12:00:61Z",
                    "2026-05-01é2:00:00Z",
                ],
            ),
            (
                TimeUnit::HoursMinutesSeconds,
                &[
                    "24:00:00",
                    "12:60:00",
                    "12:00:60",
                    "12:00",
                    "1:2:3:4",
                    "012:00:00",
                    "-1:00:00",
                    "12:00:00.",
                    ":00:00",
                    "12:00:00.5s",
                    "2026/05/01 12:00:00",
                ],
            ),
            (TimeUnit::MinutesSeconds, &["60:00", "1:00:00", "5", "5:", "+5:00"]),
        ];
        for (unit, cells) in cases {
            for cell in cells {
                assert_eq!(unit.parse(cell.as_bytes()), None, "{cell:?} as {}", unit.name());
            }
        }
    }
}

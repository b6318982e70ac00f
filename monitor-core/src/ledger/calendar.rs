//! Days of the calendar: no clock, no time zone, no weekday.
//!
//! Service intervals in months need them, and dates that people sign. The rules are those of the Gregorian calendar; a
//! month that is too short takes its last day (31 January and one month make 28 or 29 February).

/// A year of four digits, a month from 1 and a day from 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Civil {
    /// The year, 1970 to 2149.
    pub year: u16,
    /// The month, 1 to 12.
    pub month: u8,
    /// The day of the month, 1 to 31.
    pub day: u8,
}

/// A day, from 1970-01-01 to 2149-06-06.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Day(u16);

const FIRST_YEAR: u16 = 1970;
const SECONDS_A_DAY: u32 = 86_400;

impl Day {
    /// 2149-06-06.
    pub const LAST: Self = Self(u16::MAX);

    /// From the number of days since 1970-01-01.
    #[must_use]
    pub const fn from_days_since_1970(days: u16) -> Self {
        Self(days)
    }

    /// Days since 1970-01-01.
    #[must_use]
    pub const fn days_since_1970(self) -> u16 {
        self.0
    }

    /// The day in Greenwich at that moment, in seconds since 1970-01-01T00:00:00Z.
    #[must_use]
    pub fn of_unix_s(unix_s: u32) -> Self {
        Self(u16::try_from(unix_s / SECONDS_A_DAY).unwrap_or(u16::MAX))
    }

    /// That day of the calendar; `None` if there is no such day, or if it lies outside 1970-01-01 to 2149-06-06.
    #[must_use]
    pub fn from_civil(date: Civil) -> Option<Self> {
        let Civil { year, month, day } = date;
        if year < FIRST_YEAR || !(1..=12).contains(&month) || day == 0 || day > days_in_month(year, month) {
            return None;
        }
        let mut days = 0_u16;
        for past in FIRST_YEAR..year {
            days = days.checked_add(days_in_year(past))?;
        }
        for past in 1..month {
            days = days.checked_add(u16::from(days_in_month(year, past)))?;
        }
        days.checked_add(u16::from(day.saturating_sub(1))).map(Self)
    }

    /// Year, month and day.
    #[must_use]
    pub fn civil(self) -> Civil {
        let (mut year, mut left) = (FIRST_YEAR, self.0);
        while left >= days_in_year(year) {
            left = left.saturating_sub(days_in_year(year));
            year = year.saturating_add(1);
        }
        let mut month = 1;
        while month < 12 && left >= u16::from(days_in_month(year, month)) {
            left = left.saturating_sub(u16::from(days_in_month(year, month)));
            month = u8::saturating_add(month, 1);
        }
        let day = u8::try_from(left).unwrap_or(u8::MAX).saturating_add(1);
        Civil { year, month, day }
    }

    /// So many days later, [`Day::LAST`] at the latest.
    #[must_use]
    pub const fn plus_days(self, days: u16) -> Self {
        Self(self.0.saturating_add(days))
    }

    /// The same day of the month so many months later, or the last day of that month where it has no such day.
    /// [`Day::LAST`] stands for everything later.
    #[must_use]
    pub fn plus_months(self, months: u16) -> Self {
        let Civil { year, month, day } = self.civil();
        let month_number = u32::from(month).saturating_sub(1).saturating_add(u32::from(months));
        let year = u32::from(year).saturating_add(month_number / 12);
        let (Ok(year), Ok(month)) = (u16::try_from(year), u8::try_from((month_number % 12).saturating_add(1))) else {
            return Self::LAST;
        };
        let day = day.min(days_in_month(year, month));
        Self::from_civil(Civil { year, month, day }).unwrap_or(Self::LAST)
    }
}

const fn is_leap(year: u16) -> bool {
    year.is_multiple_of(4) && (!year.is_multiple_of(100) || year.is_multiple_of(400))
}

const fn days_in_year(year: u16) -> u16 {
    if is_leap(year) { 366 } else { 365 }
}

const fn days_in_month(year: u16, month: u8) -> u8 {
    match month {
        2 if is_leap(year) => 29,
        2 => 28,
        4 | 6 | 9 | 11 => 30,
        _ => 31,
    }
}

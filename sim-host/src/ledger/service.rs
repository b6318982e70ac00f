//! What people told the service book: sign-offs, hour meters, times of day.

use monitor_core::ledger::store::{Journal, Record, StoreError};
use monitor_core::ledger::{Civil, ClockAnchor, Day, MeterChange, SignOff};

use crate::memory::RegionFlash;

/// A service that somebody signed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SignedService {
    /// Orders all records.
    pub seq: u32,
    /// Number of the power-up before it, low 16 bits.
    pub boot: u16,
    /// Running seconds of the engine when it was signed.
    pub signed_at_s: u32,
    /// What was done, by whom, when.
    pub sign_off: SignOff,
    /// What was noted with it, empty if nothing was; `None` where it cannot be read.
    pub note: Option<String>,
}

/// A time of day that was told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ToldClock {
    /// Orders all records.
    pub seq: u32,
    /// Number of the power-up in which it was told, low 16 bits.
    pub boot: u16,
    /// Running seconds of the engine at that moment.
    pub running_s: u32,
    /// What was told.
    pub anchor: ClockAnchor,
}

/// The monitor took over from another hour meter or board.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ToldMeter {
    /// Orders all records.
    pub seq: u32,
    /// Number of the power-up, low 16 bits.
    pub boot: u16,
    /// Running seconds of the engine when it was signed.
    pub running_s: u32,
    /// What both showed.
    pub change: MeterChange,
}

/// All of it, oldest first.
#[derive(Debug, Default)]
pub(super) struct Told {
    pub(super) sign_offs: Vec<SignedService>,
    pub(super) meters: Vec<ToldMeter>,
    pub(super) clocks: Vec<ToldClock>,
    pub(super) went_back: Vec<u32>,
}

/// Reads it from the journal.
pub(super) fn read(journal: &Journal, flash: &mut RegionFlash) -> Result<Told, StoreError> {
    let (mut walk, mut told) = (journal.newest(), Told::default());
    // Sequence and running seconds of the record behind.
    let mut newer: Option<(u32, u32)> = None;
    while let Some(found) = journal.older(flash, &mut walk)? {
        match found.record {
            Record::SignOff(sign_off) => {
                let note = journal.note(flash, &walk, &sign_off)?;
                let note = note.and_then(|(length, text)| String::from_utf8(text.get(..length)?.to_vec()).ok());
                told.sign_offs.push(SignedService {
                    seq: found.seq,
                    boot: found.boot,
                    signed_at_s: found.running_s,
                    sign_off,
                    note,
                });
            }
            Record::Meter(change) => {
                let (seq, boot, running_s) = (found.seq, found.boot, found.running_s);
                told.meters.push(ToldMeter { seq, boot, running_s, change });
            }
            Record::Clock(anchor) => {
                let (seq, boot, running_s) = (found.seq, found.boot, found.running_s);
                told.clocks.push(ToldClock { seq, boot, running_s, anchor });
            }
            // The running seconds of a sum are where its span begins.
            Record::Sum { .. } => continue,
            _ => {}
        }
        if let Some((seq, running_s)) = newer
            && running_s < found.running_s
        {
            told.went_back.push(seq);
        }
        newer = Some((found.seq, found.running_s));
    }
    told.sign_offs.reverse();
    told.meters.reverse();
    told.clocks.reverse();
    told.went_back.reverse();
    Ok(told)
}

/// `2026-05-31`.
#[must_use]
pub fn date_text(day: Day) -> String {
    let Civil { year, month, day } = day.civil();
    format!("{year:04}-{month:02}-{day:02}")
}

/// The moment in seconds since 1970 as `2026-05-31T10:00:00Z`.
#[must_use]
pub fn moment_text(unix_s: u32) -> String {
    let of_day = unix_s % 86_400;
    let date = date_text(Day::of_unix_s(unix_s));
    format!("{date}T{:02}:{:02}:{:02}Z", of_day / 3_600, of_day / 60 % 60, of_day % 60)
}

/// The day that is written as `2026-05-31`; `None` for anything else, and for days outside 1970 to 2106.
#[must_use]
pub fn parse_date(text: &str) -> Option<Day> {
    let parts: Vec<&str> = text.split('-').collect();
    let [year, month, day] = parts[..] else { return None };
    let number = |part: &str, digits: usize| {
        let is_number = part.len() == digits && part.bytes().all(|byte| byte.is_ascii_digit());
        is_number.then(|| part.parse::<u16>().ok()).flatten()
    };
    let (year, month, day) = (number(year, 4)?, number(month, 2)?, number(day, 2)?);
    let civil = Civil { year, month: u8::try_from(month).ok()?, day: u8::try_from(day).ok()? };
    Day::from_civil(civil).filter(|_| year <= 2106)
}

/// Hours with one decimal, rounded down.
#[must_use]
pub fn hours_text(seconds: u64) -> String {
    format!("{}.{}", seconds / 3_600, seconds % 3_600 / 360)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn which_texts_are_dates() {
        let cases = [
            ("2026-05-31", true),
            ("1970-01-01", true),
            ("2024-02-29", true),
            ("2106-12-31", true),
            ("2107-01-01", false),
            ("1969-12-31", false),
            ("2025-02-29", false),
            ("2026-04-31", false),
            ("2026-13-01", false),
            ("2026-00-01", false),
            ("2026-5-31", false),
            ("26-05-31", false),
            ("2026-05-31T10:00:00Z", false),
            ("31.05.2026", false),
            ("2026-05-3é", false),
            ("+026-05-31", false),
            ("", false),
        ];
        for (text, is_date) in cases {
            assert_eq!(parse_date(text).map(date_text), is_date.then(|| text.to_owned()), "{text}");
        }
    }

    /// The times of RFC 3339, 5.8, and the ends of 31 and of 32 bits.
    #[test]
    fn moments_are_those_of_the_calendar() {
        let cases = [
            (482_196_050, "1985-04-12T23:20:50Z"),
            (851_042_397, "1996-12-20T00:39:57Z"),
            (i32::MAX.unsigned_abs(), "2038-01-19T03:14:07Z"),
            (u32::MAX, "2106-02-07T06:28:15Z"),
        ];
        for (unix_s, text) in cases {
            assert_eq!(moment_text(unix_s), text);
        }
    }

    #[test]
    fn hours_are_rounded_down() {
        for (seconds, text) in [(0, "0.0"), (359, "0.0"), (360, "0.1"), (3_599, "0.9"), (149_400, "41.5")] {
            assert_eq!(hours_text(seconds), text);
        }
    }
}

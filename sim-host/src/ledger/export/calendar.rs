//! What is due, for a calendar: iCalendar by RFC 5545, an all-day event for each item whose day can be told.

use monitor_core::ledger::{Day, EARLIEST_BELIEVABLE_UNIX_S, Item};

use crate::ledger::date_text;
use crate::ledger::plan::{DueLine, Sheet, Status};
use crate::texts;

/// RFC 5545, 3.1: a line has 75 octets at most, its line break left out.
const LONGEST_LINE: usize = 75;

/// A calendar, and what is not in it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Calendar {
    /// The file.
    pub text: String,
    /// Items whose day cannot be told.
    pub left_out: Vec<Item>,
}

/// The calendar of the engine in the memory of that name. Its events keep their identifiers as long as the name stays, so
/// that a newer export takes the place of an older one.
#[must_use]
pub fn to_calendar(sheet: &Sheet, memory: &str) -> Calendar {
    let mut lines = Lines::default();
    for line in ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Lookastern//Service book//EN", "CALSCALE:GREGORIAN"] {
        lines.push(line);
    }
    let mut left_out = Vec::new();
    for due in &sheet.lines {
        match day_of(due, sheet.request.today) {
            Some(day) => push_event(&mut lines, sheet, due, day, memory),
            None => left_out.push(due.item.item),
        }
    }
    lines.push("END:VCALENDAR");
    Calendar { text: lines.text, left_out }
}

/// The day on which it is due, or on which its hours will be over; today for what is due by hours already.
fn day_of(due: &DueLine, today: Option<Day>) -> Option<Day> {
    let day = [due.due_day, due.expected].into_iter().flatten().min();
    if due.status == Status::Due { day.or(today) } else { day }
}

fn push_event(lines: &mut Lines, sheet: &Sheet, due: &DueLine, day: Day, memory: &str) {
    let item = due.item.item.name();
    let stamp = sheet.request.today.unwrap_or(Day::of_unix_s(EARLIEST_BELIEVABLE_UNIX_S));
    let mut check = flate2::Crc::new();
    check.update(memory.as_bytes());
    lines.push("BEGIN:VEVENT");
    lines.push(&format!("UID:{item}.{:08x}@lookastern.invalid", check.sum()));
    lines.push(&format!("DTSTAMP:{}T000000Z", basic(stamp)));
    lines.push(&format!("DTSTART;VALUE=DATE:{}", basic(day)));
    lines.push(&format!("SUMMARY:{}", escaped(&texts::calendar_summary(item, memory))));
    lines.push(&format!("DESCRIPTION:{}", escaped(&texts::calendar_description(due))));
    lines.push("TRANSP:TRANSPARENT");
    lines.push("END:VEVENT");
}

fn basic(day: Day) -> String {
    date_text(day).replace('-', "")
}

/// RFC 5545, 3.3.11.
fn escaped(text: &str) -> String {
    text.replace('\\', r"\\").replace(';', r"\;").replace(',', r"\,").replace('\n', r"\n")
}

#[derive(Debug, Default)]
struct Lines {
    text: String,
}

impl Lines {
    /// Adds a line, folded where it is too long, never within a character.
    fn push(&mut self, line: &str) {
        let mut octets = 0;
        for character in line.chars() {
            if octets + character.len_utf8() > LONGEST_LINE {
                self.text.push_str("\r\n ");
                octets = 1;
            }
            self.text.push(character);
            octets += character.len_utf8();
        }
        self.text.push_str("\r\n");
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_lines_are_folded_and_never_within_a_character() {
        let mut lines = Lines::default();
        let long = format!("SUMMARY:{}", "é".repeat(90));
        lines.push(&long);
        lines.push("X:1");
        assert!(lines.text.split("\r\n").all(|line| line.len() <= LONGEST_LINE));
        assert!(lines.text.starts_with(&format!("SUMMARY:{}\r\n é", "é".repeat(33))), "{}", lines.text);
        assert_eq!(lines.text.replace("\r\n ", ""), format!("{long}\r\nX:1\r\n"));
    }

    #[test]
    fn what_means_something_is_escaped() {
        assert_eq!(escaped("a,b;c\\d\ne"), r"a\,b\;c\\d\ne");
    }
}

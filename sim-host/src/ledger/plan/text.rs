//! The sheet in 80 columns, to print or to read.

use std::io::{self, Write};

use super::{DueLine, Look, Sheet, Status, Task};
use crate::ledger::{date_text, hours_text};
use crate::texts;
use crate::timeline::{clock, write_wrapped};

const BOX: &str = "[ ] ";
const INDENT: usize = 4;

/// Writes the sheet of the engine in `memory`.
///
/// # Errors
/// Whatever `out` reports.
pub fn to_text(sheet: &Sheet, memory: &str, out: &mut dyn Write) -> io::Result<()> {
    writeln!(out, "{}\n", texts::SHEET_TITLE)?;
    for fact in facts(sheet, memory) {
        write_wrapped(out, "", &fact, 2)?;
    }
    writeln!(out, "\n{}", texts::SHEET_WHO)?;
    if !sheet.lines.is_empty() {
        writeln!(out, "\n{}", texts::SHEET_PLAN)?;
    }
    for line in &sheet.lines {
        write_wrapped(out, BOX, &due_text(line), INDENT)?;
    }
    if !sheet.tasks.is_empty() {
        writeln!(out)?;
        write_wrapped(out, "", texts::SHEET_RECORD, 0)?;
    }
    for task in &sheet.tasks {
        write_wrapped(out, "", &because(task), 2)?;
        for look in &task.looks {
            write_wrapped(out, BOX, &look_text(look), INDENT)?;
        }
    }
    if !sheet.generic.is_empty() {
        writeln!(out)?;
        write_wrapped(out, "", texts::SHEET_GENERIC, 0)?;
    }
    for (item, interval) in &sheet.generic {
        write_wrapped(out, BOX, &format!("{}: {interval}", item.name()), INDENT)?;
    }
    writeln!(out)?;
    write_wrapped(out, "", texts::SHEET_WALK, 0)?;
    for area in texts::AREAS {
        writeln!(out)?;
        write_wrapped(out, "", &format!("{}: {}", area.name, area.fails), 2)?;
        for look in area.looks {
            write_wrapped(out, BOX, look, INDENT)?;
        }
    }
    writeln!(out)?;
    write_wrapped(out, "", texts::SHEET_SIGN, 0)?;
    for command in commands(sheet, memory) {
        writeln!(out, "  {command}")?;
    }
    Ok(())
}

/// What stands at the head of the sheet.
pub(super) fn facts(sheet: &Sheet, memory: &str) -> Vec<String> {
    let mut facts = vec![format!("Memory: {memory}")];
    facts.push(format!("Running time: {} h; starts: {}", hours_text(sheet.running_s), sheet.starts));
    if let Some(engine_s) = sheet.engine_s {
        facts.push(format!("With what older hour meters showed, as signed: {} h", hours_text(engine_s)));
    }
    facts.push(match sheet.request.today {
        Some(today) => format!("Day of this sheet: {}", date_text(today)),
        None => "Day of this sheet: unknown, so that nothing is compared with dates".to_owned(),
    });
    facts.push(match sheet.rate {
        Some(rate) if rate.a_week_s() < 360 => "Use: less than 0.1 h a week".to_owned(),
        Some(rate) => format!("Use: {} h a week", hours_text(rate.a_week_s())),
        None => "Use: not known; two sign-offs with dates at least 14 days apart tell it".to_owned(),
    });
    facts.push(match &sheet.chain_head {
        Some(head) => format!("Hand-over slip: {} h, {head}", hours_text(sheet.running_s)),
        None => "Hand-over slip: none, this memory has no key of its own".to_owned(),
    });
    if sheet.has_summed_events {
        facts.push(texts::SHEET_SUMMED.to_owned());
    }
    facts
}

/// An item and when it is due.
pub(super) fn due_text(line: &DueLine) -> String {
    let mut text = format!("{}: {}", line.item.item.name(), status(line));
    let hours = line.due_s.map(|due_s| format!("at {} h", hours_text(u64::from(due_s))));
    let day = line.due_day.map(|day| format!("on {}", date_text(day)));
    let when: Vec<_> = [hours, day].into_iter().flatten().collect();
    if !when.is_empty() {
        text.push_str(&format!(" {}", when.join(" or ")));
    }
    if let Some(expected) = line.expected {
        text.push_str(&format!(" (hours over about {} if used as before)", date_text(expected)));
    }
    match line.item.done {
        None if line.due_s.is_some() => text.push_str("; never signed, hours counted from 0, date unknown"),
        None => text.push_str("; never signed, date unknown"),
        Some(done) => {
            let day = done.day.map_or_else(|| texts::DATE_UNKNOWN.to_owned(), date_text);
            text.push_str(&format!("; last at {} h, {day}", hours_text(u64::from(done.at_s))));
        }
    }
    if let Some(shortened) = line.shortened {
        text.push_str(&format!("; interval shortened to {} %: {}", shortened.percent, shortened.why));
    }
    text
}

fn status(line: &DueLine) -> &'static str {
    match line.status {
        Status::Due => "DUE",
        Status::Unknown if line.due_s.is_none() && line.due_day.is_none() => "unknown",
        Status::Unknown => "unknown, or",
        Status::Soon => "due soon,",
        Status::Later => "next",
    }
}

/// What happened.
pub(super) fn because(task: &Task) -> String {
    let times = if task.times == 1 { "once".to_owned() } else { format!("{} times", task.times) };
    let mut text = format!(
        "{}: {times}, last in power-up {} at {}",
        texts::finding(task.finding, task.channel),
        task.last_boot,
        clock(task.last_stamp_ms)
    );
    if task.run_on_s > 0 {
        let run_on_ms = i64::try_from(task.run_on_s.saturating_mul(1_000)).unwrap_or(i64::MAX);
        text.push_str(&format!("; run on {} in all", clock(run_on_ms)));
    }
    text
}

/// What to look at, and the item that is signed then.
pub(super) fn look_text(look: &Look) -> String {
    look.closed_by.map_or_else(|| look.text.to_owned(), |item| format!("{} [{}]", look.text, item.name()))
}

/// The commands that sign what is due.
pub(super) fn commands(sheet: &Sheet, memory: &str) -> Vec<String> {
    let date = sheet.request.today.map_or_else(String::new, |today| format!(" --date {}", date_text(today)));
    let memory = crate::shell::word(memory);
    let command = |item: &str| format!("lookastern ledger sign {memory} --item {item} --role mechanic{date}");
    let items = sheet.to_sign();
    if items.is_empty() { vec![command("ITEM")] } else { items.iter().map(|item| command(item.name())).collect() }
}

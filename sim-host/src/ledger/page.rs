//! The service book to read.

use std::fmt::{self, Write};

use monitor_core::ledger::store::Verdict;
use monitor_core::ledger::{Abuse, CareItem, Day};

use super::{BookEvent, Ledger, date_text, hours_text, moment_text};
use crate::texts;
use crate::timeline::{clock, write_wrapped};

/// A page of plain text: hours, loads, what was hard on the engine, and what happened.
///
/// # Errors
/// Never: a string takes everything.
pub fn to_text(ledger: &Ledger) -> Result<String, fmt::Error> {
    let mut page = String::new();
    let totals = &ledger.totals;
    let running_s = totals.all_running_ms() / 1_000;
    writeln!(page, "Running time     {:>11}   ({} h)", time(running_s), hours_text(running_s))?;
    if let Some(change) = &ledger.meter {
        writeln!(page, "{}", texts::older_meter(change, ledger.engine_s()))?;
    }
    for seq in &ledger.went_back {
        writeln!(page, "  {}", texts::went_back(*seq))?;
    }
    if ledger.newest_running_s.is_some_and(|newest_s| u64::from(newest_s) > running_s + 10) {
        writeln!(page, "  {}", texts::hours_are_older(running_s, ledger.newest_running_s.unwrap_or(0)))?;
    }
    writeln!(page, "Starts           {:>11}", totals.starts)?;
    writeln!(page, "Power-ups        {:>11}", ledger.boots)?;
    if totals.holes > 0 {
        writeln!(page, "Holes in the record that ended a run: {}", totals.holes)?;
    }
    for (name, abuse) in [
        ("Over the greatest speed", Abuse::OverSpeed),
        ("Head over its limit", Abuse::OverLimit),
        ("Run without water", Abuse::DryRun),
    ] {
        let seconds = totals.abuse_ms.get(abuse as usize).map_or(0, |ms| ms / 1_000);
        writeln!(page, "{name:<24}{:>11}", time(seconds))?;
    }
    if ledger.bands.is_empty() {
        writeln!(page, "\nRunning time by speed cannot be shown: the memory holds no profile.")?;
    } else {
        writeln!(page, "\nRunning time by speed")?;
        for band in &ledger.bands {
            let edges = match band.to_rpm {
                Some(to_rpm) => format!("{} to {to_rpm} rpm", band.from_rpm),
                None => format!("over {} rpm", band.from_rpm),
            };
            writeln!(page, "  {:<9}{edges:<20}{:>11}", band.band.name(), time(band.seconds))?;
        }
    }
    write_service(&mut page, ledger)?;
    write_events(&mut page, ledger)?;
    write_evidence(&mut page, ledger)?;
    Ok(page)
}

/// The plan, then who signed what.
fn write_service(page: &mut String, ledger: &Ledger) -> fmt::Result {
    if ledger.plan.items().any(|item| item.is_planned()) {
        writeln!(page, "\nService plan     last done               next due")?;
    } else {
        writeln!(page, "\n{}", texts::NO_PLAN)?;
    }
    for item in ledger.plan.items().filter(CareItem::is_planned) {
        let last = item.done.map_or_else(|| texts::NEVER_SIGNED.to_owned(), |done| service_text(done.at_s, done.day));
        writeln!(page, "  {:<15}{last:<24}{}", item.item.name(), texts::due(&item))?;
    }
    if !ledger.sign_offs.is_empty() {
        writeln!(page, "\nSigned (a later entry corrects an earlier one)")?;
    }
    for signed in &ledger.sign_offs {
        let done = &signed.sign_off;
        let when = service_text(done.at_s, done.day);
        write!(page, "  {:>5}  {:<15} at {when}, {}", signed.seq, done.item.name(), done.role.name())?;
        match &signed.note {
            Some(note) if note.is_empty() => writeln!(page)?,
            Some(note) => writeln!(page, ": {note}")?,
            None => writeln!(page, " (its note could not be read)")?,
        }
    }
    Ok(())
}

fn service_text(at_s: u32, day: Option<Day>) -> String {
    let day = day.map_or_else(|| texts::DATE_UNKNOWN.to_owned(), date_text);
    format!("{} h, {day}", hours_text(u64::from(at_s)))
}

fn write_events(page: &mut String, ledger: &Ledger) -> fmt::Result {
    let tally = &ledger.tally;
    writeln!(
        page,
        "\nWhat happened: {} alarm, {} warning and {} caution entries; {} of {} places of the journal in use",
        tally.alarms, tally.warnings, tally.cautions, ledger.fullness.used, ledger.fullness.places
    )?;
    for event in &ledger.events {
        write_event(page, ledger, event)?;
    }
    writeln!(page, "\n{}", chain(ledger))
}

/// What the chain of the journal shows, and what it does not.
fn chain(ledger: &Ledger) -> String {
    match (ledger.chain, ledger.chain_head) {
        (Verdict::Broken { seq }, _) => {
            format!("Chain of the journal: BROKEN at entry {seq}. It or the one before was altered, lost or put in.")
        }
        (Verdict::Sound, Some(head)) => format!(
            "Chain of the journal: unbroken, newest value {head}. It shows edits by others and proves nothing\nagainst \
             whoever holds this memory; compare the value with the one on the hand-over slip."
        ),
        (Verdict::Sound | Verdict::Unkeyed, _) => "Chain of the journal: none, so edits do not show.".to_owned(),
    }
}

fn write_event(page: &mut String, ledger: &Ledger, kept: &BookEvent) -> fmt::Result {
    let event = &kept.event;
    write!(
        page,
        "  {:>5}  power-up {:<4} at {}  {}: {}, {}",
        kept.seq,
        kept.boot,
        clock(event.stamp.as_millis()),
        texts::finding_of(event),
        event.level.name(),
        event.state.name()
    )?;
    if let Some((unix_s, quality)) = ledger.moment(kept) {
        write!(page, "; about {} ({})", moment_text(unix_s), quality.name())?;
    }
    match kept.run_on_s {
        Some(seconds) => writeln!(page, "; run on {}", time(u64::from(seconds)))?,
        None => writeln!(page)?,
    }
    if kept.detail_missing {
        writeln!(page, "         its numbers could not be read")?;
    }
    Ok(())
}

/// What can be proved with the book, and what not.
fn write_evidence(page: &mut String, ledger: &Ledger) -> fmt::Result {
    writeln!(page, "\n{}", texts::chain(ledger.chain))?;
    if let Some(head) = ledger.chain_head {
        writeln!(page, "Hand-over slip: {} h, {head}", hours_text(ledger.totals.all_running_ms() / 1_000))?;
    }
    for (seq, by_s) in ledger.clock_steps() {
        writeln!(page, "{}", texts::clock_step(seq, by_s))?;
    }
    let mut cannot_know = Vec::new();
    // A vector takes everything.
    write_wrapped(&mut cannot_know, "", texts::CANNOT_KNOW, 2).map_err(|_| fmt::Error)?;
    page.push_str(&String::from_utf8_lossy(&cannot_know));
    Ok(())
}

fn time(seconds: u64) -> String {
    clock(i64::try_from(seconds.saturating_mul(1_000)).unwrap_or(i64::MAX))
}

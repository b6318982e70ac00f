//! The service book to read.

use std::fmt::{self, Write};

use monitor_core::ledger::Abuse;
use monitor_core::ledger::store::Verdict;

use super::{BookEvent, Ledger};
use crate::texts;
use crate::timeline::clock;

/// A page of plain text: hours, loads, what was hard on the engine, and what happened.
///
/// # Errors
/// Never: a string takes everything.
pub fn to_text(ledger: &Ledger) -> Result<String, fmt::Error> {
    let mut page = String::new();
    let totals = &ledger.totals;
    let running_s = totals.all_running_ms() / 1_000;
    writeln!(page, "Running time     {:>11}   ({}.{} h)", time(running_s), running_s / 3_600, running_s % 3_600 / 360)?;
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
    write_events(&mut page, ledger)?;
    Ok(page)
}

fn write_events(page: &mut String, ledger: &Ledger) -> fmt::Result {
    let tally = &ledger.tally;
    writeln!(
        page,
        "\nWhat happened: {} alarm, {} warning and {} caution entries; {} of {} places of the journal in use",
        tally.alarms, tally.warnings, tally.cautions, ledger.fullness.used, ledger.fullness.places
    )?;
    for event in &ledger.events {
        write_event(page, event)?;
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

fn write_event(page: &mut String, kept: &BookEvent) -> fmt::Result {
    let event = &kept.event;
    write!(
        page,
        "  {:>5}  power-up {:<4} at {}  {}: {}, {}",
        kept.seq,
        kept.boot,
        clock(event.stamp.as_millis()),
        texts::finding(event.finding, event.channel),
        event.level.name(),
        event.state.name()
    )?;
    match kept.run_on_s {
        Some(seconds) => writeln!(page, "; run on {}", time(u64::from(seconds)))?,
        None => writeln!(page)?,
    }
    if kept.detail_missing {
        writeln!(page, "         its numbers could not be read")?;
    }
    Ok(())
}

fn time(seconds: u64) -> String {
    clock(i64::try_from(seconds.saturating_mul(1_000)).unwrap_or(i64::MAX))
}

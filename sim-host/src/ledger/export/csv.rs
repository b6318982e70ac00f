//! All records that are still there one by one, as a table by RFC 4180.

use monitor_core::acquire::Channel;
use monitor_core::event::Event;
use monitor_core::ledger::Item;

use crate::ledger::{BookEvent, Ledger, SignedService, ToldClock, ToldMeter, date_text, moment_text};

const HEADER: [&str; 17] = [
    "seq",
    "boot",
    "running_s",
    "record",
    "what",
    "channel_or_item",
    "level",
    "state",
    "alarm_state",
    "trip",
    "t_s",
    "id",
    "run_on_s",
    "role",
    "done_at_s",
    "date",
    "note",
];

/// A header and a row for each event, sign-off, clock and meter, in the order of their sequence. Cells that do not apply are
/// blank.
///
/// A note that begins like a formula gets a blank before it, so that no spreadsheet runs it.
#[must_use]
pub fn to_csv(ledger: &Ledger) -> String {
    let events = ledger.events.iter().map(|kept| (kept.seq, event_row(kept)));
    let signed = ledger.sign_offs.iter().map(|signed| (signed.seq, sign_off_row(signed)));
    let clocks = ledger.clocks.iter().map(|told| (told.seq, clock_row(told)));
    let meters = ledger.meters.iter().map(|told| (told.seq, meter_row(told)));
    let mut rows: Vec<_> = events.chain(signed).chain(clocks).chain(meters).collect();
    rows.sort_by_key(|(seq, _)| *seq);
    let mut table = HEADER.join(",") + "\r\n";
    for (_, row) in rows {
        let cells: Vec<_> = row.iter().map(|cell| quoted(cell)).collect();
        table.push_str(&cells.join(","));
        table.push_str("\r\n");
    }
    table
}

type Row = [String; HEADER.len()];

fn row(seq: u32, boot: u16, running_s: u32, record: &str) -> Row {
    let mut row = Row::default();
    row[0] = seq.to_string();
    row[1] = boot.to_string();
    row[2] = running_s.to_string();
    row[3] = record.to_owned();
    row
}

fn event_row(kept: &BookEvent) -> Row {
    let Event { finding, channel, item, level, state, alarm_state, trip, stamp, id, .. } = kept.event;
    let millis = stamp.as_millis();
    let sign = if millis < 0 { "-" } else { "" };
    let mut row = row(kept.seq, kept.boot, kept.running_s, "event");
    row[4] = finding.name().to_owned();
    // Of a care finding the item stands where others have their channel.
    row[5] = channel.map(Channel::name).or(item.map(Item::name)).unwrap_or_default().to_owned();
    row[6] = level.name().to_owned();
    row[7] = state.name().to_owned();
    row[8] = alarm_state.name().to_owned();
    row[9] = trip.to_string();
    row[10] = format!("{sign}{}.{:03}", millis.unsigned_abs() / 1_000, millis.unsigned_abs() % 1_000);
    row[11] = id.to_string();
    row[12] = kept.run_on_s.map_or_else(String::new, |seconds| seconds.to_string());
    row
}

fn sign_off_row(signed: &SignedService) -> Row {
    let done = &signed.sign_off;
    let mut row = row(signed.seq, signed.boot, signed.signed_at_s, "sign-off");
    row[4] = done.item.name().to_owned();
    row[13] = done.role.name().to_owned();
    row[14] = done.at_s.to_string();
    row[15] = done.day.map_or_else(String::new, date_text);
    row[16] = harmless(signed.note.as_deref().unwrap_or_default());
    row
}

fn clock_row(told: &ToldClock) -> Row {
    let mut row = row(told.seq, told.boot, told.running_s, "clock");
    row[4] = told.anchor.quality.name().to_owned();
    row[15] = moment_text(told.anchor.unix_s);
    row
}

fn meter_row(told: &ToldMeter) -> Row {
    let mut row = row(told.seq, told.boot, told.running_s, "meter");
    row[13] = told.change.role.name().to_owned();
    row[14] = told.change.new_s.to_string();
    row[16] = format!("old meter {} s, this monitor {} s", told.change.old_s, told.change.new_s);
    row
}

fn harmless(note: &str) -> String {
    if note.starts_with(['=', '+', '-', '@']) { format!(" {note}") } else { note.to_owned() }
}

fn quoted(cell: &str) -> String {
    if cell.contains([',', '"', '\r', '\n']) || cell.starts_with(' ') {
        format!("\"{}\"", cell.replace('"', "\"\""))
    } else {
        cell.to_owned()
    }
}

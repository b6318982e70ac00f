//! The service book as one JSON object.

use std::fmt::{self, Write};

use monitor_core::advise::write_event_json;
use monitor_core::ledger::{Abuse, CareItem, Day};

use super::{BookEvent, Ledger, date_text};

/// One line of JSON with its line feed: `running_s`, `starts`, `over_speed_s`, `over_limit_s`, `dry_run_s`, `bands`,
/// `items`, `events`.
///
/// # Errors
/// Never: a string takes everything.
pub fn to_json(ledger: &Ledger) -> Result<String, fmt::Error> {
    let mut json = String::new();
    let totals = &ledger.totals;
    let abuse_s = |abuse: Abuse| totals.abuse_ms.get(abuse as usize).map_or(0, |ms| ms / 1_000);
    write!(json, "{{\"running_s\":{},\"starts\":{}", totals.all_running_ms() / 1_000, totals.starts)?;
    for (key, abuse) in
        [("over_speed_s", Abuse::OverSpeed), ("over_limit_s", Abuse::OverLimit), ("dry_run_s", Abuse::DryRun)]
    {
        write!(json, ",\"{key}\":{}", abuse_s(abuse))?;
    }
    json.push_str(",\"bands\":[");
    for (number, band) in ledger.bands.iter().enumerate() {
        let comma = if number == 0 { "" } else { "," };
        let to_rpm = band.to_rpm.map_or_else(|| "null".to_owned(), |rpm| rpm.to_string());
        write!(
            json,
            "{comma}{{\"band\":\"{}\",\"from_rpm\":{},\"to_rpm\":{to_rpm},\"seconds\":{}}}",
            band.band.name(),
            band.from_rpm,
            band.seconds
        )?;
    }
    json.push_str("],\"items\":[");
    for (number, item) in ledger.plan.items().filter(CareItem::is_planned).enumerate() {
        if number > 0 {
            json.push(',');
        }
        write_item(&mut json, &item)?;
    }
    json.push_str("],\"events\":[");
    for (number, event) in ledger.events.iter().enumerate() {
        if number > 0 {
            json.push(',');
        }
        write_event(&mut json, event)?;
    }
    json.push_str("]}\n");
    Ok(json)
}

fn write_item(json: &mut String, item: &CareItem) -> fmt::Result {
    let seconds = |seconds: Option<u32>| seconds.map_or_else(|| "null".to_owned(), |seconds| seconds.to_string());
    let date = |day: Option<Day>| day.map_or_else(|| "null".to_owned(), |day| format!("\"{}\"", date_text(day)));
    let due = item.due();
    write!(
        json,
        "{{\"item\":\"{}\",\"last_done_s\":{},\"last_done_date\":{},\"due_s\":{},\"due_date\":{},\"unknown\":{}}}",
        item.item.name(),
        seconds(item.done.map(|done| done.at_s)),
        date(item.done.and_then(|done| done.day)),
        seconds(due.at_s),
        date(due.day),
        item.done.is_none()
    )
}

/// The event as everywhere, with what only the journal knows at its end.
fn write_event(json: &mut String, event: &BookEvent) -> fmt::Result {
    write_event_json(&event.event, json)?;
    let whole = json.trim_end_matches("}\n").len();
    json.truncate(whole);
    let run_on_s = event.run_on_s.map_or_else(|| "null".to_owned(), |seconds| seconds.to_string());
    write!(json, ",\"seq\":{},\"boot\":{},\"run_on_s\":{run_on_s}}}", event.seq, event.boot)
}

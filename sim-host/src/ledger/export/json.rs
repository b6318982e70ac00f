//! All that the service book knows, as one JSON object.

use std::fmt::{self, Write};

use monitor_core::ledger::store::Verdict;

use crate::ledger::{Ledger, SignedService, date_text, moment_text};

/// What `ledger show` says, and behind it: `engine_s`, `boots`, `sign_offs`, `clocks`, `meters`, `went_back`, `journal`,
/// `damaged`, `chain` and `chain_head`.
///
/// # Errors
/// Never: a string takes everything.
pub fn to_json(ledger: &Ledger) -> Result<String, fmt::Error> {
    let mut json = crate::ledger::to_json(ledger)?;
    let whole = json.trim_end_matches("}\n").len();
    json.truncate(whole);
    let engine_s = ledger.engine_s();
    write!(json, ",\"engine_s\":{engine_s},\"boots\":{},\"sign_offs\":[", ledger.boots)?;
    write_list(&mut json, &ledger.sign_offs, write_sign_off)?;
    json.push_str("],\"clocks\":[");
    write_list(&mut json, &ledger.clocks, |json, told| {
        let (at, quality) = (moment_text(told.anchor.unix_s), told.anchor.quality.name());
        write!(json, "{{\"time\":\"{at}\",\"quality\":\"{quality}\",\"seq\":{},\"boot\":{}}}", told.seq, told.boot)
    })?;
    json.push_str("],\"meters\":[");
    write_list(&mut json, &ledger.meters, |json, told| {
        let change = &told.change;
        let (old_s, new_s, role) = (change.old_s, change.new_s, change.role.name());
        write!(json, "{{\"old_s\":{old_s},\"new_s\":{new_s},\"role\":\"{role}\",\"seq\":{}}}", told.seq)
    })?;
    json.push_str("],\"went_back\":[");
    write_list(&mut json, &ledger.went_back, |json, seq| write!(json, "{seq}"))?;
    let (tally, fullness) = (&ledger.tally, ledger.fullness);
    write!(
        json,
        "],\"journal\":{{\"used\":{},\"places\":{},\"alarms\":{},\"warnings\":{},\"cautions\":{},\"others\":{}}}",
        fullness.used, fullness.places, tally.alarms, tally.warnings, tally.cautions, tally.others
    )?;
    let chain = match ledger.chain {
        Verdict::Unkeyed => "unkeyed",
        Verdict::Sound => "sound",
        Verdict::Broken { .. } => "broken",
    };
    let head = ledger.chain_head.map_or_else(|| "null".to_owned(), |head| format!("\"{head}\""));
    write!(json, ",\"damaged\":{},\"chain\":\"{chain}\",\"chain_head\":{head}}}", ledger.damaged)?;
    json.push('\n');
    Ok(json)
}

fn write_list<T>(json: &mut String, list: &[T], write: impl Fn(&mut String, &T) -> fmt::Result) -> fmt::Result {
    for (number, entry) in list.iter().enumerate() {
        if number > 0 {
            json.push(',');
        }
        write(json, entry)?;
    }
    Ok(())
}

fn write_sign_off(json: &mut String, signed: &SignedService) -> fmt::Result {
    let done = &signed.sign_off;
    let date = done.day.map_or_else(|| "null".to_owned(), |day| format!("\"{}\"", date_text(day)));
    let note = signed.note.as_ref().map_or(serde_json::Value::Null, |note| note.clone().into());
    write!(
        json,
        "{{\"item\":\"{}\",\"role\":\"{}\",\"at_s\":{},\"date\":{date},\"note\":{note},\"seq\":{},\"boot\":{}}}",
        done.item.name(),
        done.role.name(),
        done.at_s,
        signed.seq,
        signed.boot
    )
}

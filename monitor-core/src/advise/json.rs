//! Events as JSON Lines: fixed order of keys, no blanks, no floats, the same bytes on host and board.

use core::fmt;

use super::checks;
use crate::event::Event;

/// Writes one event as one line of JSON, with its line feed.
///
/// Decimals have one to three places (`t_s` always three); numbers that are not known are `null`.
///
/// # Errors
/// Whatever `out` reports.
pub fn write_event_json<W: fmt::Write>(event: &Event, out: &mut W) -> fmt::Result {
    out.write_str("{\"trip\":")?;
    write_integer(out, i64::from(event.trip))?;
    out.write_str(",\"t_s\":")?;
    write_thousandths(out, event.stamp.as_millis(), 3)?;
    out.write_str(",\"id\":")?;
    write_integer(out, i64::from(event.id))?;
    write_name(out, ",\"finding\":", event.finding.name())?;
    write_name(out, ",\"family\":", event.finding.family().name())?;
    match event.channel {
        Some(channel) => write_name(out, ",\"channel\":", channel.name())?,
        None => out.write_str(",\"channel\":null")?,
    }
    if let Some(item) = event.item {
        write_name(out, ",\"item\":", item.name())?;
    }
    write_name(out, ",\"level\":", event.level.name())?;
    write_name(out, ",\"state\":", event.state.name())?;
    write_name(out, ",\"alarm_state\":", event.alarm_state.name())?;
    write_evidence(event, out)?;
    write_candidates(event, out)?;
    write_checks(event, out)?;
    if let Some(id) = event.replaced_by {
        out.write_str(",\"by\":")?;
        write_integer(out, i64::from(id))?;
    }
    out.write_str("}\n")
}

fn write_evidence<W: fmt::Write>(event: &Event, out: &mut W) -> fmt::Result {
    out.write_str(",\"evidence\":{")?;
    let mut separator = "\"";
    for item in event.evidence.iter() {
        out.write_str(separator)?;
        out.write_str(item.key.name())?;
        out.write_str("\":")?;
        match item.value {
            Some(raw) => {
                let thousandths = i64::from(raw).saturating_mul(i64::from(item.key.milli_per_raw()));
                write_thousandths(out, thousandths, 1)?;
            }
            None => out.write_str("null")?,
        }
        separator = ",\"";
    }
    out.write_str("}")
}

fn write_candidates<W: fmt::Write>(event: &Event, out: &mut W) -> fmt::Result {
    out.write_str(",\"candidates\":[")?;
    let mut separator = "";
    for candidate in event.candidates.iter().flatten() {
        out.write_str(separator)?;
        write_name(out, "{\"finding\":", candidate.finding.name())?;
        out.write_str(",\"share_pct\":")?;
        write_integer(out, i64::from(candidate.share_pct))?;
        out.write_str("}")?;
        separator = ",";
    }
    out.write_str("]")
}

fn write_checks<W: fmt::Write>(event: &Event, out: &mut W) -> fmt::Result {
    let mut prefix = ",\"check\":[";
    for check in checks(event.finding) {
        write_name(out, prefix, check)?;
        prefix = ",";
    }
    out.write_str(if prefix == "," { "]" } else { ",\"check\":[]" })
}

/// A prefix, then a name in quotes. Names have no character that needs escaping.
fn write_name<W: fmt::Write>(out: &mut W, prefix: &str, name: &str) -> fmt::Result {
    out.write_str(prefix)?;
    out.write_str("\"")?;
    out.write_str(name)?;
    out.write_str("\"")
}

fn write_integer<W: fmt::Write>(out: &mut W, value: i64) -> fmt::Result {
    if value < 0 {
        out.write_char('-')?;
    }
    write_digits(out, value.unsigned_abs(), 1)
}

/// A number of thousandths, with as few decimals as it needs but at least `least_places`.
fn write_thousandths<W: fmt::Write>(out: &mut W, thousandths: i64, least_places: u32) -> fmt::Result {
    if thousandths < 0 {
        out.write_char('-')?;
    }
    let magnitude = thousandths.unsigned_abs();
    write_digits(out, magnitude / 1_000, 1)?;
    out.write_char('.')?;
    let fraction = magnitude % 1_000;
    if least_places == 3 || !fraction.is_multiple_of(10) {
        write_digits(out, fraction, 3)
    } else if !fraction.is_multiple_of(100) {
        write_digits(out, fraction / 10, 2)
    } else {
        write_digits(out, fraction / 100, 1)
    }
}

/// Decimal digits, with leading zeros up to `least` digits.
fn write_digits<W: fmt::Write>(out: &mut W, value: u64, least: u32) -> fmt::Result {
    let mut place = 1_u64;
    let mut digits = 1_u32;
    while digits < least || value.checked_div(place).is_some_and(|rest| rest >= 10) {
        place = place.saturating_mul(10);
        digits = digits.saturating_add(1);
    }
    while let Some(leading) = value.checked_div(place) {
        let digit = u32::try_from(leading % 10).unwrap_or(0);
        out.write_char(char::from_digit(digit, 10).unwrap_or('0'))?;
        place /= 10;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquire::Channel;
    use crate::event::{AlarmState, Candidate, Evidence, EvidenceKey, State};
    use crate::finding::{Finding, Level};
    use crate::time::Instant;
    use proptest::prelude::*;

    extern crate std;
    use std::string::String;

    fn event() -> Event {
        Event {
            trip: 0,
            stamp: Instant::from_millis(412_500),
            id: 17,
            finding: Finding::IntakeBlocked,
            channel: None,
            item: None,
            level: Level::Alarm,
            state: State::Raised,
            alarm_state: AlarmState::Unacknowledged,
            evidence: Evidence::NONE
                .with(EvidenceKey::Value(Channel::Flow), Some(0))
                .with(EvidenceKey::Normal(Channel::Flow), Some(2_400))
                .with(EvidenceKey::Value(Channel::Head), Some(71_300)),
            candidates: [Some(Candidate { finding: Finding::IntakeBlocked, share_pct: 71 }), None, None],
            replaced_by: None,
        }
    }

    fn line(event: &Event) -> String {
        let mut line = String::new();
        write_event_json(event, &mut line).unwrap();
        line
    }

    #[test]
    fn golden_bytes() {
        assert_eq!(
            line(&event()),
            "{\"trip\":0,\"t_s\":412.500,\"id\":17,\"finding\":\"intake-blocked\",\"family\":\"water\",\
             \"channel\":null,\"level\":\"alarm\",\"state\":\"raised\",\"alarm_state\":\"unacknowledged\",\
             \"evidence\":{\"flow_lpm\":0.0,\"flow_normal_lpm\":2.4,\"head_c\":71.3},\
             \"candidates\":[{\"finding\":\"intake-blocked\",\"share_pct\":71}],\"check\":[\"look-at-intake\"]}\n"
        );
    }

    #[test]
    fn unknown_numbers_sensors_and_replacements() {
        let replaced = Event {
            trip: -1,
            stamp: Instant::from_millis(-5),
            finding: Finding::SensorOpen,
            channel: Some(Channel::Head),
            evidence: Evidence::NONE
                .with(EvidenceKey::EtaHigh, None)
                .with(EvidenceKey::Value(Channel::Rpm), Some(3_001))
                .with(EvidenceKey::Value(Channel::Supply), Some(12_605)),
            candidates: [None; 3],
            replaced_by: Some(18),
            ..event()
        };
        let line = line(&replaced);
        assert!(line.starts_with("{\"trip\":-1,\"t_s\":-0.005,"), "{line}");
        assert!(line.contains(",\"family\":\"sensor\",\"channel\":\"head\","), "{line}");
        assert!(line.contains("\"evidence\":{\"eta_high_s\":null,\"rpm\":750.25,\"supply_v\":12.605}"), "{line}");
        assert!(line.ends_with(",\"candidates\":[],\"check\":[\"look-at-sensor-lead\"],\"by\":18}\n"), "{line}");
    }

    proptest! {
        #[test]
        fn numbers_read_back(thousandths in any::<i64>(), least_places in prop::sample::select(std::vec![1_u32, 3])) {
            let mut text = String::new();
            write_thousandths(&mut text, thousandths, least_places).unwrap();
            let (whole, fraction) = text.split_once('.').unwrap();
            let mut padded = String::from(fraction);
            while padded.len() < 3 {
                padded.push('0');
            }
            let sign = if text.starts_with('-') { -1 } else { 1 };
            let magnitude = whole.trim_start_matches('-').parse::<i128>().unwrap() * 1_000 + padded.parse::<i128>().unwrap();
            prop_assert_eq!(sign * magnitude, i128::from(thousandths));
            prop_assert!(fraction.len() == 1 || fraction.len() as u32 == least_places || !fraction.ends_with('0'));
        }

        #[test]
        fn integers_read_back(value in any::<i64>()) {
            let mut text = String::new();
            write_integer(&mut text, value).unwrap();
            prop_assert_eq!(text.parse::<i64>().unwrap(), value);
        }
    }
}

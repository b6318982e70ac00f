//! `--summary`: what a replay came to, as one JSON object in a file.

use std::fmt::Write as _;

use crate::quality::AlarmQuality;
use crate::replay::Outcome;
use crate::texts;

/// The summary as one line of JSON with its line feed.
#[must_use]
pub fn to_json(outcome: &Outcome) -> String {
    let mut json = format!("{{\"rows_read\":{},\"rows_skipped\":{{", outcome.rows_read);
    list(&mut json, &outcome.rows_skipped, |json, (cause, rows)| {
        string(json, cause);
        push(json, format_args!(":{rows}"));
    });
    json.push_str("},\"not_possible\":[");
    list(&mut json, &outcome.not_possible, |json, entry| {
        push(json, format_args!("{{\"finding\":\"{}\",\"why\":", entry.finding.name()));
        string(json, &texts::why_in_trips(entry.why, &entry.trips, outcome.trips.len()));
        json.push('}');
    });
    json.push_str("],\"trips\":[");
    list(&mut json, &outcome.trips, |json, trip| {
        push(json, format_args!("{{\"trip\":{},\"file\":", trip.trip));
        string(json, &trip.file);
        push(json, format_args!(",\"running_s\":{},\"starts\":{}}}", trip.running_ms / 1_000, trip.starts));
    });
    json.push_str("],\"learned\":[");
    list(&mut json, &outcome.learned, |json, stretch| {
        let (from, to, seconds) = (stretch.from_rpm, stretch.to_rpm, stretch.ticks);
        push(json, format_args!("{{\"rpm_band\":\"{from}-{to}\",\"seconds\":{seconds},\"flow\":"));
        thousandths(json, stretch.flow);
        json.push_str(",\"head\":");
        thousandths(json, stretch.head);
        json.push('}');
    });
    push(&mut json, format_args!("],\"actions_without_effect\":{}", outcome.actions_without_effect));
    alarm_quality(&mut json, &outcome.alarms);
    json.push_str(",\"calibration\":[");
    list(&mut json, texts::calibrations(&outcome.calibration), |json, (channel, words)| {
        push(json, format_args!("{{\"channel\":\"{}\",\"calibration\":", channel.name()));
        string(json, &words);
        json.push('}');
    });
    json.push_str("]}\n");
    json
}

fn alarm_quality(json: &mut String, alarms: &AlarmQuality) {
    let rate = alarms.hundredths_per_10_min();
    push(json, format_args!(",\"alarm_quality\":{{\"raised\":{},", alarms.raised));
    push(json, format_args!("\"per_10_min\":{}.{:02},", rate / 100, rate % 100));
    push(json, format_args!("\"most_in_10_min\":{},\"chattering\":[", alarms.most_in_10_min));
    list(json, &alarms.chattering, |json, name| string(json, name));
    json.push_str("],\"stale\":[");
    list(json, &alarms.stale, |json, name| string(json, name));
    json.push_str("]}");
}

/// Litres a minute or degrees Celsius.
fn thousandths(json: &mut String, raw: Option<i32>) {
    match raw {
        Some(raw) => push(json, format_args!("{:.3}", f64::from(raw) / 1_000.0)),
        None => json.push_str("null"),
    }
}

fn list<T>(json: &mut String, items: impl IntoIterator<Item = T>, mut write: impl FnMut(&mut String, T)) {
    for (position, item) in items.into_iter().enumerate() {
        if position > 0 {
            json.push(',');
        }
        write(json, item);
    }
}

fn push(json: &mut String, text: std::fmt::Arguments<'_>) {
    // Writing to a String cannot fail.
    let _ = json.write_fmt(text);
}

fn string(json: &mut String, text: &str) {
    json.push('"');
    for character in text.chars() {
        match character {
            '"' => json.push_str("\\\""),
            '\\' => json.push_str("\\\\"),
            control if u32::from(control) < 0x20 => push(json, format_args!("\\u{:04x}", u32::from(control))),
            other => json.push(other),
        }
    }
    json.push('"');
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use monitor_core::acquire::supply::DividerRatio;
    use monitor_core::calibration::Calibration;

    use super::*;
    use crate::replay::Trip;

    #[test]
    fn the_keys_and_their_order_are_fixed() {
        let trip = Trip {
            trip: 0,
            file: "a \"b\"\\\n.csv".to_owned(),
            running_ms: 61_999,
            starts: 2,
            raised: 0,
            rows_read: 70,
            rows_skipped: BTreeMap::new(),
            doubts: Vec::new(),
        };
        let outcome = Outcome {
            trips: vec![trip],
            rows_read: 70,
            rows_skipped: BTreeMap::from([("cell count", 2), ("not a number", 1)]),
            actions_without_effect: 3,
            calibration: Calibration {
                supply: DividerRatio::from_millionths(5_700_000).ok(),
                ..Calibration::default()
            },
            ..Outcome::default()
        };
        let expected = concat!(
            r#"{"rows_read":70,"rows_skipped":{"cell count":2,"not a number":1},"not_possible":[],"#,
            r#""trips":[{"trip":0,"file":"a \"b\"\\\u000a.csv","running_s":61,"starts":2}],"#,
            r#""learned":[],"actions_without_effect":3,"#,
            r#""alarm_quality":{"raised":0,"per_10_min":0.00,"most_in_10_min":0,"chattering":[],"stale":[]},"calibration":["#,
            r#"{"channel":"supply","calibration":"voltage divider, ratio 5.7"}]}"#,
            "\n"
        );
        assert_eq!(to_json(&outcome), expected);
    }
}

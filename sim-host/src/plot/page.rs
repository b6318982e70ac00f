//! The page: what stands in it as text, and the numbers that its script draws.

use std::fmt::Write as _;

use monitor_core::acquire::Channel;
use monitor_core::finding::Level;
use monitor_core::units::Quantity;

use super::buckets::{Bucket, STATES, Span};
use super::{PlotFinding, PlotTrip, Recorder, totals};
use crate::html::escaped;
use crate::profile::HostProfile;
use crate::replay::{Outcome, Trip};
use crate::texts;
use crate::timeline::clock;

/// uPlot 1.6.32, MIT licence (`vendor/LICENSE-uplot`), as published on npm. SHA-256 of the two files:
/// 19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f (script) and
/// df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04 (style); a test checks them.
const CHART_LIBRARY: &str = include_str!("vendor/uPlot.iife.min.js");
const CHART_STYLE: &str = include_str!("vendor/uPlot.min.css");
const CHART_LICENCE: &str = include_str!("vendor/LICENSE-uplot");
const SCRIPT: &str = include_str!("page.js");
const STYLE: &str = include_str!("page.css");

/// The whole page.
pub(super) fn to_html(recorder: &Recorder, profile: &HostProfile, outcome: &Outcome) -> String {
    let title =
        profile.name.as_deref().map_or_else(|| "Engine trace".to_owned(), |name| format!("Engine trace: {name}"));
    let title = escaped(&title);
    let mut page = format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{title}</title>\n\
         <style>{CHART_STYLE}\n{STYLE}</style>\n</head>\n<body>\n<header>\n<h1>{title}</h1>\n\
         <p class=\"caution\">{}</p>\n</header>\n<main>\n",
        escaped(texts::CAUTIONS)
    );
    push_controls(&mut page, recorder);
    for trip in &recorder.trips {
        push_trip(&mut page, trip, totals(outcome, trip.trip));
    }
    push_not_possible(&mut page, outcome);
    page.push_str("</main>\n<script type=\"application/json\" id=\"data\">");
    push_data(&mut page, recorder, profile);
    page.push_str("</script>\n");
    // The licence asks to stand in every copy.
    push(
        &mut page,
        format_args!("<script>/*!\n{CHART_LICENCE}*/\n{CHART_LIBRARY}</script>\n<script>{SCRIPT}</script>\n"),
    );
    page.push_str("</body>\n</html>\n");
    page
}

fn push_controls(page: &mut String, recorder: &Recorder) {
    page.push_str("<section class=\"needs-script\" hidden>\n<h2>Charts</h2>\n<div class=\"controls\">\n");
    page.push_str("<label>Trip <select id=\"trip\">");
    for (place, trip) in recorder.trips.iter().enumerate() {
        let (number, file) = (trip.trip, escaped(&trip.file));
        push(page, format_args!("<option value=\"{place}\">{number}: {file}</option>"));
    }
    page.push_str(
        "</select></label>\n<button type=\"button\" id=\"in\">Closer</button>\n\
         <button type=\"button\" id=\"out\">Wider</button>\n<button type=\"button\" id=\"earlier\">Earlier</button>\n\
         <button type=\"button\" id=\"later\">Later</button>\n<button type=\"button\" id=\"all\">All</button>\n</div>\n\
         <p id=\"shown\" class=\"quiet\"></p>\n<details><summary>Moving about</summary>\n<p id=\"how\">Mouse: drag over \
         a span to see it closer, drag with Shift to move, wheel with Ctrl to go closer or wider, double click for all. \
         Touch: one finger moves, two fingers go closer or wider. Keyboard, with the charts in focus: arrows move, + and \
         - go closer and wider, 0 shows all.</p></details>\n\
         <div id=\"charts\" role=\"group\" tabindex=\"0\" aria-label=\"Charts over one time axis\" \
         aria-describedby=\"how\"></div>\n</section>\n<noscript><p>The charts need a script; what was found stands below \
         all the same.</p></noscript>\n",
    );
}

/// What was found in a trip, as text.
fn push_trip(page: &mut String, trip: &PlotTrip, done: Option<&Trip>) {
    let (number, file) = (trip.trip, escaped(&trip.file));
    push(page, format_args!("<section class=\"trip\">\n<h2>What was found in trip {number}, {file}</h2>\n"));
    if let Some(done) = done {
        let running = clock(i64::try_from(done.running_ms).unwrap_or(i64::MAX));
        let total = texts::trip_total(number, &trip.file, &running, done.starts, done.rows_read, done.raised);
        let skipped: Vec<_> = done.rows_skipped.iter().map(|(cause, rows)| (*cause, *rows)).collect();
        let skipped = if skipped.is_empty() { String::new() } else { format!(", {}", texts::rows_skipped(&skipped)) };
        push(page, format_args!("<p>{}.</p>\n", escaped(&format!("{total}{skipped}"))));
        for doubt in &done.doubts {
            push(page, format_args!("<p class=\"quiet\">Note: {}.</p>\n", escaped(&texts::doubt(*doubt))));
        }
    }
    if !trip.findings.is_empty() {
        page.push_str("<ol class=\"findings\">\n");
        for (place, finding) in trip.findings.iter().enumerate() {
            push_finding(page, place, finding);
        }
        page.push_str("</ol>\n");
    }
    if trip.left_out > 0 {
        push(page, format_args!("<p>{} more are not shown here; the events have them all.</p>\n", trip.left_out));
    }
    page.push_str("</section>\n");
}

fn push_finding(page: &mut String, place: usize, finding: &PlotFinding) {
    let from = clock(finding.from_ms);
    let since = if finding.is_carried { "From an earlier trip".to_owned() } else { format!("From {from}") };
    let words = escaped(&finding.words);
    let (level, name) = (texts::level(finding.level), finding.name);
    push(
        page,
        format_args!(
            "<li><p><span class=\"level {name_of_level}\">{level}</span> <strong>{words}</strong> \
             <span class=\"quiet\">[{name}]</span></p>\n<p>{since} ",
            name_of_level = finding.level.name()
        ),
    );
    match &finding.end {
        Some((at_ms, how)) => push(page, format_args!("to {}: {}.</p>\n", clock(*at_ms), escaped(how))),
        None => page.push_str("on; it was not over at the end of the trip.</p>\n"),
    }
    if !finding.evidence.is_empty() {
        push(page, format_args!("<p>When it was raised: {}.</p>\n", escaped(&finding.evidence)));
    }
    push(
        page,
        format_args!(
            "<button type=\"button\" class=\"needs-script\" data-finding=\"{place}\" hidden>Show it in the charts</button>\n"
        ),
    );
    if !finding.checks.is_empty() {
        push(page, format_args!("<details><summary>{}</summary><ol>", escaped(texts::FIRST)));
        for check in &finding.checks {
            push(page, format_args!("<li>{}</li>", escaped(check)));
        }
        page.push_str("</ol></details>\n");
    }
    page.push_str("</li>\n");
}

fn push_not_possible(page: &mut String, outcome: &Outcome) {
    if outcome.not_possible.is_empty() {
        return;
    }
    push(page, format_args!("<section>\n<h2>{}</h2>\n<ul>\n", texts::NOT_POSSIBLE));
    let mut said: Vec<(String, Vec<&str>)> = Vec::new();
    for entry in &outcome.not_possible {
        let why = texts::why_in_trips(entry.why, &entry.trips, outcome.trips.len());
        match said.iter_mut().find(|(known, _)| *known == why) {
            Some((_, findings)) => findings.push(entry.finding.name()),
            None => said.push((why, vec![entry.finding.name()])),
        }
    }
    for (why, findings) in said {
        push(page, format_args!("<li>{}: {}</li>\n", findings.join(", "), escaped(&why)));
    }
    page.push_str("</ul>\n</section>\n");
}

/// The numbers for the script, as JSON in which nothing can end the script element.
fn push_data(page: &mut String, recorder: &Recorder, profile: &HostProfile) {
    page.push_str("{\"states\":[");
    list(page, STATES, |page, state| push(page, format_args!("\"{}\"", state.name())));
    page.push_str("],\"trips\":[");
    list(page, &recorder.trips, |page, trip| push_trip_data(page, trip, profile));
    page.push_str("]}");
}

fn push_trip_data(page: &mut String, trip: &PlotTrip, profile: &HostProfile) {
    let used: Vec<(u64, &Bucket)> = trip.buckets.used().collect();
    push(page, format_args!("{{\"trip\":{},\"width\":{},\"x\":[", trip.trip, seconds(trip.buckets.width_ms())));
    list(page, &used, |page, (start, _)| page.push_str(&seconds(*start)));
    page.push_str("],\"states\":[");
    list(page, &used, |page, (_, bucket)| push(page, format_args!("{}", bucket.states)));
    page.push_str("],\"channels\":[");
    let is_there = |channel: Channel| used.iter().any(|(_, bucket)| span(bucket, channel).is_some());
    list(page, Channel::ALL.into_iter().filter(|channel| is_there(*channel)), |page, channel| {
        push(page, format_args!("{{\"name\":\"{}\",\"label\":\"", channel.name()));
        push(page, format_args!("{}\",\"low\":[", texts::chart_title(channel)));
        list(page, &used, |page, (_, bucket)| push_number(page, channel, span(bucket, channel).map(|(low, _)| low)));
        page.push_str("],\"high\":[");
        list(page, &used, |page, (_, bucket)| push_number(page, channel, span(bucket, channel).map(|(_, high)| high)));
        page.push_str("],\"bounds\":[");
        list(page, bounds(channel, profile), |page, bound| bound.push(page, channel));
        page.push_str("]}");
    });
    page.push_str("],\"findings\":[");
    list(page, &trip.findings, push_finding_data);
    page.push_str("]}");
}

fn push_finding_data(page: &mut String, finding: &PlotFinding) {
    let level = match finding.level {
        Level::Alarm => "A",
        Level::Warning => "W",
        Level::Caution => "C",
    };
    push(page, format_args!("{{\"words\":\"{}\",\"level\":\"{level}\",", json_text(&finding.words)));
    let milli = |ms: i64| format!("{}{}", if ms < 0 { "-" } else { "" }, seconds(ms.unsigned_abs()));
    push(page, format_args!("\"from\":{},\"to\":", milli(finding.from_ms)));
    match &finding.end {
        Some((at_ms, _)) => page.push_str(&milli(*at_ms)),
        None => page.push_str("null"),
    }
    page.push('}');
}

fn span(bucket: &Bucket, channel: Channel) -> Span {
    bucket.spans.get(channel.index()).copied().flatten()
}

/// A line or a band to compare a channel with: a limit has one side, a range two. What is normal for this engine is a
/// range too.
struct Bound {
    label: &'static str,
    low: Option<i32>,
    high: Option<i32>,
}

impl Bound {
    fn push(&self, page: &mut String, channel: Channel) {
        push(page, format_args!("{{\"label\":\"{}\",\"low\":", self.label));
        push_number(page, channel, self.low);
        page.push_str(",\"high\":");
        push_number(page, channel, self.high);
        page.push('}');
    }
}

fn bounds(channel: Channel, profile: &HostProfile) -> Vec<Bound> {
    let core = &profile.core;
    let at_most = |label, value| vec![Bound { label, low: None, high: Some(value) }];
    let at_least = |label, value| vec![Bound { label, low: Some(value), high: None }];
    match channel {
        Channel::Rpm => {
            vec![Bound {
                label: "idle to maximum of the handbook",
                low: Some(core.idle.raw()),
                high: Some(core.max.raw()),
            }]
        }
        Channel::Head => at_most("limit", core.head_limit_or_default().raw()),
        Channel::Flow => core.flow_min.map_or_else(Vec::new, |flow| at_least("least the meter can show", flow.raw())),
        Channel::Supply => {
            core.electric.map_or_else(Vec::new, |electric| at_least("least when charging", electric.charging_min.raw()))
        }
        Channel::Oil => core.oil_min.map_or_else(Vec::new, |oil| at_least("least when running", oil.raw())),
        Channel::Speed | Channel::Water => Vec::new(),
    }
}

/// A raw value in the unit of its channel, with no more decimals than it has; `null` where there is none.
fn push_number(page: &mut String, channel: Channel, raw: Option<i32>) {
    let Some(raw) = raw else { return page.push_str("null") };
    let thousandths = i64::from(raw) * if channel == Channel::Rpm { 250 } else { 1 };
    let sign = if thousandths < 0 { "-" } else { "" };
    page.push_str(sign);
    page.push_str(&seconds(thousandths.unsigned_abs()));
}

/// Thousandths as a decimal without zeros at its end.
fn seconds(thousandths: u64) -> String {
    let (whole, rest) = (thousandths / 1_000, thousandths % 1_000);
    if rest == 0 {
        return whole.to_string();
    }
    format!("{whole}.{rest:03}").trim_end_matches('0').to_owned()
}

fn list<T>(page: &mut String, items: impl IntoIterator<Item = T>, mut write: impl FnMut(&mut String, T)) {
    for (place, item) in items.into_iter().enumerate() {
        if place > 0 {
            page.push(',');
        }
        write(page, item);
    }
}

fn push(page: &mut String, text: std::fmt::Arguments<'_>) {
    // Writing to a String cannot fail.
    let _ = page.write_fmt(text);
}

/// A text as it stands in a JSON string inside a script element.
fn json_text(text: &str) -> String {
    text.replace('\\', "\\\\").replace('"', "\\\"").replace('<', "\\u003c").replace(char::is_control, " ")
}

#[cfg(test)]
mod tests {
    use sha2::{Digest, Sha256};

    use super::*;

    #[test]
    fn the_chart_library_is_the_one_that_is_named() {
        let files = [
            (CHART_LIBRARY, "19c8d4c6ad88929a79f4ae49d6f7161566dfd0ba3d15cc495e974f787eb78f1f"),
            (CHART_STYLE, "df630c6a8d6f8eeaff264b50f73ce5b114f646ffd9a0bb74f049b0a00135fa04"),
        ];
        for (text, expected) in files {
            let sum: String = Sha256::digest(text.as_bytes()).iter().map(|byte| format!("{byte:02x}")).collect();
            assert_eq!(sum, expected);
        }
        assert!(CHART_LICENCE.contains("MIT") && !CHART_LICENCE.contains("*/"));
        for script in [CHART_LIBRARY, SCRIPT] {
            assert!(!script.contains("</script"), "nothing ends the element early");
        }
    }

    #[test]
    fn numbers_have_the_decimals_they_need() {
        let cases = [(Channel::Rpm, 3_218, "804.5"), (Channel::Head, -1_800, "-1.8"), (Channel::Oil, 158_000, "158")];
        for (channel, raw, expected) in cases {
            let mut page = String::new();
            push_number(&mut page, channel, Some(raw));
            assert_eq!(page, expected);
        }
        let mut page = String::new();
        push_number(&mut page, Channel::Flow, None);
        assert_eq!(page, "null");
    }

    #[test]
    fn names_of_files_and_boats_can_end_nothing() {
        let nasty = "</script><b>\"\\\n&";
        assert_eq!(escaped(nasty), "&lt;/script&gt;&lt;b&gt;&quot;\\\n&amp;");
        assert_eq!(json_text(nasty), "\\u003c/script>\\u003cb>\\\"\\\\ &");
    }
}

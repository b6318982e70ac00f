//! The events as a mechanic reads them: when, what, how bad, what to do first. 80 columns, no colour.

use std::collections::{BTreeSet, VecDeque};
use std::io::{self, Write};

use monitor_core::event::{Event, EvidenceItem, EvidenceKey, State};
use monitor_core::finding::Finding;
use monitor_core::time::Instant;

use crate::replay::{EventSink, TripStart};
use crate::texts;

const WIDTH: usize = 80;
/// Where the text begins: behind `hhh:mm:ss` and two blanks.
const INDENT: usize = 11;
const MARGIN: &str = "           ";
/// Causes are looked up by id when a `replaced` names them; the cause stands right before, so a few are enough.
const REMEMBERED_IDS: usize = 32;

/// Writes the events of a replay as text.
#[derive(Debug)]
pub struct Timeline<W> {
    out: W,
    boat: Option<String>,
    heading: Option<String>,
    trip_start: Instant,
    raised: VecDeque<(u32, Finding)>,
    checks_shown: BTreeSet<&'static str>,
}

impl<W: Write> Timeline<W> {
    /// A timeline of the engine of `boat`, written to `out`.
    pub fn new(out: W, boat: Option<String>) -> Self {
        Self {
            out,
            boat,
            heading: None,
            trip_start: Instant::default(),
            raised: VecDeque::new(),
            checks_shown: BTreeSet::new(),
        }
    }

    fn headline(&self, event: &Event) -> String {
        let by = event.replaced_by.and_then(|id| self.raised.iter().find(|(raised, _)| *raised == id));
        let by = by.map(|(_, cause)| texts::finding(*cause, None));
        let what = texts::finding_of(event);
        let how_bad = texts::later_state(event.state, event.alarm_state, event.level, by.as_deref());
        format!("{what}: {how_bad} [{}]", event.finding.name())
    }

    fn remember(&mut self, event: &Event) {
        if self.raised.len() == REMEMBERED_IDS {
            self.raised.pop_front();
        }
        self.raised.push_back((event.id, event.finding));
    }

    /// First checks of a finding; what already stands in this trip is not said again.
    fn write_checks(&mut self, finding: Finding) -> io::Result<()> {
        let checks = monitor_core::advise::checks(finding);
        let new: Vec<_> = checks.iter().filter(|id| !self.checks_shown.contains(*id)).collect();
        let heading = match new.len() {
            _ if checks.is_empty() => return Ok(()),
            all if all == checks.len() => texts::FIRST,
            0 => texts::FIRST_AS_BEFORE,
            _ => texts::FIRST_AS_BEFORE_AND,
        };
        write_wrapped(&mut self.out, MARGIN, heading, INDENT)?;
        for (number, id) in (1..).zip(new) {
            self.checks_shown.insert(id);
            write_wrapped(&mut self.out, &format!("{MARGIN}{number}. "), texts::check(id), INDENT + 3)?;
        }
        Ok(())
    }
}

impl<W: Write> EventSink for Timeline<W> {
    fn begin_trip(&mut self, trip: &TripStart<'_>) -> io::Result<()> {
        // A trip without events gets no heading: standard output carries events only.
        self.heading = Some(texts::trip_heading(trip.trip, trip.file, self.boat.as_deref()));
        self.trip_start = trip.first;
        self.checks_shown.clear();
        Ok(())
    }

    fn event(&mut self, event: &Event) -> io::Result<()> {
        if let Some(heading) = self.heading.take() {
            write_wrapped(&mut self.out, "", &heading, 0)?;
        }
        if event.state == State::Raised {
            self.remember(event);
        }
        let time = clock(event.stamp.as_millis().saturating_sub(self.trip_start.as_millis()));
        let headline = self.headline(event);
        write_wrapped(&mut self.out, &format!("{time:>9}  "), &headline, INDENT)?;
        if event.state == State::Cleared {
            // How it stands at the end tells why it ended: the water is back, or the engine stopped.
            let now: Vec<_> = event.evidence.iter().filter(says_how_it_stands).filter_map(|item| said(&item)).collect();
            if !now.is_empty() {
                write_wrapped(&mut self.out, MARGIN, &now.join(", "), INDENT)?;
            }
        }
        if !matches!(event.state, State::Raised | State::LevelChanged) {
            return Ok(());
        }
        let evidence = evidence_texts(event);
        if !evidence.is_empty() {
            write_wrapped(&mut self.out, MARGIN, &evidence.join(", "), INDENT)?;
        }
        let causes: Vec<_> = event.candidates.iter().flatten().map(|cause| (cause.finding, cause.share_pct)).collect();
        // A cause that is its own only candidate says nothing new.
        if causes.iter().any(|(cause, _)| *cause != event.finding) {
            write_wrapped(&mut self.out, MARGIN, &texts::candidates(&causes), INDENT)?;
        }
        if event.state == State::Raised {
            self.write_checks(event.finding)?;
        }
        Ok(())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

/// Hours, minutes and seconds, rounded down; a clock that stepped back before the first row gives a minus sign.
pub(crate) fn clock(millis: i64) -> String {
    let seconds = millis.div_euclid(1_000);
    let (sign, seconds) = if seconds < 0 { ("-", seconds.unsigned_abs()) } else { ("", seconds.unsigned_abs()) };
    format!("{sign}{}:{:02}:{:02}", seconds / 3_600, seconds / 60 % 60, seconds % 60)
}

/// Writes `text` in lines of 80 columns: the first one behind `lead`, the others indented by `rest`.
pub(crate) fn write_wrapped(out: &mut dyn Write, lead: &str, text: &str, rest: usize) -> io::Result<()> {
    let mut line = lead.to_owned();
    let mut column = lead.chars().count();
    let mut at_start = true;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if !at_start && column + 1 + length > WIDTH {
            writeln!(out, "{line}")?;
            line = " ".repeat(rest);
            column = rest;
            at_start = true;
        }
        if !at_start {
            line.push(' ');
            column += 1;
        }
        line.push_str(word);
        column += length;
        at_start = false;
    }
    writeln!(out, "{line}")
}

fn says_how_it_stands(item: &EvidenceItem) -> bool {
    matches!(item.key, EvidenceKey::Value(_)) && item.value.is_some()
}

fn said(item: &EvidenceItem) -> Option<String> {
    let EvidenceKey::Value(channel) = item.key else { return None };
    let thousandths = i64::from(item.value?) * i64::from(item.key.milli_per_raw());
    Some(texts::value(channel, Some(&rounded(thousandths, decimals(item.key)))))
}

/// The numbers that speak for a finding; the three times to the limit make one.
pub(crate) fn evidence_texts(event: &Event) -> Vec<String> {
    let number = |item: &EvidenceItem| {
        let thousandths = i64::from(item.value?) * i64::from(item.key.milli_per_raw());
        Some(rounded(thousandths, decimals(item.key)))
    };
    let value_of = |key| event.evidence.iter().find(|item| item.key == key).and_then(|item| number(&item));
    let mut said = Vec::new();
    for item in event.evidence.iter() {
        match item.key {
            EvidenceKey::Eta => {
                let (low, high) = (value_of(EvidenceKey::EtaLow), value_of(EvidenceKey::EtaHigh));
                said.push(texts::time_to_limit(number(&item).as_deref(), low.as_deref(), high.as_deref()));
            }
            EvidenceKey::HoursLeft => {
                let ends = (value_of(EvidenceKey::HoursLeftLow), value_of(EvidenceKey::HoursLeftHigh));
                said.push(texts::hours_left(number(&item).as_deref(), ends.0.as_deref(), ends.1.as_deref()));
            }
            EvidenceKey::EtaLow | EvidenceKey::EtaHigh | EvidenceKey::HoursLeftLow | EvidenceKey::HoursLeftHigh => {}
            EvidenceKey::Value(channel) => said.push(texts::value(channel, number(&item).as_deref())),
            EvidenceKey::Normal(channel) => said.push(texts::normal(channel, number(&item).as_deref())),
            EvidenceKey::Limit(channel) => said.push(texts::limit(channel, number(&item).as_deref())),
        }
    }
    said
}

/// As many places as a mechanic can use.
fn decimals(key: EvidenceKey) -> u32 {
    use monitor_core::acquire::Channel::{Oil, Rpm};
    match key {
        EvidenceKey::Value(Rpm | Oil) | EvidenceKey::Normal(Rpm | Oil) | EvidenceKey::Limit(Rpm | Oil) => 0,
        EvidenceKey::Eta | EvidenceKey::EtaLow | EvidenceKey::EtaHigh => 0,
        _ => 1,
    }
}

/// Thousandths with 0 or 1 decimals, rounded half away from zero.
fn rounded(thousandths: i64, decimals: u32) -> String {
    let step: u64 = if decimals == 0 { 1_000 } else { 100 };
    let steps = (thousandths.unsigned_abs() + step / 2) / step;
    let sign = if thousandths < 0 && steps > 0 { "-" } else { "" };
    if decimals == 0 { format!("{sign}{steps}") } else { format!("{sign}{}.{}", steps / 10, steps % 10) }
}

#[cfg(test)]
mod tests {
    use monitor_core::acquire::Channel;
    use monitor_core::event::{AlarmState, Candidate, Evidence};
    use monitor_core::finding::Level;

    use super::*;

    fn event(finding: Finding, state: State) -> Event {
        Event {
            trip: 0,
            stamp: Instant::from_millis(412_500),
            id: 1,
            finding,
            channel: None,
            item: None,
            level: Level::Alarm,
            state,
            alarm_state: AlarmState::Unacknowledged,
            evidence: Evidence::NONE,
            candidates: [None; 3],
            replaced_by: None,
        }
    }

    fn text_of(events: &[Event]) -> String {
        let mut bytes = Vec::new();
        let mut timeline = Timeline::new(&mut bytes, Some("Skiff 3".to_owned()));
        let first = Instant::from_millis(500);
        timeline.begin_trip(&TripStart { trip: 0, file: "boat.csv", first }).unwrap();
        for event in events {
            timeline.event(event).unwrap();
        }
        String::from_utf8(bytes).unwrap()
    }

    #[test]
    fn a_raised_finding_says_when_what_how_bad_and_what_first() {
        let mut raised = event(Finding::StreamLost, State::Raised);
        raised.evidence = Evidence::NONE
            .with(EvidenceKey::Value(Channel::Flow), Some(0))
            .with(EvidenceKey::Normal(Channel::Flow), Some(2_449))
            .with(EvidenceKey::Value(Channel::Head), Some(71_250));
        raised.candidates[0] = Some(Candidate { finding: Finding::IntakeBlocked, share_pct: 71 });
        let text = text_of(&[raised]);
        let lines: Vec<_> = text.lines().collect();
        assert_eq!(lines[0], "Skiff 3, trip 0, boat.csv (hours:minutes:seconds from its first row)");
        assert_eq!(lines[1], "  0:06:52  The stream of cooling water has gone: ALARM [stream-lost]");
        assert_eq!(lines[2], "           telltale 0.0 L/min, normal 2.4 L/min, head 71.3 °C");
        assert_eq!(lines[3], "           Likely: The water intake is blocked (71 %)");
        assert_eq!(lines[4], "           What to do first:");
        assert!(lines[5].trim_start().starts_with("1. Ease off"), "{text}");
    }

    #[test]
    fn no_line_is_longer_than_80_columns() {
        for finding in Finding::ALL {
            let mut raised = event(finding, State::Raised);
            raised.channel = Some(Channel::Water);
            raised.candidates = [Some(Candidate { finding: Finding::TelltalePlugged, share_pct: 33 }); 3];
            let text = text_of(&[raised, event(finding, State::Cleared)]);
            let headline = text.lines().nth(1).unwrap();
            assert!(headline.ends_with(&format!("[{}]", finding.name())), "{text}");
            let longest = text.lines().map(|line| line.chars().count()).max();
            assert!(longest <= Some(WIDTH), "{text}");
        }
    }

    #[test]
    fn first_checks_stand_once_in_a_trip() {
        let raised = event(Finding::StreamLost, State::Raised);
        let text = text_of(&[raised, raised]);
        assert_eq!(text.matches("1. Ease off").count(), 1, "{text}");
        assert_eq!(text.matches(texts::FIRST_AS_BEFORE).count(), 1, "{text}");
        let text = text_of(&[raised, event(Finding::HeadOverLimit, State::Raised)]);
        assert_eq!(text.matches("Ease off to idle").count(), 1, "{text}");
        assert_eq!(text.matches(texts::FIRST_AS_BEFORE_AND).count(), 1, "{text}");
    }

    #[test]
    fn the_time_to_the_limit_is_one_number_with_its_interval() {
        let cases = [
            ("all known", Some(85), Some(75), Some(98), "limit in about 85 s (75 to 98 s)"),
            ("no later end", Some(85), Some(75), None, "limit in about 85 s (75 s or more)"),
            ("earlier end only", None, Some(75), None, "limit not before 75 s"),
            ("nothing known", None, None, None, "no estimate of the time to the limit"),
        ];
        for (name, eta, low, high, expected) in cases {
            let mut raised = event(Finding::HeadClimbing, State::Raised);
            raised.evidence = Evidence::NONE
                .with(EvidenceKey::Value(Channel::Head), Some(71_000))
                .with(EvidenceKey::Eta, eta)
                .with(EvidenceKey::EtaLow, low)
                .with(EvidenceKey::EtaHigh, high);
            let text = text_of(&[raised]);
            assert!(text.contains(&format!("head 71.0 °C, {expected}\n")), "{name}: {text}");
        }
    }

    #[test]
    fn a_replaced_finding_names_its_cause() {
        let mut cause = event(Finding::IntakeBlocked, State::Raised);
        cause.id = 9;
        let mut replaced = event(Finding::StreamLost, State::Replaced);
        replaced.replaced_by = Some(9);
        let text = text_of(&[cause, replaced]);
        let said = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(said.contains("has gone: cause found: The water intake is blocked"), "{text}");
    }

    #[test]
    fn every_check_of_the_core_has_a_text() {
        for finding in Finding::ALL {
            for id in monitor_core::advise::checks(finding) {
                assert_ne!(texts::check(id), *id, "{finding:?}");
            }
        }
    }

    #[test]
    fn clock_and_numbers_are_rounded_as_said() {
        let clocks =
            [(0, "0:00:00"), (999, "0:00:00"), (3_661_000, "1:01:01"), (-1, "-0:00:01"), (360_000_000, "100:00:00")];
        for (millis, expected) in clocks {
            assert_eq!(clock(millis), expected);
        }
        let numbers = [(71_250, 1, "71.3"), (-50, 1, "-0.1"), (-49, 1, "0.0"), (1_500, 0, "2"), (-1_500, 0, "-2")];
        for (thousandths, places, expected) in numbers {
            assert_eq!(rounded(thousandths, places), expected);
        }
    }
}

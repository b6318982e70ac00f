//! The report as one JSON object; keys as in `docs/trial.md`.

use serde::Serialize;

use super::Report;
use super::statistics::Interval;
use super::tally::{FindingTally, Tally};

#[derive(Serialize)]
struct Whole {
    scenarios: Vec<Scenario>,
    baseline: Vec<Scenario>,
    families: Vec<Family>,
}

#[derive(Serialize)]
struct Scenario {
    file: String,
    runs: u32,
    findings: Vec<Finding>,
    running_h: f64,
    healthy_h: f64,
    false_in_health: u64,
    false_per_1000_h: Option<f64>,
    false_per_1000_h_low: Option<f64>,
    false_per_1000_h_high: Option<f64>,
    events_lost: u64,
}

#[derive(Serialize)]
struct Finding {
    finding: &'static str,
    found: u64,
    first_cause_right: u64,
    r#false: u64,
    lead_s: Option<f64>,
    labels: u64,
    detectable: u64,
    found_low: Option<f64>,
    found_high: Option<f64>,
    family_found: u64,
    noticed: u64,
    cause_judged: u64,
    false_in_health: u64,
    delay_s: Option<f64>,
    delay_90_s: Option<f64>,
    overheated: usize,
    lead_possible_s: Option<f64>,
}

#[derive(Serialize)]
struct Family {
    family: &'static str,
    labels: u64,
    detectable: u64,
    found: u64,
    found_low: Option<f64>,
    found_high: Option<f64>,
    cause_judged: u64,
    first_cause_right: u64,
    false_in_health: u64,
    lead_s: Option<f64>,
}

/// The report as one line with its line feed.
///
/// # Errors
/// The text cannot be made, which no report brings about.
pub fn to_json(report: &Report) -> Result<String, serde_json::Error> {
    let total = report.total(|scenario| &scenario.ours);
    let scenarios = report.scenarios.iter();
    let whole = Whole {
        scenarios: scenarios.clone().map(|one| scenario(&one.file, report.runs, &one.ours)).collect(),
        baseline: scenarios.map(|one| scenario(&one.file, report.runs, &one.baseline)).collect(),
        families: total.families().iter().map(|(family, tally)| of_family(family.name(), tally)).collect(),
    };
    let mut text = serde_json::to_string(&whole)?;
    text.push('\n');
    Ok(text)
}

fn scenario(file: &str, runs: u32, tally: &Tally) -> Scenario {
    let false_in_health = tally.false_in_health();
    let rate = tally.false_rate(false_in_health);
    Scenario {
        file: file.to_owned(),
        runs,
        findings: tally.findings.iter().map(|(finding, tally)| of_finding(finding.name(), tally)).collect(),
        running_h: short(tally.running_h()),
        healthy_h: short(tally.healthy_h()),
        false_in_health,
        false_per_1000_h: rate.map(|(rate, _)| short(rate)),
        false_per_1000_h_low: low(rate.map(|(_, interval)| interval)),
        false_per_1000_h_high: high(rate.map(|(_, interval)| interval)),
        events_lost: tally.events_lost,
    }
}

fn of_finding(finding: &'static str, tally: &FindingTally) -> Finding {
    Finding {
        finding,
        found: tally.found,
        first_cause_right: tally.cause_right,
        r#false: tally.false_findings(),
        lead_s: tally.lead_s().map(short),
        labels: tally.labels,
        detectable: tally.detectable,
        found_low: low(tally.found_interval()),
        found_high: high(tally.found_interval()),
        family_found: tally.family_found,
        noticed: tally.noticed,
        cause_judged: tally.cause_judged,
        false_in_health: tally.false_in_health,
        delay_s: tally.delay_s(0.5).map(short),
        delay_90_s: tally.delay_s(0.9).map(short),
        overheated: tally.leads.len(),
        lead_possible_s: tally.lead_possible_s().map(short),
    }
}

fn of_family(family: &'static str, tally: &FindingTally) -> Family {
    let interval = tally.family_found_interval();
    Family {
        family,
        labels: tally.labels,
        detectable: tally.detectable,
        found: tally.family_found,
        found_low: low(interval),
        found_high: high(interval),
        cause_judged: tally.cause_judged,
        first_cause_right: tally.cause_right,
        false_in_health: tally.false_in_health,
        lead_s: tally.lead_s().map(short),
    }
}

fn low(interval: Option<Interval>) -> Option<f64> {
    interval.map(|interval| short(interval.low))
}

fn high(interval: Option<Interval>) -> Option<f64> {
    interval.map(|interval| short(interval.high))
}

/// Four decimals are all that such figures bear.
fn short(number: f64) -> f64 {
    (number * 10_000.0).round() / 10_000.0
}

#[cfg(test)]
mod tests {
    use super::super::{ScenarioReport, Sweep, Worst};
    use super::*;

    #[test]
    fn the_first_keys_and_their_order_are_fixed() {
        let mut ours = Tally { healthy_ms: 3_600_000_000, ..Tally::default() };
        let tally = ours.findings.entry(monitor_core::finding::Finding::IntakeBlocked).or_default();
        *tally = FindingTally {
            labels: 3,
            detectable: 2,
            found: 1,
            cause_right: 1,
            false_beside: 4,
            ..FindingTally::default()
        };
        tally.delays_ms = vec![Some(2_500), None];
        let scenarios = vec![ScenarioReport { file: "a \"b\".toml".to_owned(), ours, baseline: Tally::default() }];
        let report = Report { runs: 3, scenarios, sweep: Sweep::default(), worst: Worst::default() };
        let json = to_json(&report).unwrap();
        let expected = concat!(
            r#"{"scenarios":[{"file":"a \"b\".toml","runs":3,"findings":[{"finding":"intake-blocked","found":1,"#,
            r#""first_cause_right":1,"false":4,"lead_s":null,"#
        );
        assert!(json.starts_with(expected), "{json}");
        let values: serde_json::Value = serde_json::from_str(&json).unwrap();
        assert_eq!(values["scenarios"][0]["findings"][0]["delay_s"], serde_json::Value::Null, "half were never found");
        assert_eq!(values["scenarios"][0]["false_per_1000_h_high"], 3.6889, "no false one in 1,000 h: Garwood's 3.689");
        assert_eq!(values["baseline"][0]["runs"], 3);
        assert_eq!(values["families"][0]["family"], "water");
    }
}

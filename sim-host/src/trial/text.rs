//! The report as tables to read.

use std::fmt::{self, Write as _};

use monitor_core::finding::{Family, Finding};

use super::Report;
use super::relations::PAIRS;
use super::statistics::{Interval, quantile};
use super::tally::{Band, FindingTally, Tally};

const BANDS: [Band; 5] = [Band::Idle, Band::To50, Band::To70, Band::To90, Band::Above];

/// The whole report.
#[must_use]
pub fn to_text(report: &Report) -> String {
    let mut text = String::new();
    // Writing to a String cannot fail.
    let _ = write_all(&mut text, report);
    text
}

fn write_all(text: &mut String, report: &Report) -> fmt::Result {
    let ours = report.total(|scenario| &scenario.ours);
    let baseline = report.total(|scenario| &scenario.baseline);
    writeln!(text, "scenarios: {}, runs of each: {}\n", report.scenarios.len(), report.runs)?;
    for (family, tally) in ours.families() {
        write_family(text, family, &tally, &ours, &baseline)?;
    }
    write_health(text, "monitor", &ours)?;
    write_health(text, "baseline", &baseline)?;
    if ours.events_lost > 0 {
        writeln!(text, "events that the monitor lost: {}", ours.events_lost)?;
    }
    write_leads(text, &ours, &baseline)?;
    writeln!(text, "\nNot told apart, either name counts as found, and which came first is not counted:")?;
    for (one, other, why) in PAIRS {
        writeln!(text, "  {one} and {other}: {why}")?;
    }
    writeln!(text, "\nIntervals of 95 %. How all this is counted stands in docs/trial.md.")
}

fn write_family(
    text: &mut String,
    family: Family,
    tally: &FindingTally,
    ours: &Tally,
    baseline: &Tally,
) -> fmt::Result {
    writeln!(text, "{}", family.name())?;
    writeln!(
        text,
        "  {:<24} {:>6} {:>6} {:>24} {:>12} {:>8} {:>8} {:>6} {:>6} {:>9}",
        "finding", "faults", "seen", "found of seen", "cause first", "median", "90 %", "false", "health", "baseline"
    )?;
    let findings = ours.findings.iter().filter(|(finding, _)| finding.family() == family);
    for (finding, tally) in findings {
        let beside = baseline.findings.get(finding).cloned().unwrap_or_default();
        write_row(text, finding.name(), &Found::by_name(tally), tally, &beside)?;
    }
    let beside = baseline.families().remove(&family).unwrap_or_default();
    write_row(text, "all of the family", &Found::by_family(tally), tally, &beside)?;
    writeln!(text)
}

/// How many were found and how soon, as it is written.
pub(super) struct Found {
    /// How many of those that show in the numbers.
    pub(super) share: String,
    /// Median delay.
    pub(super) median: String,
    /// Within what time nine of ten were found.
    pub(super) ninety: String,
}

impl Found {
    /// Found by the right name.
    pub(super) fn by_name(tally: &FindingTally) -> Self {
        Self {
            share: proportion(tally.found, tally.detectable, tally.found_interval()),
            median: delay(tally, tally.delay_s(0.5)),
            ninety: delay(tally, tally.delay_s(0.9)),
        }
    }

    /// Found by anything of the family.
    pub(super) fn by_family(tally: &FindingTally) -> Self {
        Self {
            share: proportion(tally.family_found, tally.detectable, tally.family_found_interval()),
            median: delay(tally, tally.family_delay_s(0.5)),
            ninety: delay(tally, tally.family_delay_s(0.9)),
        }
    }
}

fn write_row(
    text: &mut String,
    name: &str,
    found: &Found,
    tally: &FindingTally,
    baseline: &FindingTally,
) -> fmt::Result {
    writeln!(
        text,
        "  {:<24} {:>6} {:>6} {:>24} {:>12} {:>8} {:>8} {:>6} {:>6} {:>9}",
        name,
        tally.labels,
        tally.detectable,
        found.share,
        of(tally.cause_right, tally.cause_judged),
        found.median,
        found.ninety,
        tally.false_findings(),
        tally.false_in_health,
        of(baseline.found, baseline.detectable),
    )
}

fn write_health(text: &mut String, who: &str, tally: &Tally) -> fmt::Result {
    let events = tally.false_in_health();
    write!(text, "{who}: {events} false in {:.1} h of health", tally.healthy_h())?;
    match tally.false_rate(events) {
        Some((rate, interval)) => {
            writeln!(text, ", {rate:.2} in 1,000 h ({:.2} to {:.2})", interval.low, interval.high)
        }
        None => writeln!(text),
    }
}

/// Leads by finding and band, where any head passed its limit.
fn write_leads(text: &mut String, ours: &Tally, baseline: &Tally) -> fmt::Result {
    if ours.findings.values().all(|tally| tally.leads.is_empty()) {
        return Ok(());
    }
    writeln!(
        text,
        "\nFrom the first warning to the head limit, seconds (negative: after it; possible: from when the fault shows, median)"
    )?;
    writeln!(
        text,
        "  {:<24} {:<9} {:>6} {:>8} {:>9} {:>9} {:>9} {:>9}",
        "finding", "speed", "heads", "unwarned", "lowest", "median", "possible", "baseline"
    )?;
    for (finding, tally) in &ours.findings {
        for band in BANDS {
            write_lead(text, *finding, tally, baseline.findings.get(finding), band)?;
        }
    }
    Ok(())
}

fn write_lead(
    text: &mut String,
    finding: Finding,
    tally: &FindingTally,
    baseline: Option<&FindingTally>,
    band: Band,
) -> fmt::Result {
    let leads = tally.sorted_leads_s(Some(band));
    let (Some(lowest), Some(median)) = (leads.first(), quantile(&leads, 0.5)) else { return Ok(()) };
    let unwarned = tally.leads.iter().filter(|(of, lead)| *of == band && lead.unwarned).count();
    let possible = quantile(&tally.sorted_most_leads_s(Some(band)), 0.5);
    let beside = baseline.and_then(|tally| quantile(&tally.sorted_leads_s(Some(band)), 0.5));
    writeln!(
        text,
        "  {:<24} {:<9} {:>6} {:>8} {:>9.0} {:>9.0} {:>9} {:>9}",
        finding.name(),
        band.name(),
        leads.len(),
        unwarned,
        lowest,
        median,
        possible.map_or_else(|| "-".to_owned(), |most| format!("{most:.0}")),
        beside.map_or_else(|| "-".to_owned(), |lead| format!("{lead:.0}"))
    )
}

/// `38 of 40, 84 to 99 %`.
fn proportion(part: u64, whole: u64, interval: Option<Interval>) -> String {
    match interval {
        Some(interval) => {
            format!("{part} of {whole}, {:.0} to {:.0} %", interval.low * 100.0, interval.high * 100.0)
        }
        None => "-".to_owned(),
    }
}

/// `38 of 40`, or a dash where there is nothing.
pub(super) fn of(part: u64, whole: u64) -> String {
    if whole == 0 { "-".to_owned() } else { format!("{part} of {whole}") }
}

/// A delay over the faults of a tally: a dash where there are none, `never` where so many were not found.
fn delay(tally: &FindingTally, seconds: Option<f64>) -> String {
    match seconds {
        _ if tally.detectable == 0 => "-".to_owned(),
        None => "never".to_owned(),
        Some(seconds) => duration(seconds),
    }
}

/// Seconds, minutes or hours.
fn duration(seconds: f64) -> String {
    match seconds {
        short if short < 600.0 => format!("{short:.0} s"),
        long if long < 36_000.0 => format!("{:.0} min", long / 60.0),
        longest => format!("{:.0} h", longest / 3_600.0),
    }
}

#[cfg(test)]
mod tests {
    use super::super::matching::Lead;
    use super::super::{ScenarioReport, Sweep, Worst};
    use super::*;

    #[test]
    fn the_tables_say_what_was_counted() {
        let mut ours = Tally { healthy_ms: 3_600_000 * 500, ..Tally::default() };
        let lead = |lead_ms, unwarned| (Band::To70, Lead { lead_ms, most_ms: 95_000, unwarned, rpm: 3_000.0 });
        let tally = FindingTally {
            labels: 5,
            detectable: 4,
            found: 3,
            family_found: 4,
            cause_judged: 4,
            cause_right: 2,
            false_in_health: 1,
            delays_ms: vec![Some(1_000), Some(2_000), Some(3_000), None],
            family_delays_ms: vec![Some(1_000), Some(2_000), Some(3_000), Some(4_000)],
            leads: vec![lead(-40_000, true), lead(60_000, false), lead(90_000, false)],
            ..FindingTally::default()
        };
        ours.findings.insert(Finding::IntakeBlocked, tally);
        let mut baseline = Tally::default();
        let beside = FindingTally { detectable: 4, found: 1, ..FindingTally::default() };
        baseline.findings.insert(Finding::IntakeBlocked, beside);
        let scenarios = vec![ScenarioReport { file: "a.toml".to_owned(), ours, baseline }];
        let report = Report { runs: 5, scenarios, sweep: Sweep::default(), worst: Worst::default() };
        let text = to_text(&report);
        let said = text.split_whitespace().collect::<Vec<_>>().join(" ");
        let expected = [
            "scenarios: 1, runs of each: 5 water finding",
            "intake-blocked 5 4 3 of 4, 30 to 95 % 2 of 4 2 s never 1 1 1 of 4",
            "all of the family 5 4 4 of 4, 51 to 100 % 2 of 4 2 s 4 s",
            "monitor: 1 false in 500.0 h of health, 2.00 in 1,000 h (0.05 to 11.14)",
            "baseline: 0 false in 0.0 h of health",
            "intake-blocked to-70 3 1 -40 60 95 -",
            "telltale-plugged and sensor-stuck",
        ];
        for part in expected {
            assert!(said.contains(part), "{part}\n{text}");
        }
    }

    #[test]
    fn durations_are_short() {
        let cases = [(9.4, "9 s"), (1_200.0, "20 min"), (90_000.0, "25 h")];
        for (seconds, expected) in cases {
            assert_eq!(duration(seconds), expected);
        }
    }
}

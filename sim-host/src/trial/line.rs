//! The report as one line, so that many trials make a table.

use std::fmt::Write as _;

use monitor_core::finding::Family;

use super::Report;
use super::tally::FindingTally;

/// The families in the order in which they are shown; care, which no plant has a say in, is left out.
const FAMILIES: [Family; 7] =
    [Family::Water, Family::Heat, Family::Oil, Family::Drive, Family::Running, Family::Electric, Family::Sensor];

/// A heading and the line: for each family how many of 100 were found by anything of the family, and of how many the right
/// cause came first; then false findings in 1,000 h of health.
#[must_use]
pub fn to_line(report: &Report) -> String {
    let ours = report.total(|scenario| &scenario.ours);
    let families = ours.families();
    let (mut heading, mut line) = (String::new(), String::new());
    for family in FAMILIES {
        let said = families.get(&family).map_or_else(|| "-".to_owned(), shares);
        // Writing to a String cannot fail.
        let _ = write!(heading, "{:>10}", family.name());
        let _ = write!(line, "{said:>10}");
    }
    let rate = ours.false_rate(ours.false_in_health()).map_or_else(
        || "-".to_owned(),
        |(rate, interval)| format!("{rate:.1} ({:.1} to {:.1})", interval.low, interval.high),
    );
    let _ = writeln!(heading, "{:>26}{:>9}", "false in 1,000 h", "hours");
    let _ = writeln!(line, "{rate:>26}{:>9.0}", ours.healthy_h());
    heading + &line
}

/// `98/91`: of 100 found, and of 100 with the right cause first.
fn shares(tally: &FindingTally) -> String {
    let of_100 = |part: u64, whole: u64| (part * 100 + whole / 2).checked_div(whole);
    let text = |share: Option<u64>| share.map_or_else(|| "-".to_owned(), |share| share.to_string());
    let found = of_100(tally.family_found, tally.detectable);
    format!("{}/{}", text(found), text(of_100(tally.cause_right, tally.cause_judged)))
}

#[cfg(test)]
mod tests {
    use super::super::tally::Tally;
    use super::super::{ScenarioReport, Sweep, Worst};
    use super::*;
    use monitor_core::finding::Finding;

    #[test]
    fn one_line_under_its_heading() {
        let mut ours = Tally { healthy_ms: 3_600_000 * 500, ..Tally::default() };
        let found = FindingTally {
            detectable: 3,
            family_found: 2,
            cause_judged: 8,
            cause_right: 1,
            false_in_health: 1,
            ..FindingTally::default()
        };
        ours.findings.insert(Finding::VaneLost, found);
        ours.findings.insert(Finding::OverSpeed, FindingTally::default());
        let scenarios = vec![ScenarioReport { file: "a.toml".to_owned(), ours, baseline: Tally::default() }];
        let report = Report { runs: 5, scenarios, sweep: Sweep::default(), worst: Worst::default() };
        let text = to_line(&report);
        let [heading, line] = text.lines().collect::<Vec<_>>()[..] else { panic!("{text}") };
        assert_eq!(heading.len(), line.len());
        let words: Vec<_> = line.split_whitespace().collect();
        assert_eq!(words, ["67/13", "-", "-", "-/-", "-", "-", "-", "2.0", "(0.1", "to", "11.1)", "500"]);
    }
}

//! The worst cases, kept so that they can be looked at again.

use std::cmp::Reverse;

use super::fault::Moment;
use super::matching::{CauseFirst, Judgement, Verdict};
use super::relations::Named;

/// So many of each kind are kept.
const KEPT: usize = 12;

/// A run that can be made again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Case {
    /// The scenario file.
    pub(super) file: String,
    /// The variation over it.
    pub(super) vary: Option<String>,
    /// The seed of the run.
    pub(super) seed: u64,
    /// Whether a commissioning run comes first.
    pub(super) is_commissioned: bool,
}

/// One thing that went wrong in a run.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Bad {
    /// The run.
    pub(super) case: Case,
    /// What it is about.
    pub(super) named: Named,
    /// When: the onset of the fault, or the raising of what is false.
    pub(super) at: Moment,
    /// How bad the fault was, 0 to 1; 0 of what is false.
    pub(super) severity: f64,
    /// Delay or lead in milliseconds, where it has one.
    pub(super) millis: i64,
}

/// The worst of each kind, worst first.
#[derive(Debug, Default)]
pub(super) struct Worst {
    /// Faults that make a difference and were not found; the severest first.
    pub(super) missed: Vec<Bad>,
    /// Raised with nothing wrong.
    pub(super) false_in_health: Vec<Bad>,
    /// Raised beside a fault that does not explain it.
    pub(super) false_beside: Vec<Bad>,
    /// Warned least long before the head passed its limit.
    pub(super) least_lead: Vec<Bad>,
    /// Found after the longest time.
    pub(super) latest: Vec<Bad>,
    /// Found, and a wrong cause was raised first.
    pub(super) wrong_cause: Vec<Bad>,
}

impl Worst {
    /// Looks through what was made of a run.
    pub(super) fn add(&mut self, case: &Case, judgement: &Judgement) {
        for verdict in &judgement.verdicts {
            self.add_fault(case, verdict);
        }
        for said in &judgement.false_findings {
            let kind = if said.in_health { &mut self.false_in_health } else { &mut self.false_beside };
            let bad = Bad { case: case.clone(), named: said.named, at: said.raised, severity: 0.0, millis: 0 };
            keep(kind, bad, |_| 0);
        }
    }

    fn add_fault(&mut self, case: &Case, verdict: &Verdict) {
        let fault = &verdict.fault;
        let bad =
            |millis| Bad { case: case.clone(), named: fault.named, at: fault.onset, severity: fault.severity, millis };
        if let Some(lead) = verdict.lead {
            keep(&mut self.least_lead, bad(lead.lead_ms), |bad| bad.millis);
        }
        if fault.detectable.is_none() {
            return;
        }
        match verdict.found_after_ms {
            None => keep(&mut self.missed, bad(0), |bad| Reverse(thousandths(bad.severity))),
            Some(after_ms) => {
                keep(&mut self.latest, bad(after_ms), |bad| Reverse(bad.millis));
                if verdict.cause == CauseFirst::Wrong {
                    keep(&mut self.wrong_cause, bad(after_ms), |bad| Reverse(thousandths(bad.severity)));
                }
            }
        }
    }
}

/// Severity as a whole number, so that it has an order.
fn thousandths(severity: f64) -> i64 {
    super::fault::millis(severity)
}

/// Keeps the first of a list in order; of equals, those that came first.
fn keep<K: Ord>(kept: &mut Vec<Bad>, bad: Bad, rank: impl Fn(&Bad) -> K) {
    let place = kept.partition_point(|other| rank(other) <= rank(&bad));
    if place < KEPT {
        kept.insert(place, bad);
        kept.truncate(KEPT);
    }
}

#[cfg(test)]
mod tests {
    use monitor_core::finding::Finding;

    use super::*;

    #[test]
    fn the_worst_are_kept_and_the_first_of_equals() {
        let mut kept = Vec::new();
        for (seed, millis) in (0_u64..).zip([5, 1, 3, 1].into_iter().cycle().take(40)) {
            let case = Case { file: "a.toml".to_owned(), vary: None, seed, is_commissioned: false };
            let named = Named { finding: Finding::IntakeBlocked, channel: None };
            let at = Moment { trip: 0, at_ms: 0 };
            keep(&mut kept, Bad { case, named, at, severity: 1.0, millis }, |bad| bad.millis);
        }
        let seeds: Vec<_> = kept.iter().map(|bad| bad.case.seed).collect();
        assert_eq!(seeds, [1, 3, 5, 7, 9, 11, 13, 15, 17, 19, 21, 23]);
    }
}

//! A threshold moved: what would be found, and what would be false, had every finding waited longer.

use super::episode::Episode;
use super::matching::{History, judge};
use super::statistics::{Interval, count, poisson, wilson};

/// How much longer every finding waits, in seconds.
pub(super) const WAITS_S: [u16; 10] = [0, 2, 5, 10, 20, 30, 60, 120, 300, 600];

/// Counts for each wait.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Sweep {
    steps: [Counts; WAITS_S.len()],
    healthy_ms: i64,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Counts {
    detectable: u64,
    found: u64,
    false_in_health: u64,
}

/// What one wait would bring.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point {
    /// The wait in seconds.
    pub(super) wait_s: u16,
    /// Share found, with its interval.
    pub(super) found: Option<(f64, Interval)>,
    /// False findings in 1,000 h of health, with their interval.
    pub(super) false_per_1000_h: Option<(f64, Interval)>,
}

impl Sweep {
    /// Judges one run again for each wait.
    pub(super) fn of(history: &History, episodes: &[Episode], healthy_ms: i64) -> Self {
        let steps = WAITS_S.map(|wait_s| {
            let wait_ms = i64::from(wait_s) * 1_000;
            let judgement = judge(history, &waited(episodes, wait_ms));
            let detectable = || judgement.verdicts.iter().filter(|verdict| verdict.fault.detectable.is_some());
            Counts {
                detectable: whole(detectable().count()),
                found: whole(detectable().filter(|verdict| verdict.found_after_ms.is_some()).count()),
                false_in_health: whole(judgement.false_findings.iter().filter(|said| said.in_health).count()),
            }
        });
        Self { steps, healthy_ms }
    }

    /// Adds another run.
    pub(super) fn merge(&mut self, other: &Self) {
        for (step, more) in self.steps.iter_mut().zip(other.steps) {
            step.detectable += more.detectable;
            step.found += more.found;
            step.false_in_health += more.false_in_health;
        }
        self.healthy_ms += other.healthy_ms;
    }

    /// What each wait would bring.
    pub(super) fn points(&self) -> Vec<Point> {
        #[expect(clippy::cast_precision_loss, reason = "exact for two hundred thousand years")]
        let hours = self.healthy_ms as f64 / 3_600_000.0;
        let steps = WAITS_S.into_iter().zip(self.steps);
        steps
            .map(|(wait_s, step)| Point {
                wait_s,
                found: wilson(step.found, step.detectable)
                    .map(|interval| (count(step.found) / count(step.detectable), interval)),
                false_per_1000_h: (hours > 0.0).then(|| {
                    let factor = 1_000.0 / hours;
                    (count(step.false_in_health) * factor, poisson(step.false_in_health).scaled(factor))
                }),
            })
            .collect()
    }
}

fn whole(number: usize) -> u64 {
    u64::try_from(number).unwrap_or(u64::MAX)
}

/// The episodes that would be left had each waited: those that ended meanwhile were never raised. They keep the moment at
/// which they began, so that what began before a fault is not found by waiting for it.
fn waited(episodes: &[Episode], wait_ms: i64) -> Vec<Episode> {
    let stood = |episode: &&Episode| episode.gone.is_none_or(|gone| gone > episode.raised.later(wait_ms));
    episodes.iter().filter(stood).copied().collect()
}

#[cfg(test)]
mod tests {
    use monitor_core::finding::Finding;

    use super::super::fault::{Fault, Moment};
    use super::super::relations::Named;
    use super::*;

    #[test]
    fn short_ones_go_first() {
        let at = |seconds: i64| Moment { trip: 0, at_ms: seconds * 1_000 };
        let named = Named { finding: Finding::ChargeLost, channel: None };
        let fault = Fault {
            named,
            onset: at(1_000),
            detectable: Some(at(1_000)),
            end: Moment::end_of_trip(0),
            mended: false,
            severity: 1.0,
        };
        let history = History { faults: vec![fault], ..History::default() };
        let said = |raised, gone| Episode { named, raised: at(raised), run_began: None, warned: None, gone };
        // The last one began before the fault and stands for long: waiting for the fault does not make it right.
        let episodes = [said(100, Some(at(125))), said(1_060, Some(at(1_200))), said(900, Some(at(2_000)))];
        let mut sweep = Sweep::of(&history, &episodes, 3_600_000);
        sweep.merge(&sweep.clone());
        let points = sweep.points();
        let seen: Vec<_> = points
            .iter()
            .map(|point| (point.wait_s, point.found.unwrap().0, point.false_per_1000_h.unwrap().0))
            .collect();
        assert_eq!(seen[0], (0, 1.0, 2_000.0));
        assert_eq!(seen[4], (20, 1.0, 2_000.0));
        assert_eq!(seen[5], (30, 1.0, 1_000.0));
        assert_eq!(seen[7], (120, 1.0, 1_000.0));
        assert_eq!(seen[8], (300, 0.0, 1_000.0));
    }
}

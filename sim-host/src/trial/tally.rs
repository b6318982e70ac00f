//! Adds up what was made of many runs.

use std::collections::BTreeMap;

use monitor_core::finding::{Family, Finding};

use super::matching::{CauseFirst, Judgement, Lead, Verdict};
use super::observe::Speeds;
use super::statistics::{Interval, count, poisson, quantile, wilson};

/// Hours of which the rate of false findings is said.
const RATE_HOURS: f64 = 1_000.0;

/// Who is scored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Scored {
    /// The monitor: found is what bears the right name.
    Monitor,
    /// The comparators, which know no names: found is whatever they say because of the fault.
    Baseline,
}

/// Load at which the head passed its limit: the bands of hours, by share of rated speed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Band {
    /// Up to 1.25 times idle.
    Idle,
    /// Up to 50 % of rated speed.
    To50,
    /// Up to 70 %.
    To70,
    /// Up to 90 %.
    To90,
    /// Above that.
    Above,
}

impl Band {
    /// Its name in reports.
    #[must_use]
    pub(super) const fn name(self) -> &'static str {
        match self {
            Self::Idle => "idle",
            Self::To50 => "to-50",
            Self::To70 => "to-70",
            Self::To90 => "to-90",
            Self::Above => "above-90",
        }
    }

    /// The band of a speed in rpm.
    #[must_use]
    pub(super) fn of(rpm: f64, speeds: Speeds) -> Self {
        let rated = f64::from(speeds.rated);
        if rpm <= f64::from(speeds.idle) * 1.25 {
            return Self::Idle;
        }
        let bands = [(Self::To50, 0.5), (Self::To70, 0.7), (Self::To90, 0.9)];
        bands.into_iter().find(|(_, share)| rpm <= rated * share).map_or(Self::Above, |(band, _)| band)
    }
}

/// What was made of one finding, or of a family.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct FindingTally {
    /// Faults.
    pub(super) labels: u64,
    /// Those that make a difference to what is measured; all counts below are of these.
    pub(super) detectable: u64,
    /// Found by name.
    pub(super) found: u64,
    /// Found by anything of the same family.
    pub(super) family_found: u64,
    /// Found by anything that the fault explains.
    pub(super) noticed: u64,
    /// Those over which the cause is counted.
    pub(super) cause_judged: u64,
    /// The right cause was raised first.
    pub(super) cause_right: u64,
    /// Raised without a fault, while all was well.
    pub(super) false_in_health: u64,
    /// Raised without being explained, beside a fault.
    pub(super) false_beside: u64,
    /// Delay in milliseconds of each detectable fault; `None` was missed.
    pub(super) delays_ms: Vec<Option<i64>>,
    /// The same until anything of its family was raised for it.
    pub(super) family_delays_ms: Vec<Option<i64>>,
    /// Those with which the head passed its limit.
    pub(super) leads: Vec<(Band, Lead)>,
}

impl FindingTally {
    /// Adds one fault.
    pub(super) fn add(&mut self, verdict: &Verdict, scored: Scored, speeds: Speeds) {
        self.labels += 1;
        if let Some(lead) = verdict.lead {
            self.leads.push((Band::of(lead.rpm, speeds), lead));
        }
        if verdict.fault.detectable.is_none() {
            return;
        }
        let found_after_ms = match scored {
            Scored::Monitor => verdict.found_after_ms,
            Scored::Baseline => verdict.noticed_after_ms,
        };
        self.detectable += 1;
        self.found += u64::from(found_after_ms.is_some());
        self.family_found += u64::from(verdict.family_after_ms.is_some());
        self.noticed += u64::from(verdict.noticed_after_ms.is_some());
        self.cause_judged += u64::from(verdict.cause != CauseFirst::Twin);
        self.cause_right += u64::from(verdict.cause == CauseFirst::Right);
        self.delays_ms.push(found_after_ms);
        self.family_delays_ms.push(verdict.family_after_ms);
    }

    /// Adds another tally to this one.
    pub(super) fn merge(&mut self, other: &Self) {
        self.labels += other.labels;
        self.detectable += other.detectable;
        self.found += other.found;
        self.family_found += other.family_found;
        self.noticed += other.noticed;
        self.cause_judged += other.cause_judged;
        self.cause_right += other.cause_right;
        self.false_in_health += other.false_in_health;
        self.false_beside += other.false_beside;
        self.delays_ms.extend_from_slice(&other.delays_ms);
        self.family_delays_ms.extend_from_slice(&other.family_delays_ms);
        self.leads.extend_from_slice(&other.leads);
    }

    /// Everything raised that nothing explains.
    #[must_use]
    pub(super) const fn false_findings(&self) -> u64 {
        self.false_in_health + self.false_beside
    }

    /// The interval of the share found by name.
    #[must_use]
    pub(super) fn found_interval(&self) -> Option<Interval> {
        wilson(self.found, self.detectable)
    }

    /// The interval of the share found by anything of the family.
    #[must_use]
    pub(super) fn family_found_interval(&self) -> Option<Interval> {
        wilson(self.family_found, self.detectable)
    }

    /// The delay within which that share of the faults was found by name, in seconds; `None` where it never was.
    #[must_use]
    pub(super) fn delay_s(&self, share: f64) -> Option<f64> {
        quantile(&sorted_delays_s(&self.delays_ms), share).filter(|delay| delay.is_finite())
    }

    /// The same by anything of the family.
    #[must_use]
    pub(super) fn family_delay_s(&self, share: f64) -> Option<f64> {
        quantile(&sorted_delays_s(&self.family_delays_ms), share).filter(|delay| delay.is_finite())
    }

    /// Median lead in seconds, the late and the missed ones among them.
    #[must_use]
    pub(super) fn lead_s(&self) -> Option<f64> {
        quantile(&self.sorted_leads_s(None), 0.5)
    }

    /// Median of the leads that were possible, in seconds.
    #[must_use]
    pub(super) fn lead_possible_s(&self) -> Option<f64> {
        quantile(&self.sorted_most_leads_s(None), 0.5)
    }

    /// Leads in seconds, rising, of one band or of all.
    #[must_use]
    pub(super) fn sorted_leads_s(&self, band: Option<Band>) -> Vec<f64> {
        sorted(self.leads_of(band).map(|lead| seconds(lead.lead_ms)))
    }

    /// The leads that were possible, likewise.
    #[must_use]
    pub(super) fn sorted_most_leads_s(&self, band: Option<Band>) -> Vec<f64> {
        sorted(self.leads_of(band).map(|lead| seconds(lead.most_ms)))
    }

    fn leads_of(&self, band: Option<Band>) -> impl Iterator<Item = &Lead> {
        self.leads.iter().filter(move |(of, _)| band.is_none_or(|band| band == *of)).map(|(_, lead)| lead)
    }
}

/// Delays in seconds, rising; a missed fault is found after infinite time.
pub(super) fn sorted_delays_s(delays_ms: &[Option<i64>]) -> Vec<f64> {
    sorted(delays_ms.iter().map(|delay| delay.map_or(f64::INFINITY, seconds)))
}

fn sorted(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    values
}

/// Milliseconds as seconds.
#[expect(clippy::cast_precision_loss, reason = "exact for two hundred thousand years")]
fn seconds(millis: i64) -> f64 {
    millis as f64 / 1_000.0
}

/// What was made of one scenario, or of several.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Tally {
    /// By finding: of the label, and for false ones the one that was raised.
    pub(super) findings: BTreeMap<Finding, FindingTally>,
    /// Milliseconds that engines ran.
    pub(super) running_ms: i64,
    /// Those of them in health.
    pub(super) healthy_ms: i64,
    /// Events that the monitor lost.
    pub(super) events_lost: u64,
}

impl Tally {
    /// Adds what was made of a run.
    pub(super) fn add(&mut self, judgement: &Judgement, scored: Scored, speeds: Speeds) {
        for verdict in &judgement.verdicts {
            self.findings.entry(verdict.fault.named.finding).or_default().add(verdict, scored, speeds);
        }
        for false_finding in &judgement.false_findings {
            let tally = self.findings.entry(false_finding.named.finding).or_default();
            if false_finding.in_health {
                tally.false_in_health += 1;
            } else {
                tally.false_beside += 1;
            }
        }
    }

    /// Adds another tally to this one.
    pub(super) fn merge(&mut self, other: &Self) {
        for (finding, tally) in &other.findings {
            self.findings.entry(*finding).or_default().merge(tally);
        }
        self.running_ms += other.running_ms;
        self.healthy_ms += other.healthy_ms;
        self.events_lost += other.events_lost;
    }

    /// The same by family, in the order in which families are shown.
    #[must_use]
    pub(super) fn families(&self) -> BTreeMap<Family, FindingTally> {
        let mut families = BTreeMap::<_, FindingTally>::new();
        for (finding, tally) in &self.findings {
            families.entry(finding.family()).or_default().merge(tally);
        }
        families
    }

    /// False findings while all was well.
    #[must_use]
    pub(super) fn false_in_health(&self) -> u64 {
        self.findings.values().map(|tally| tally.false_in_health).sum()
    }

    /// Hours that engines ran.
    #[must_use]
    pub(super) fn running_h(&self) -> f64 {
        seconds(self.running_ms) / 3_600.0
    }

    /// Hours that engines ran in health.
    #[must_use]
    pub(super) fn healthy_h(&self) -> f64 {
        seconds(self.healthy_ms) / 3_600.0
    }

    /// False findings in 1,000 h of health with their interval; `None` without such hours.
    #[must_use]
    pub(super) fn false_rate(&self, events: u64) -> Option<(f64, Interval)> {
        let hours = self.healthy_h();
        let factor = RATE_HOURS / hours;
        (hours > 0.0).then(|| (count(events) * factor, poisson(events).scaled(factor)))
    }
}

#[cfg(test)]
mod tests {
    use super::super::fault::{Fault, Moment};
    use super::super::matching::FalseFinding;
    use super::super::relations::Named;
    use super::*;

    const SPEEDS: Speeds = Speeds { idle: 800, rated: 5_000 };

    fn verdict(found_after_ms: Option<i64>, cause: CauseFirst, detectable: bool) -> Verdict {
        let onset = Moment { trip: 0, at_ms: 0 };
        let fault = Fault {
            named: Named { finding: Finding::IntakeBlocked, channel: None },
            onset,
            detectable: detectable.then_some(onset),
            end: Moment::end_of_trip(0),
            mended: false,
            severity: 1.0,
        };
        let noticed_after_ms = found_after_ms.map(|after| after / 2);
        Verdict { fault, found_after_ms, family_after_ms: noticed_after_ms, noticed_after_ms, cause, lead: None }
    }

    #[test]
    fn faults_that_cannot_be_seen_are_counted_apart() {
        let mut tally = FindingTally::default();
        tally.add(&verdict(Some(4_000), CauseFirst::Right, true), Scored::Monitor, SPEEDS);
        tally.add(&verdict(None, CauseFirst::Wrong, true), Scored::Monitor, SPEEDS);
        tally.add(&verdict(Some(8_000), CauseFirst::Twin, true), Scored::Monitor, SPEEDS);
        tally.add(&verdict(None, CauseFirst::Wrong, false), Scored::Monitor, SPEEDS);
        assert_eq!((tally.labels, tally.detectable, tally.found), (4, 3, 2));
        assert_eq!((tally.cause_judged, tally.cause_right), (2, 1), "a twin is not counted");
        assert_eq!(tally.delay_s(0.5), Some(8.0), "the missed one is the slowest of three");
        assert_eq!(tally.delay_s(0.9), None, "nine of ten were never found");
    }

    #[test]
    fn the_baseline_knows_no_names() {
        let mut tally = FindingTally::default();
        tally.add(&verdict(Some(4_000), CauseFirst::Wrong, true), Scored::Baseline, SPEEDS);
        assert_eq!((tally.found, tally.delay_s(0.5)), (1, Some(2.0)));
    }

    #[test]
    fn rates_are_of_hours_in_health_only() {
        let mut tally = Tally { running_ms: 9_000 * 3_600_000, healthy_ms: 3_000 * 3_600_000, ..Tally::default() };
        let named = Named { finding: Finding::HubSlipping, channel: None };
        let raised = Moment { trip: 0, at_ms: 0 };
        let false_findings = [true, true, false].map(|in_health| FalseFinding { named, raised, in_health }).to_vec();
        tally.add(&Judgement { verdicts: Vec::new(), false_findings }, Scored::Monitor, SPEEDS);
        let (rate, interval) = tally.false_rate(tally.false_in_health()).unwrap();
        assert!((rate - 2.0 / 3.0).abs() < 1e-9);
        assert!((interval.high - 7.225 / 3.0).abs() < 0.001, "{interval:?}");
        assert_eq!(tally.families()[&Family::Drive].false_findings(), 3);
        assert_eq!(Tally::default().false_rate(0), None, "no hours, no rate");
    }

    #[test]
    fn bands_end_where_they_are_said_to_end() {
        let cases = [
            (1_000.0, Band::Idle),
            (1_001.0, Band::To50),
            (2_500.0, Band::To50),
            (3_500.0, Band::To70),
            (4_500.0, Band::To90),
            (4_501.0, Band::Above),
        ];
        for (rpm, band) in cases {
            assert_eq!(Band::of(rpm, SPEEDS), band, "{rpm} rpm");
        }
    }
}

//! Holds what was said against what was so, by the rules of `docs/trial.md`.

use monitor_core::finding::{Family, Finding, Kind};

use super::episode::Episode;
use super::fault::{Fault, Moment};
use super::relations::{Named, Relation, SINCE_START_MS, Since, relation};

/// After the end of a fault, what it brought about may still be said for this long, in milliseconds.
const GRACE_MS: i64 = 60_000;
/// The same for findings of the heat family: metal stays hot. Also how long after a fault the engine is no longer in health.
const HEAT_GRACE_MS: i64 = 300_000;

/// A stretch of time in one trip during which the engine ran.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Stretch {
    /// The trip.
    pub(super) trip: i16,
    /// Its first moment, in milliseconds.
    pub(super) from_ms: i64,
    /// Its last moment, in milliseconds.
    pub(super) to_ms: i64,
}

/// The true head of the running engine passes its limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Overheat {
    /// When.
    pub(super) at: Moment,
    /// True engine speed at that moment, in rpm.
    pub(super) rpm: f64,
    /// Last sample of that trip, in milliseconds.
    pub(super) trip_ends_ms: i64,
}

/// What really happened in a run.
#[derive(Debug, Clone, Default)]
pub(super) struct History {
    /// The faults, by onset.
    pub(super) faults: Vec<Fault>,
    /// When the engine ran.
    pub(super) running: Vec<Stretch>,
    /// When the head passed its limit.
    pub(super) overheats: Vec<Overheat>,
}

/// Whether the right cause was raised first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum CauseFirst {
    /// It was.
    Right,
    /// Another one was, or none.
    Wrong,
    /// A name that cannot be told apart from the right one: not counted.
    Twin,
}

/// A head that passed the limit because of a fault.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Lead {
    /// From the first warning or alarm to the limit, in milliseconds; negative where it came after it.
    pub(super) lead_ms: i64,
    /// From the moment when the fault could first be noticed, of a condition from its onset, to the limit, in milliseconds.
    pub(super) most_ms: i64,
    /// Whether there was none at all; it then counts as if it had come at the end of the trip.
    pub(super) unwarned: bool,
    /// True engine speed at the limit, in rpm.
    pub(super) rpm: f64,
}

/// What was made of one fault.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Verdict {
    /// The fault.
    pub(super) fault: Fault,
    /// Found, and how long after it could be, in milliseconds.
    pub(super) found_after_ms: Option<i64>,
    /// Something of its family was raised for it, and how long after it could be, in milliseconds.
    pub(super) family_after_ms: Option<i64>,
    /// Something was raised for it, and how long after it could be, in milliseconds.
    pub(super) noticed_after_ms: Option<i64>,
    /// Whether the right cause was raised first.
    pub(super) cause: CauseFirst,
    /// Where the head passed its limit because of it.
    pub(super) lead: Option<Lead>,
}

/// An episode that no fault explains.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct FalseFinding {
    /// What was said.
    pub(super) named: Named,
    /// When.
    pub(super) raised: Moment,
    /// No fault was there, nor had been for some time.
    pub(super) in_health: bool,
}

/// What was made of one run.
#[derive(Debug, Clone, Default)]
pub(super) struct Judgement {
    /// One for each fault.
    pub(super) verdicts: Vec<Verdict>,
    /// What nothing explains.
    pub(super) false_findings: Vec<FalseFinding>,
}

/// Judges the episodes of one run, given in the order in which they were raised.
#[must_use]
pub(super) fn judge(history: &History, episodes: &[Episode]) -> Judgement {
    let faults = &history.faults;
    let explained = |episode: &Episode| faults.iter().any(|fault| standing(fault, episode) != Relation::Unexplained);
    let is_false = |episode: &&Episode| !explained(episode);
    Judgement {
        verdicts: faults.iter().map(|fault| verdict(history, fault, episodes)).collect(),
        false_findings: episodes
            .iter()
            .filter(is_false)
            .map(|episode| FalseFinding {
                named: episode.named,
                raised: episode.raised,
                in_health: is_health(faults, episode.raised),
            })
            .collect(),
    }
}

/// Whether no fault is there and none has been for some time.
fn is_health(faults: &[Fault], at: Moment) -> bool {
    faults.iter().all(|fault| at < fault.onset || at > fault.over(HEAT_GRACE_MS))
}

/// Milliseconds that the engine ran, and those of them in health.
#[must_use]
pub(super) fn running_ms(history: &History) -> (i64, i64) {
    let total = history.running.iter().map(|stretch| stretch.to_ms - stretch.from_ms).sum();
    let healthy = history.running.iter().map(|stretch| healthy_ms(&history.faults, stretch)).sum();
    (total, healthy)
}

/// The part of a stretch that no fault covers. Faults are in order of onset.
fn healthy_ms(faults: &[Fault], stretch: &Stretch) -> i64 {
    let at = |at_ms| Moment { trip: stretch.trip, at_ms };
    let mut healthy = 0;
    let mut from = at(stretch.from_ms);
    for fault in faults {
        if fault.onset > from {
            healthy += fault.onset.min(at(stretch.to_ms)).at_ms - from.at_ms;
        }
        let over = fault.over(HEAT_GRACE_MS);
        if over > from {
            from = over;
        }
        if from >= at(stretch.to_ms) {
            return healthy;
        }
    }
    healthy + stretch.to_ms - from.at_ms
}

/// What an episode is to a fault, its time taken into account.
fn standing(fault: &Fault, episode: &Episode) -> Relation {
    let grace = if episode.named.finding.family() == Family::Heat { HEAT_GRACE_MS } else { GRACE_MS };
    if episode.raised < fault.onset || episode.raised > fault.over(grace) || is_too_early(fault, episode) {
        return Relation::Unexplained;
    }
    let since = episode.run_began.map_or_else(Since::default, |began| Since {
        just_started: episode.raised <= began.later(SINCE_START_MS),
        fault_before_start: fault.onset <= began,
    });
    relation(fault.named, episode.named, since)
}

/// Whether it came and went before there was anything to see.
fn is_too_early(fault: &Fault, episode: &Episode) -> bool {
    fault.detectable.is_some_and(|detectable| episode.gone.is_some_and(|gone| gone < detectable))
}

fn verdict(history: &History, fault: &Fault, episodes: &[Episode]) -> Verdict {
    let told: Vec<(&Episode, Relation)> = episodes
        .iter()
        .map(|episode| (episode, standing_among(&history.faults, fault, episode)))
        .filter(|(_, relation)| *relation != Relation::Unexplained)
        .collect();
    let detectable = fault.detectable.unwrap_or(fault.onset);
    let family = fault.named.finding.family();
    let after_ms = |counts: &dyn Fn(&Episode, Relation) -> bool| {
        let first = told.iter().find(|(episode, relation)| counts(episode, *relation));
        first.map(|(episode, _)| delay_ms(history, detectable, episode.raised))
    };
    let found_after_ms = after_ms(&|_, relation| matches!(relation, Relation::Own | Relation::Twin));
    Verdict {
        fault: *fault,
        found_after_ms,
        family_after_ms: after_ms(&|episode, _| episode.named.finding.family() == family),
        noticed_after_ms: after_ms(&|_, _| true),
        cause: cause_first(fault, &told, found_after_ms.is_some()),
        lead: lead(history, fault, &told),
    }
}

/// As [`standing`], among other faults: what names one of them is its own, and no rival here.
fn standing_among(faults: &[Fault], fault: &Fault, episode: &Episode) -> Relation {
    let here = standing(fault, episode);
    let named_here = |other: &&Fault| standing(other, episode) == Relation::Own;
    let owner = faults.iter().filter(named_here).max_by_key(|other| other.onset);
    match (here, owner) {
        (Relation::Rival | Relation::Twin, Some(_)) => Relation::Unexplained,
        (Relation::Own, Some(owner)) if owner.onset != fault.onset => Relation::Unexplained,
        _ => here,
    }
}

/// From when it could be found to when it was. In a later trip, the time between two trips counts nothing.
fn delay_ms(history: &History, detectable: Moment, raised: Moment) -> i64 {
    if raised <= detectable {
        return 0;
    }
    if raised.trip == detectable.trip {
        return raised.at_ms - detectable.at_ms;
    }
    let mut passed = 0;
    for stretch in &history.running {
        let from = detectable.max(Moment { trip: stretch.trip, at_ms: stretch.from_ms });
        let to = raised.min(Moment { trip: stretch.trip, at_ms: stretch.to_ms });
        if from.trip == stretch.trip && to.trip == stretch.trip && to > from {
            passed += to.at_ms - from.at_ms;
        }
    }
    passed
}

fn cause_first(fault: &Fault, told: &[(&Episode, Relation)], found: bool) -> CauseFirst {
    let is_cause = |finding: Finding| finding.kind() == Kind::Cause;
    if !is_cause(fault.named.finding) {
        // Its causes explain it; a wrong one for a condition is unexplained, and counted as false.
        return if found { CauseFirst::Right } else { CauseFirst::Wrong };
    }
    let first = told
        .iter()
        .find(|(episode, relation)| *relation != Relation::Consequence && is_cause(episode.named.finding))
        .map(|(_, relation)| relation);
    match first {
        Some(Relation::Own) if found => CauseFirst::Right,
        Some(Relation::Twin) => CauseFirst::Twin,
        _ => CauseFirst::Wrong,
    }
}

fn lead(history: &History, fault: &Fault, told: &[(&Episode, Relation)]) -> Option<Lead> {
    let over_limit = Named { finding: Finding::HeadOverLimit, channel: None };
    if relation(fault.named, over_limit, Since::default()) == Relation::Unexplained {
        return None;
    }
    let window = fault.onset..=fault.over(HEAT_GRACE_MS);
    let overheat = history.overheats.iter().find(|overheat| window.contains(&overheat.at))?;
    let warned = told.iter().filter_map(|(episode, _)| episode.warned).min();
    let end = Moment { trip: overheat.at.trip, at_ms: overheat.trip_ends_ms };
    let warned = warned.filter(|warned| *warned <= end);
    // Earlier trips count from the moment when this one began.
    let since = |moment: Moment| {
        let from_ms = if moment.trip < overheat.at.trip { first_ms(history, overheat.at.trip) } else { moment.at_ms };
        overheat.at.at_ms - from_ms
    };
    // A condition of the head shows when it is late already; what brings it about can be seen from its onset on.
    let is_cause = fault.named.finding.kind() == Kind::Cause;
    let shows = fault.detectable.filter(|_| is_cause).unwrap_or(fault.onset);
    let most_ms = since(shows).max(0);
    Some(Lead { lead_ms: since(warned.unwrap_or(end)), most_ms, unwarned: warned.is_none(), rpm: overheat.rpm })
}

fn first_ms(history: &History, trip: i16) -> i64 {
    history.running.iter().find(|stretch| stretch.trip == trip).map_or(0, |stretch| stretch.from_ms)
}

#[cfg(test)]
mod tests;

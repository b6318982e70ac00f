//! Which pulses belong together: from pulses to a train of agreeing periods that can be believed.
//!
//! One pulse proves nothing. A rate is believed once several periods agree; from then on each period is
//! compared with the belief:
//! - it agrees: it counts;
//! - it is too short, but with the short ones before it makes one whole period: extra pulses, the train goes on;
//! - it does not agree: it is set aside, and counts only if several like it follow (a real step);
//! - it is closer than physically possible: never counted, and too many of them end the belief.
//!
//! A step by a ratio of almost exactly 2 or ½ is what a miscount looks like. It is held back until it has lasted.

use super::micros::Micros;
use super::rate::div_rounded_u32;

/// A step by 2 or ½ is passed on after this time, if it lasts.
const MISCOUNT_HOLD_US: u32 = 1_000_000;
/// Trust in a train is bounded, so that it is lost as fast however long it lasted.
const TRUST_MOST: u16 = 8;
const TRUST_AT_FIRST: u16 = 4;
/// Trust that a period costs which does not agree. One that agrees gives 1, so a train needs two thirds of them.
const DISAGREEMENT: u16 = 2;
/// Trust that an impossibly close pulse costs. It must be more than the pulse before it gave: where every second pulse
/// of an impossible train or of noise is dropped, the rest looks possible.
const CLOSE_PULSE: u16 = 2;
/// The part of a new period that enters the expected one: 1/4.
const EXPECT_SHIFT: u32 = 2;
/// The part of a new deviation that enters the mean deviation: 1/16, kept in sixteenths.
const JITTER_SHIFT: u32 = 4;

/// A step in the rate by a ratio that looks more like a miscount than like the engine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum SuspectRatio {
    /// Twice the rate: each pulse counts double.
    Doubled,
    /// Half the rate: every second pulse is lost.
    Halved,
}

/// What a pulse input has been through since power-up. All counts wrap.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PulseStatistics {
    /// Pulses that passed the edge filter. This is the raw count: no belief enters it.
    pub pulses: u32,
    /// Pulses whose period entered a rate.
    pub believed: u32,
    /// Pulses closer to the one before than physically possible.
    pub too_close: u32,
    /// Levels that did not stand long enough to count.
    pub glitches: u32,
    /// Steps by 2 that were not passed on at once.
    pub doubled: u16,
    /// Steps by ½ that were not passed on at once.
    pub halved: u16,
    /// Mean deviation of a period from the expected one over the last 16 or so since the train began, in
    /// thousandths of the period; 0 while no train is believed.
    pub jitter_permille: u16,
}

impl PulseStatistics {
    /// Pulses that entered no rate though they could have: first ones, extra ones, irregular ones.
    #[must_use]
    pub const fn set_aside(&self) -> u32 {
        self.pulses.wrapping_sub(self.believed).wrapping_sub(self.too_close)
    }
}

/// How far two periods may lie apart and still agree: one at most `more / less` times the other.
#[derive(Debug, Clone, Copy)]
pub(super) struct Tolerance {
    pub(super) more: u32,
    pub(super) less: u32,
}

impl Tolerance {
    const fn agree(self, first_us: u32, second_us: u32) -> bool {
        let (first, second) = (first_us as u64, second_us as u64);
        let (more, less) = (self.more as u64, self.less as u64);
        first.saturating_mul(less) <= second.saturating_mul(more)
            && second.saturating_mul(less) <= first.saturating_mul(more)
    }
}

/// The periods that make a belief must follow one another without a gap.
pub(super) const IN_A_ROW: u16 = u16::MAX;

/// What a train must be like to be believed.
#[derive(Debug, Clone, Copy)]
pub(super) struct TrainLimits {
    /// Closer pulses are not physical.
    pub(super) shortest_us: u32,
    /// No pulse for longer is a standstill.
    pub(super) time_out_us: u32,
    /// Agreeing periods that make a belief; twice as many after one that was lost to irregular pulses.
    pub(super) agreeing: u16,
    /// How many of them one period takes away that does not agree; [`IN_A_ROW`]: all.
    pub(super) slip: u16,
    /// Periods after a standstill that are not looked at.
    pub(super) settling: u16,
    pub(super) tolerance: Tolerance,
}

/// Periods that belong together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Periods {
    pub(super) count: u32,
    pub(super) span_us: u32,
}

impl Periods {
    const NONE: Self = Self { count: 0, span_us: 0 };

    fn add(&mut self, period_us: u32) {
        match self.span_us.checked_add(period_us) {
            Some(span_us) => *self = Self { count: self.count.saturating_add(1), span_us },
            // Nobody asked for over an hour: the newest period is the best answer.
            None => *self = Self { count: 1, span_us: period_us },
        }
    }
}

/// Periods that agree with one another but not, or not yet, with a belief.
#[derive(Debug, Clone, Copy)]
struct Candidate {
    expected_us: u32,
    periods: Periods,
    /// Agreeing periods less impossible ones.
    trust: u16,
    /// Already counted as a suspect step.
    reported: bool,
}

impl Candidate {
    const NONE: Self = Self { expected_us: 0, periods: Periods::NONE, trust: 0, reported: false };

    fn add(&mut self, period_us: u32, limits: &TrainLimits) {
        if !limits.tolerance.agree(period_us, self.expected_us) {
            self.trust = self.trust.saturating_sub(limits.slip);
            if self.trust > 0 {
                return;
            }
        }
        if self.trust == 0 {
            *self = Self { expected_us: period_us, ..Self::NONE };
        }
        self.periods.add(period_us);
        self.trust = self.trust.saturating_add(1);
        self.expected_us = approach(self.expected_us, period_us);
    }
}

/// A rate that is believed.
#[derive(Debug, Clone, Copy)]
struct Belief {
    expected_us: u32,
    trust: u16,
    /// The last pulse that spoke for it.
    at: Micros,
    /// Mean deviation in sixteenths of a microsecond.
    deviation_sixteenths: u32,
}

impl Belief {
    fn support(&mut self, at: Micros) {
        self.trust = self.trust.saturating_add(1).min(TRUST_MOST);
        self.at = at;
    }

    /// Takes trust away and tells whether none is left.
    fn doubt(&mut self, trust: u16) -> bool {
        self.trust = self.trust.saturating_sub(trust);
        self.trust == 0
    }

    fn follow(&mut self, period_us: u32) {
        let deviation = period_us.abs_diff(self.expected_us);
        self.deviation_sixteenths = self
            .deviation_sixteenths
            .saturating_sub(self.deviation_sixteenths >> JITTER_SHIFT)
            .saturating_add(deviation);
        self.expected_us = approach(self.expected_us, period_us);
    }

    fn jitter_permille(&self) -> u16 {
        let scaled = u64::from(self.deviation_sixteenths).saturating_mul(1_000);
        let period = u64::from(self.expected_us).saturating_mul(16);
        u16::try_from(div_rounded_u32(scaled, period)).unwrap_or(u16::MAX)
    }
}

/// Where a train stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    /// No pulse since power-up; the stamp is that of the first call, once there was one.
    Boot(Option<Micros>),
    /// No pulse for the time-out.
    Still,
    /// Pulses come.
    Pulses {
        /// The last one that was not impossibly close.
        last: Micros,
    },
}

/// What can be said of a train at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Observation {
    /// Just powered up: a standstill is not proved yet.
    Unknown,
    /// No pulses for the time-out.
    Still,
    /// Pulses come, but no train of agreeing periods; `lasting` for longer than the time-out.
    Unsteady { lasting: bool },
    /// A train is believed.
    Steady {
        /// Microseconds since the last pulse of any kind: the rate cannot be much above its inverse.
        silent_us: u32,
        /// Microseconds since the last pulse that spoke for the belief.
        age_us: u32,
    },
}

/// Follows the pulses of one input.
#[derive(Debug, Clone, Copy)]
pub(super) struct PulseTrain {
    limits: TrainLimits,
    phase: Phase,
    settling_left: u16,
    belief: Option<Belief>,
    candidate: Candidate,
    /// Believed periods since the last [`PulseTrain::take`].
    gathered: Periods,
    /// Periods too short for the belief since its last pulse: perhaps parts of one.
    parts: Periods,
    unsteady_since: Micros,
    unsteady_lasting: bool,
    /// A belief has been lost to irregular pulses since the last standstill.
    disappointed: bool,
    passed_on: Option<SuspectRatio>,
    statistics: PulseStatistics,
}

impl PulseTrain {
    pub(super) const fn new(limits: TrainLimits) -> Self {
        Self {
            limits,
            phase: Phase::Boot(None),
            settling_left: 0,
            belief: None,
            candidate: Candidate::NONE,
            gathered: Periods::NONE,
            parts: Periods::NONE,
            unsteady_since: Micros::from_counter(0),
            unsteady_lasting: false,
            disappointed: false,
            passed_on: None,
            statistics: PulseStatistics {
                pulses: 0,
                believed: 0,
                too_close: 0,
                glitches: 0,
                doubled: 0,
                halved: 0,
                jitter_permille: 0,
            },
        }
    }

    /// Takes one pulse.
    pub(super) fn pulse(&mut self, at: Micros) {
        self.statistics.pulses = self.statistics.pulses.wrapping_add(1);
        let Phase::Pulses { last } = self.phase else { return self.start(at) };
        let period_us = at.since(last);
        if period_us > self.limits.time_out_us {
            return self.start(at);
        }
        if period_us < self.limits.shortest_us {
            return self.too_close(at);
        }
        self.phase = Phase::Pulses { last: at };
        if self.settling_left > 0 {
            self.settling_left = self.settling_left.saturating_sub(1);
        } else if let Some(belief) = self.belief {
            self.compare(period_us, at, belief);
        } else {
            self.candidate.add(period_us, &self.limits);
            // Chance makes a train now and then. A belief that did not last makes the next one harder to come by.
            let needed = self.limits.agreeing.saturating_mul(if self.disappointed { 2 } else { 1 });
            if self.candidate.trust >= needed {
                self.adopt(at);
            }
        }
    }

    /// The first pulse after a standstill.
    fn start(&mut self, at: Micros) {
        self.forget();
        self.phase = Phase::Pulses { last: at };
        self.settling_left = self.limits.settling;
        self.unsteady_since = at;
        self.unsteady_lasting = false;
    }

    fn forget(&mut self) {
        self.belief = None;
        self.candidate = Candidate::NONE;
        self.gathered = Periods::NONE;
        self.parts = Periods::NONE;
        self.passed_on = None;
        self.disappointed = false;
    }

    fn too_close(&mut self, at: Micros) {
        self.statistics.too_close = self.statistics.too_close.wrapping_add(1);
        self.candidate.trust = self.candidate.trust.saturating_sub(CLOSE_PULSE);
        if self.belief.as_mut().is_some_and(|belief| belief.doubt(CLOSE_PULSE)) {
            self.lose_belief(at);
        }
    }

    fn lose_belief(&mut self, at: Micros) {
        self.belief = None;
        self.gathered = Periods::NONE;
        self.parts = Periods::NONE;
        self.passed_on = None;
        self.unsteady_since = at;
        self.unsteady_lasting = false;
        self.disappointed = true;
    }

    fn compare(&mut self, period_us: u32, at: Micros, mut belief: Belief) {
        let whole = self.parts.span_us.saturating_add(period_us);
        if self.parts.count > 0 && nearly(whole, belief.expected_us) {
            self.count(whole);
            belief.follow(whole);
            belief.support(at);
            self.parts = Periods::NONE;
            self.belief = Some(belief);
            self.candidate.add(period_us, &self.limits);
            self.adopt_if_ripe(at, &belief);
        } else if self.limits.tolerance.agree(period_us, belief.expected_us) {
            self.count(period_us);
            belief.follow(period_us);
            belief.support(at);
            self.parts = Periods::NONE;
            self.candidate = Candidate::NONE;
            self.belief = Some(belief);
        } else {
            self.set_aside(period_us, at, belief);
        }
    }

    fn set_aside(&mut self, period_us: u32, at: Micros, mut belief: Belief) {
        if period_us < belief.expected_us && self.parts.span_us < belief.expected_us {
            self.parts.add(period_us);
        } else {
            self.parts = Periods::NONE;
        }
        self.candidate.add(period_us, &self.limits);
        // A miscount speaks neither for nor against the rate before it.
        let miscount = self.candidate.trust > 1 && self.suspicion(&belief).is_some();
        if !miscount && belief.doubt(DISAGREEMENT) {
            return self.lose_belief(at);
        }
        self.belief = Some(belief);
        self.adopt_if_ripe(at, &belief);
    }

    fn suspicion(&self, belief: &Belief) -> Option<SuspectRatio> {
        suspect_ratio(self.candidate.expected_us, belief.expected_us)
    }

    fn adopt_if_ripe(&mut self, at: Micros, belief: &Belief) {
        if self.candidate.trust < self.limits.agreeing {
            return;
        }
        let suspicion = self.suspicion(belief);
        let back_again = matches!(
            (self.passed_on, suspicion),
            (Some(SuspectRatio::Doubled), Some(SuspectRatio::Halved))
                | (Some(SuspectRatio::Halved), Some(SuspectRatio::Doubled))
        );
        let Some(ratio) = suspicion.filter(|_| !back_again) else {
            // A step to another rate, or back to the one before the miscount.
            self.passed_on = None;
            return self.adopt(at);
        };
        if !self.candidate.reported {
            self.candidate.reported = true;
            let counter = match ratio {
                SuspectRatio::Doubled => &mut self.statistics.doubled,
                SuspectRatio::Halved => &mut self.statistics.halved,
            };
            *counter = counter.wrapping_add(1);
        }
        let lasting = self.candidate.trust >= self.limits.agreeing.saturating_mul(2)
            && self.candidate.periods.span_us >= MISCOUNT_HOLD_US;
        if lasting {
            self.passed_on = Some(ratio);
            self.adopt(at);
        }
    }

    /// Believes the candidate.
    fn adopt(&mut self, at: Micros) {
        self.gathered = self.candidate.periods;
        self.statistics.believed = self.statistics.believed.wrapping_add(self.gathered.count);
        self.belief = Some(Belief {
            expected_us: self.candidate.expected_us,
            trust: TRUST_AT_FIRST,
            at,
            deviation_sixteenths: 0,
        });
        self.candidate = Candidate::NONE;
        self.parts = Periods::NONE;
    }

    fn count(&mut self, period_us: u32) {
        self.statistics.believed = self.statistics.believed.wrapping_add(1);
        self.gathered.add(period_us);
    }

    /// What can be said at `now`.
    pub(super) fn observe(&mut self, now: Micros) -> Observation {
        match self.phase {
            Phase::Boot(None) => {
                self.phase = Phase::Boot(Some(now));
                Observation::Unknown
            }
            Phase::Boot(Some(since)) if now.since(since) <= self.limits.time_out_us => Observation::Unknown,
            Phase::Boot(_) | Phase::Still => {
                self.phase = Phase::Still;
                Observation::Still
            }
            Phase::Pulses { last } => {
                let silent_us = now.since(last);
                if silent_us > self.limits.time_out_us {
                    self.forget();
                    self.phase = Phase::Still;
                    return Observation::Still;
                }
                match self.belief {
                    Some(belief) => Observation::Steady { silent_us, age_us: now.since(belief.at) },
                    None => {
                        self.unsteady_lasting |= now.since(self.unsteady_since) > self.limits.time_out_us;
                        Observation::Unsteady { lasting: self.unsteady_lasting }
                    }
                }
            }
        }
    }

    /// The believed periods since the last call.
    pub(super) fn take(&mut self) -> Periods {
        core::mem::replace(&mut self.gathered, Periods::NONE)
    }

    /// The believed periods since the last [`PulseTrain::take`].
    pub(super) const fn gathered(&self) -> Periods {
        self.gathered
    }

    /// A step by 2 or ½ that is being held back, or that was passed on because it lasted and has not gone back.
    pub(super) fn suspect_ratio(&self) -> Option<SuspectRatio> {
        let held_back = self
            .belief
            .filter(|_| self.candidate.trust >= self.limits.agreeing)
            .and_then(|belief| self.suspicion(&belief));
        held_back.or(self.passed_on)
    }

    pub(super) fn statistics(&self) -> PulseStatistics {
        PulseStatistics { jitter_permille: self.belief.map_or(0, |belief| belief.jitter_permille()), ..self.statistics }
    }
}

/// Moves `expected` a quarter of the way to `period`.
const fn approach(expected_us: u32, period_us: u32) -> u32 {
    if period_us >= expected_us {
        expected_us.saturating_add(period_us.saturating_sub(expected_us) >> EXPECT_SHIFT)
    } else {
        expected_us.saturating_sub(expected_us.saturating_sub(period_us) >> EXPECT_SHIFT)
    }
}

/// Within an eighth.
const fn nearly(period_us: u32, expected_us: u32) -> bool {
    period_us.abs_diff(expected_us) <= expected_us >> 3_u32
}

/// Whether the step from one period to another is by 2 or ½, within a sixteenth.
fn suspect_ratio(to_us: u32, from_us: u32) -> Option<SuspectRatio> {
    let (twice_to, twice_from) = (to_us.saturating_mul(2), from_us.saturating_mul(2));
    if twice_to.abs_diff(from_us) <= from_us >> 4_u32 {
        Some(SuspectRatio::Doubled)
    } else if to_us.abs_diff(twice_from) <= twice_from >> 4_u32 {
        Some(SuspectRatio::Halved)
    } else {
        None
    }
}

#[cfg(test)]
#[path = "train_tests.rs"]
mod tests;

//! `head-climbing`: at this rate the head reaches its limit in so many seconds.
//!
//! Not every climb counts. The nearer the head is to what no healthy engine shows, the slower a climb may be:
//! from its normal temperature on only what is steeper than any warm-up, well over it what is as steep as the quickest
//! warm-up, and near the limit, or with the stream gone, every climb.

use super::evidence::Shown;
use super::on_delay::OnDelay;
use super::{Scene, Standing};
use crate::acquire::Channel;
use crate::event::{Evidence, EvidenceKey};
use crate::finding::Level;
use crate::forecast::{Estimate, HeadTrend, Line, long_line, seconds_to_limit};

const RAISE_MS: u32 = 5_000;
const WARNING_BELOW_S: i32 = 180;
const ALARM_BELOW_S: i32 = 60;
/// Back in order above this, unless the stream is still gone or the head still close to its limit.
const CLEAR_ABOVE_S: i32 = 240;
const NEAR_LIMIT_MILLIKELVIN: i32 = 2_000;
/// No warm-up is steeper than this once the head is at its normal temperature, in m°C per second (own estimate).
const STEEP_MILLIKELVIN_PER_S: i32 = 400;
/// The quickest warm-up in common practice: 15 to 62 °C in three minutes, in m°C per second. Recorded road engines reach
/// 0.26 K/s as well, on their way past their normal temperature.
const QUICK_WARM_UP_MILLIKELVIN_PER_S: i32 = 260;

/// Over the most that is normal for this engine, in m°C: from here on climbs count that are steeper than any settling …
const OVER_MILLIKELVIN: i32 = 3_000;
const SLOW_MILLIKELVIN_PER_S: i32 = 100;
/// … and from here on all.
const WELL_OVER_MILLIKELVIN: i32 = 5_000;
/// A thermostat that opens late lets the head of a cold engine overshoot by so much, in m°C.
const OVERSHOOT_MILLIKELVIN: i32 = 4_000;
/// Where nothing is learned yet, a first climb counts from this far under the limit, in m°C.
const NEAR_ON_THE_WAY_MILLIKELVIN: i32 = 10_000;
/// Until so long after it came to its normal temperature an engine may still be warming up, in milliseconds.
const WARMED_UP_MS: u32 = 120_000;

#[derive(Debug, Clone, Copy)]
pub(crate) struct HeadClimbing {
    warning: OnDelay,
    alarm: OnDelay,
    estimate: Estimate,
    /// What the estimate rests on: a new one is made only when that has changed.
    asked: Option<(u8, i32)>,
    long: Option<Line>,
    /// The long line is drawn, the rest of the estimate comes with the next tick.
    half_done: bool,
}

impl HeadClimbing {
    /// What is shown for it.
    pub(crate) const SHOWN: &[Shown] =
        &[Shown::Always(EvidenceKey::Value(Channel::Head)), Shown::Always(EvidenceKey::Limit(Channel::Head))];

    pub(crate) const fn new() -> Self {
        Self {
            warning: OnDelay::new(),
            alarm: OnDelay::new(),
            estimate: Estimate::None,
            asked: None,
            long: None,
            half_done: false,
        }
    }

    /// `water_gone`: the stream is gone and it is not the telltale that is plugged. `held_back`: the hot-restart rule
    /// holds. `renew`: there is time for a new estimate in this tick.
    pub(crate) fn judge(
        &mut self,
        scene: &Scene,
        trend: &HeadTrend,
        water_gone: bool,
        held_back: bool,
        renew: bool,
    ) -> Standing {
        if !scene.tick.run.running {
            self.reset();
            return Standing::Absent;
        }
        let Some(head) = scene.good(Channel::Head) else {
            self.warning.update(&scene.tick, None);
            self.alarm.update(&scene.tick, None);
            return Standing::Unjudged;
        };
        let Some(steep) = least_slope(scene, head, water_gone) else {
            self.reset();
            return Standing::Absent;
        };
        let limit = scene.normal.head_limit();
        if renew {
            self.renew_estimate(trend, limit, steep);
        }
        if head >= limit {
            // Over the limit `head-over-limit` speaks.
            self.estimate = Estimate::AtLimit;
        }
        let low_s = match self.estimate {
            Estimate::None => return Standing::Unjudged,
            Estimate::AtLimit => return Standing::Between,
            Estimate::NotClimbing => i32::MAX,
            Estimate::Reaches { low_s, .. } => low_s,
        };
        let alarm_ms = self.alarm.update(&scene.tick, Some(low_s < ALARM_BELOW_S));
        let warning_ms = self.warning.update(&scene.tick, Some(low_s < WARNING_BELOW_S));
        let due = |held: Option<u32>| held.is_some_and(|held_ms| held_ms >= RAISE_MS);
        if held_back {
            Standing::Between
        } else if due(alarm_ms) {
            Standing::Present(Level::Alarm)
        } else if due(warning_ms) {
            Standing::Present(Level::Warning)
        } else if low_s > CLEAR_ABOVE_S && !water_gone && head <= limit.saturating_sub(NEAR_LIMIT_MILLIKELVIN) {
            Standing::Absent
        } else {
            Standing::Between
        }
    }

    /// Makes a new estimate where there is something new to say: half of it in one tick, half in the next, so that no
    /// step takes too long.
    fn renew_estimate(&mut self, trend: &HeadTrend, limit: i32, steep: i32) {
        let asked = Some((trend.generation(), steep));
        if self.half_done {
            self.half_done = false;
            self.estimate = seconds_to_limit(trend, self.long, limit, steep);
        } else if asked != self.asked {
            self.asked = asked;
            self.half_done = true;
            self.long = long_line(trend, steep);
        }
    }

    fn reset(&mut self) {
        self.warning.reset();
        self.alarm.reset();
        self.estimate = Estimate::None;
        self.asked = None;
        self.half_done = false;
    }

    /// Adds the forecast to what is shown.
    pub(crate) fn add_forecast(&self, evidence: &mut Evidence) {
        let (eta_s, low_s, high_s) = match self.estimate {
            Estimate::Reaches { eta_s, low_s, high_s } => (Some(eta_s), Some(low_s), high_s),
            Estimate::AtLimit => (Some(0), Some(0), Some(0)),
            Estimate::None | Estimate::NotClimbing => (None, None, None),
        };
        evidence.add(EvidenceKey::Eta, eta_s);
        evidence.add(EvidenceKey::EtaLow, low_s);
        evidence.add(EvidenceKey::EtaHigh, high_s);
    }
}

/// The slope in m°C per second over which a climb counts at this head temperature; `None` where none does.
fn least_slope(scene: &Scene, head: i32, stream_gone: bool) -> Option<i32> {
    if stream_gone {
        return Some(0);
    }
    if let Some(most) = scene.expected.head_at_most {
        // What this engine shows when it is well is known.
        let passing = if scene.expected.warm_ms < WARMED_UP_MS { OVERSHOOT_MILLIKELVIN } else { 0 };
        // Both are heads within their span.
        return match head.wrapping_sub(most).wrapping_sub(passing) {
            ..OVER_MILLIKELVIN => None,
            OVER_MILLIKELVIN..WELL_OVER_MILLIKELVIN => Some(SLOW_MILLIKELVIN_PER_S),
            WELL_OVER_MILLIKELVIN.. => Some(0),
        };
    }
    if scene.expected.warm_ms < WARMED_UP_MS {
        // A cold engine put on the plane climbs past its normal temperature faster than any fault begins.
        let near = scene.normal.head_limit().saturating_sub(NEAR_ON_THE_WAY_MILLIKELVIN);
        (head >= near.max(scene.normal.head_unhealthy_from())).then_some(0)
    } else if head >= scene.normal.head_unhealthy_from() {
        Some(0)
    } else if head >= scene.normal.head_watch_from() {
        Some(QUICK_WARM_UP_MILLIKELVIN_PER_S)
    } else if head >= scene.normal.head_normal() {
        Some(STEEP_MILLIKELVIN_PER_S)
    } else {
        None
    }
}

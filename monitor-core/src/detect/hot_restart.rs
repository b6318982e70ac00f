//! Hot restart: a heat-soaked head that cools is no overheat, one that goes on rising is.

use super::Scene;
use crate::forecast::HeadTrend;

/// After a start the head may be over its limit for this long, as long as it falls.
const WINDOW_MS: u32 = 60_000;
/// The rule is for heads that are this much over their normal.
const OVER_NORMAL_MILLIKELVIN: i32 = 5_000;
/// Two means this far apart are compared.
const HALF_MS: u32 = 5_000;
/// A head that falls is at least this much cooler in the later half.
const FALL_MILLIKELVIN: i32 = 200;

/// Whether heat findings are held back in this tick.
pub(crate) fn holds_back(scene: &Scene<'_>, trend: &HeadTrend) -> bool {
    let since_start_ms = scene.tick.run.since_start_ms;
    if !scene.tick.run.running || since_start_ms > WINDOW_MS {
        return false;
    }
    let Some(last) = trend.newest() else { return false };
    if last <= scene.normal.head_normal().saturating_add(OVER_NORMAL_MILLIKELVIN) {
        return false;
    }
    if since_start_ms < HALF_MS.saturating_mul(2) {
        // Too early for two means: rising only if the last reading is above the first.
        let first = trend.points(since_start_ms).last().map_or(last, |point| point.1);
        return last <= first;
    }
    let later = trend.mean_between(0, HALF_MS);
    let earlier = trend.mean_between(HALF_MS, HALF_MS.saturating_mul(2));
    match (earlier, later) {
        (Some(earlier), Some(later)) => later <= earlier.saturating_sub(FALL_MILLIKELVIN),
        _ => false,
    }
}

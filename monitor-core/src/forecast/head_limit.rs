//! Seconds until the head reaches its limit, with an interval: from a straight line and from an exponential.
//!
//! The straight line is least squares over a short and a long window. The exponential goes through the means of the
//! three thirds of the long window: with equal steps of time, each rise is the rise before times one ratio. It counts
//! only where the bend is larger than the scatter. "No estimate" is an answer.

use super::head_trend::{HeadTrend, Line, Window};
use crate::num::{Divisor, round_div};

/// Least rise over a window that is a climb, in m°C.
const LEAST_RISE_MILLIKELVIN: i32 = 500;
/// And in steps of the sensor.
const LEAST_RISE_STEPS: i32 = 3;
/// A climb that speeds up is followed over this many times its last rise.
const FARTHEST_GROWTH: i32 = 6;
/// No way to a limit is longer, in m°C.
const FARTHEST_WAY_MILLIKELVIN: i32 = 200_000;
/// No head rises further between two blocks, twice over, in m°C.
const WIDEST_RISE_MILLIKELVIN: i32 = 1_000_000;
/// Over more than this no rise of a head is as steep as any slope that is asked for, in ms.
const LONGEST_MS: i32 = 2_000_000;
/// Longer forecasts are not worth saying, in seconds.
const FARTHEST_S: i32 = 3_600;

/// What can be said of the head's way to its limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Estimate {
    /// Too few points to say anything.
    None,
    /// It does not climb, or will settle below its limit.
    NotClimbing,
    /// It is there.
    AtLimit,
    /// It will get there: seconds, earlier end, later end (`None`: without bound).
    Reaches { eta_s: i32, low_s: i32, high_s: Option<i32> },
}

/// First half of a forecast: the line through the long window, where it could count. `steep` is the slope in m°C per
/// second under which nothing counts.
pub(crate) fn long_line(trend: &HeadTrend, steep: i32) -> Option<Line> {
    if could_climb(trend, &Window::LONG, steep) { trend.line(&Window::LONG) } else { None }
}

/// Second half of a forecast. It may come a tick after the first, so that no step has to do both.
pub(crate) fn seconds_to_limit(trend: &HeadTrend, long: Option<Line>, limit: i32, steep: i32) -> Estimate {
    let short_window = if trend.is_coarse() { Window::SHORT_COARSE } else { Window::SHORT };
    if trend.rise(&short_window).is_none() {
        return Estimate::None;
    }
    let climbing = |line: &Line| climbs(line, trend.resolution(), steep);
    let short = could_climb(trend, &short_window, steep).then(|| trend.line(&short_window)).flatten();
    let (short, long_climb) = (short.filter(climbing), long.filter(climbing));
    if short.is_none() && long_climb.is_none() {
        return Estimate::NotClimbing;
    }
    let bend = long.and_then(|line| bend(trend, &line));
    let slows_down = bend.is_some_and(|bend| bend.rise < bend.before);
    // A climb that slows down has the slope of its last seconds; one that has just begun shows in them first.
    let line = if slows_down {
        short.or(long_climb)
    } else {
        match (long_climb, short) {
            (Some(long), Some(short)) => Some(if short.slope >= long.slope { short } else { long }),
            (long, short) => long.or(short),
        }
    };
    let Some(line) = line else { return Estimate::NotClimbing };
    let left = limit.saturating_sub(line.now);
    if left <= 0 {
        return Estimate::AtLimit;
    }
    let straight = straight_seconds(&line, left);
    match bend {
        None => straight,
        Some(bend) => bent_seconds(&bend, limit, straight),
    }
}

/// A cheap look before a line is drawn: a window whose ends differ by less than half of what would count has no climb.
fn could_climb(trend: &HeadTrend, window: &Window, steep: i32) -> bool {
    trend.rise(window).is_some_and(|(rise, span_ms)| {
        let twice = rise.saturating_mul(2);
        // Held where 32 bits are enough: no head rises further, and no climb over half an hour counts as steep.
        twice >= least_rise(trend.resolution())
            && twice.min(WIDEST_RISE_MILLIKELVIN).wrapping_mul(1_000) >= steep.wrapping_mul(span_ms.min(LONGEST_MS))
    })
}

fn least_rise(resolution: i32) -> i32 {
    // A resolution is at most the coarsest.
    LEAST_RISE_MILLIKELVIN.max(resolution.wrapping_mul(LEAST_RISE_STEPS))
}

fn climbs(line: &Line, resolution: i32, steep: i32) -> bool {
    let surely = line.slope.saturating_sub(line.slope_error.saturating_mul(2));
    // The rise is slope × span; 1,000 ms are 125 eighths. Held where 32 bits are enough and the least rise is long passed.
    let rise_125 = line.slope.min(3_000).wrapping_mul((line.span_ms >> 3_u32).min(700_000));
    surely > steep.max(0) && rise_125 >= least_rise(resolution).wrapping_mul(125)
}

fn straight_seconds(line: &Line, left: i32) -> Estimate {
    let twice = line.slope_error.saturating_mul(2);
    let seconds = |slope: i32| (slope > 0).then(|| round_div(left, slope)).filter(|&eta_s| eta_s <= FARTHEST_S);
    let low_s = left.checked_div(line.slope.saturating_add(twice).max(1)).unwrap_or(0);
    match seconds(line.slope) {
        Some(eta_s) => Estimate::Reaches { eta_s, low_s, high_s: seconds(line.slope.saturating_sub(twice)) },
        None => Estimate::NotClimbing,
    }
}

/// The last third of the long window and how its rise compares with the rise before.
#[derive(Debug, Clone, Copy)]
struct Bend {
    /// Mean of the last third, in m°C.
    last: i32,
    /// Age of that mean, in ms.
    age_ms: i32,
    /// Time between the means, in ms.
    step_ms: i32,
    before: i32,
    rise: i32,
    /// What the scatter alone can do to a rise, in m°C.
    doubt: i32,
}

fn bend(trend: &HeadTrend, line: &Line) -> Option<Bend> {
    let [newest, middle, oldest] = trend.thirds()?;
    // A sixth, as 683 / 4,096.
    let sixth = |sum: i32| sum.wrapping_mul(683) >> 12_u32;
    let rise = sixth(newest.saturating_sub(middle));
    let before = sixth(middle.saturating_sub(oldest));
    let last = trend.newest_mean()?.saturating_add(sixth(newest));
    // Two means of half a dozen blocks each: the scatter of their difference is about half of that of one block. With
    // coarse steps the means themselves are off by up to half a step, and blocks can differ a little in length.
    const UNEVEN: Divisor = Divisor::new(24);
    let uneven = UNEVEN.floor(rise.unsigned_abs().saturating_add(before.unsigned_abs()));
    let uneven = i32::try_from(uneven).unwrap_or(i32::MAX);
    let doubt = (line.scatter / 2).max(trend.resolution() / 2).max(uneven);
    let bent = rise.saturating_sub(before).saturating_abs() > doubt.saturating_mul(2);
    // The long window spans 17 steps from block to block, a third is six of them.
    const STEPS: Divisor = Divisor::new(17);
    let step_ms = STEPS.round(line.span_ms.saturating_mul(6));
    (bent && before > 0 && rise > 0).then_some(Bend { last, age_ms: step_ms / 2, step_ms, before, rise, doubt })
}

/// Widens the straight forecast by the exponential one.
fn bent_seconds(bend: &Bend, limit: i32, straight: Estimate) -> Estimate {
    let Estimate::Reaches { eta_s, low_s, high_s } = straight else { return straight };
    let likely = exponential_seconds(bend.last, bend.before, bend.rise, bend, limit);
    if bend.rise < bend.before {
        // It slows down. Could it still get there, if the scatter hid the least slowing that is possible?
        let most_rise = bend.rise.saturating_add(bend.doubt);
        let least_before = bend.before.saturating_sub(bend.doubt);
        let farthest = exponential_seconds(bend.last, least_before, most_rise, bend, limit);
        if farthest.is_none() && most_rise < least_before {
            return Estimate::NotClimbing;
        }
        let eta_s = likely.unwrap_or(FARTHEST_S).max(eta_s);
        return Estimate::Reaches { eta_s, low_s, high_s: likely.and(high_s).map(|high_s| high_s.max(eta_s)) };
    }
    // It speeds up: the exponential is the earlier one. But growth is not believed over a way many times as long as the
    // rise it was seen in.
    if bend.rise < limit.saturating_sub(bend.last) / FARTHEST_GROWTH {
        return straight;
    }
    let sooner = likely.unwrap_or(eta_s).min(eta_s);
    Estimate::Reaches { eta_s: sooner, low_s: low_s.min(sooner), high_s }
}

/// Seconds from now until a climb whose rises follow each other in the ratio `rise / before` reaches `limit`.
fn exponential_seconds(from: i32, before: i32, rise: i32, bend: &Bend, limit: i32) -> Option<i32> {
    const STEPS: u32 = 20;
    if before <= 0 {
        return None;
    }
    // The ratio in 1/256, held where one step cannot run away.
    let ratio = round_div(rise.min(FARTHEST_WAY_MILLIKELVIN).wrapping_mul(256), before).clamp(0, 512);
    let (mut head, mut step) = (from, rise.min(FARTHEST_WAY_MILLIKELVIN));
    let mut passed_ms = 0_i32;
    for _ in 0..STEPS {
        // At most twice, 20 times over: held under the widest way there is.
        step = (step.wrapping_mul(ratio) >> 8_u32).min(FARTHEST_WAY_MILLIKELVIN);
        if step <= 0 {
            return None;
        }
        let left = limit.saturating_sub(head);
        if left <= step {
            // In 1/16 s, which keeps the product within 32 bits.
            let part_ms = round_div(left.saturating_mul(bend.step_ms >> 6_u32), step).saturating_mul(64);
            let total_ms = passed_ms.saturating_add(part_ms).saturating_sub(bend.age_ms);
            return Some(round_div(total_ms.max(0), 1_000));
        }
        head = head.saturating_add(step);
        passed_ms = passed_ms.saturating_add(bend.step_ms);
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquire::Channel;
    use crate::condition::Tick;

    extern crate std;

    /// A trend of one point a second with the given resolution in m°C.
    fn trend(seconds: i32, resolution: i32, head: impl Fn(f64) -> f64) -> HeadTrend {
        let mut trend = HeadTrend::new();
        for second in 0..seconds {
            let exact = head(f64::from(second)) * 1_000.0 / f64::from(resolution);
            let mut tick = Tick::NONE;
            tick.at_ms = second as u64 * 1_000;
            tick.since_last_ms = 1_000;
            tick.head_resolution = Some(resolution.unsigned_abs());
            tick.set_for_test(Channel::Head, exact.round() as i32 * resolution);
            trend.update(&tick);
        }
        trend
    }

    fn forecast(trend: &HeadTrend) -> Estimate {
        seconds_to_limit(trend, long_line(trend, 0), 95_000, 0)
    }

    #[test]
    fn too_few_points_give_no_estimate() {
        assert_eq!(forecast(&trend(8, 10, |t| 60.0 + t)), Estimate::None);
        assert_eq!(forecast(&trend(20, 1_000, |t| 60.0 + t)), Estimate::None, "whole degrees");
    }

    #[test]
    fn forecasts() {
        // Name, resolution, head over time, limit, expected seconds from the last point (second 39).
        type Case = (&'static str, i32, fn(f64) -> f64, Option<(i32, i32)>);
        let cases: [Case; 7] = [
            ("steady", 10, |_| 70.0, None),
            ("half a degree a second", 10, |t| 60.0 + 0.5 * t, Some((30, 32))),
            ("the same in whole degrees", 1_000, |t| 60.0 + 0.5 * t, Some((28, 34))),
            ("falling", 10, |t| 90.0 - 0.1 * t, None),
            ("settles at 80", 10, |t| 80.0 - 15.0 * (-t / 15.0_f64).exp(), None),
            // 100 − 35 e^(−t/40) is 95 at t = 40 ln 7 = 77.8: 38.8 s after the last point.
            ("slows down but gets there", 10, |t| 100.0 - 35.0 * (-t / 40.0_f64).exp(), Some((33, 45))),
            // 60 + 2 e^(t/20) is 95 at t = 20 ln 17.5 = 57.2: 18.2 s after the last point.
            ("speeds up", 10, |t| 60.0 + 2.0 * (t / 20.0_f64).exp(), Some((14, 23))),
        ];
        for (name, resolution, head, expected) in cases {
            let estimate = forecast(&trend(40, resolution, head));
            match (estimate, expected) {
                (Estimate::Reaches { eta_s, low_s, high_s }, Some((least, most))) => {
                    assert!((least..=most).contains(&eta_s), "{name}: {estimate:?}");
                    assert!(low_s <= eta_s && high_s.is_none_or(|high| high >= eta_s), "{name}: {estimate:?}");
                }
                (Estimate::NotClimbing, None) => {}
                _ => panic!("{name}: {estimate:?}"),
            }
        }
    }

    #[test]
    fn a_whole_degree_plateau_that_toggles_does_not_climb() {
        for phase in 0..40 {
            let toggling = trend(40, 1_000, |t| if (t as i32 + phase) % 40 < 20 { 92.0 } else { 93.0 });
            assert!(!matches!(forecast(&toggling), Estimate::Reaches { .. }), "phase {phase}");
        }
    }
}

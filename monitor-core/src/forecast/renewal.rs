//! Running hours until the impeller should be renewed: a straight line through the course of the idle flow.
//!
//! Renewal point: idle flow at 60 % of this engine's normal at the same speed (own convention, see the design page).
//! Least squares; the interval is that of the slope, two standard errors either way. No estimate is an answer.

use crate::assess::{POINTS, Point};
use crate::num::round_div;

/// 60 % in 1/1,024.
const RENEWAL_RATIO: i32 = 614;
/// Points that a line needs.
const LEAST_POINTS: i32 = 3;
/// Longer forecasts are not worth saying, in tenths of an hour.
const FARTHEST_TENTHS: i32 = 20_000;

/// Running hours left, in tenths: most likely, earlier end, later end (`None`: without bound).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct HoursLeft {
    pub(crate) tenths: i32,
    pub(crate) low_tenths: i32,
    pub(crate) high_tenths: Option<i32>,
}

/// The forecast at `now_tenths` running time; `None` where the course does not fall or is too short.
pub(crate) fn hours_left(points: &[Point; POINTS], now_tenths: i32) -> Option<HoursLeft> {
    let known = || points.iter().filter(|point| point.ratio != 0);
    let first = i32::from(known().next()?.hours_tenths);
    let span = i32::from(known().next_back()?.hours_tenths).saturating_sub(first);
    let points_known = known().count();
    let count = i32::try_from(points_known).unwrap_or(0);
    if count < LEAST_POINTS || span <= 0 {
        return None;
    }
    // Hours in 1/512 of the course, flow in 1/1,024 of its normal, at most eight points: no sum of products comes near
    // 32 bits, and no residual is further from the line than the points are from their mean.
    let mut course = [(0_i32, 0_i32); POINTS];
    for (place, point) in course.iter_mut().zip(known()) {
        let since = i32::from(point.hours_tenths).wrapping_sub(first).clamp(0, span);
        *place = (round_div(since.wrapping_mul(512), span), i32::from(point.ratio.min(2_047)));
    }
    let course = course.get(..points_known)?;
    let (mut sum_x, mut sum_y) = (0_i32, 0_i32);
    for (x, y) in course {
        sum_x = sum_x.wrapping_add(*x);
        sum_y = sum_y.wrapping_add(*y);
    }
    let (mean_x, mean_y) = (round_div(sum_x, count), round_div(sum_y, count));
    let (mut sxx, mut sxy) = (0_i32, 0_i32);
    for (x, y) in course {
        let (dx, dy) = (x.wrapping_sub(mean_x), y.wrapping_sub(mean_y));
        sxx = sxx.wrapping_add(dx.wrapping_mul(dx));
        sxy = sxy.wrapping_add(dx.wrapping_mul(dy));
    }
    if sxx <= 0 || sxy >= 0 {
        return None;
    }
    // The fall over the whole course, in 1/1,024.
    let fall = round_div(sxy.wrapping_mul(-64), sxx).wrapping_mul(8);
    let line = |x: i32| mean_y.wrapping_sub(fall.wrapping_mul(x.wrapping_sub(mean_x)) >> 9_u32);
    let mut residual = 0_i32;
    for (x, y) in course {
        let off = y.wrapping_sub(line(*x));
        residual = residual.wrapping_add(off.wrapping_mul(off));
    }
    // Standard error of the fall: 512 × √(residual / (n − 2) / sxx).
    let variance = round_div(residual.wrapping_mul(16), count.wrapping_sub(2).max(1));
    let error = root(round_div(variance.saturating_mul(1_024), round_div(sxx, 16).max(1))).wrapping_mul(4);
    // The course goes on from here as far as four times its length at most.
    let since = now_tenths.saturating_sub(first).clamp(0, span.wrapping_mul(4));
    let left = line(round_div(since.wrapping_mul(512), span)).wrapping_sub(RENEWAL_RATIO).max(0);
    let tenths = |fall: i32| {
        let tenths = round_div(left.saturating_mul(round_div(span.wrapping_mul(16), fall.max(1))), 16);
        (fall > 0 && tenths <= FARTHEST_TENTHS).then_some(tenths)
    };
    let wide = error.wrapping_mul(2);
    let [likely, low, high] = [fall, fall.wrapping_add(wide), fall.wrapping_sub(wide)].map(tenths);
    Some(HoursLeft { tenths: likely?, low_tenths: low?, high_tenths: high })
}

/// The whole square root.
fn root(value: i32) -> i32 {
    let (mut low, mut high) = (0_i32, 46_340_i32);
    while low < high {
        // The greatest square tried is less than 2^31.
        let middle = low.wrapping_add(high).wrapping_add(1) >> 1_u32;
        if middle.wrapping_mul(middle) <= value {
            low = middle;
        } else {
            high = middle.wrapping_sub(1);
        }
    }
    low
}

#[cfg(test)]
mod tests {
    use super::*;

    fn course(ratios: &[u16], apart_tenths: u16) -> [Point; POINTS] {
        let mut points = [Point { hours_tenths: 0, ratio: 0 }; POINTS];
        for (index, ratio) in ratios.iter().enumerate() {
            points[index] = Point { hours_tenths: 100 + apart_tenths * index as u16, ratio: *ratio };
        }
        points
    }

    #[test]
    fn the_line_is_followed_to_the_renewal_point() {
        // Falls by 10.24 in 1,024 every 10 h: 1 % in 10 h. From 90 % it is 300 h to 60 %.
        let ratios = [1_024, 1_004, 983, 963, 942, 922];
        let left = hours_left(&course(&ratios, 200), 1_100).expect("a course");
        assert!((2_900..=3_100).contains(&left.tenths), "{left:?}");
        assert!(left.low_tenths <= left.tenths && left.high_tenths.is_none_or(|high| high >= left.tenths), "{left:?}");
    }

    #[test]
    fn what_scatters_has_a_wide_interval() {
        let even = hours_left(&course(&[1_024, 990, 956, 922], 100), 400).expect("a course");
        let rough = hours_left(&course(&[1_024, 960, 985, 922], 100), 400).expect("a course");
        let width = |left: HoursLeft| left.high_tenths.map_or(i32::MAX, |high| high - left.low_tenths);
        assert!(width(rough) > 4 * width(even), "{even:?} {rough:?}");
    }

    #[test]
    fn no_estimate_is_an_answer() {
        let cases: [(&str, &[u16]); 3] =
            [("two points", &[1_000, 900]), ("it rises", &[900, 950, 1_000]), ("nothing known", &[])];
        for (name, ratios) in cases {
            assert_eq!(hours_left(&course(ratios, 100), 400), None, "{name}");
        }
    }
}

//! Intervals and quantiles: how sure a figure is.

use statrs::distribution::{ContinuousCDF, Gamma};

/// Normal deviate of a two-sided interval of 95 %.
const Z_95: f64 = 1.959_963_984_540_054;
/// What may lie outside a two-sided interval of 95 % on each side.
const TAIL: f64 = 0.025;

/// A two-sided interval of 95 %.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Interval {
    /// The interval of the same figure in another unit.
    #[must_use]
    pub(super) fn scaled(self, factor: f64) -> Self {
        Self { low: self.low * factor, high: self.high * factor }
    }
}

/// Wilson's score interval of a proportion, as a share of 1; `None` of nothing.
///
/// E. B. Wilson, "Probable inference, the law of succession, and statistical inference", J. Am. Stat. Assoc. 22 (1927) 209.
#[must_use]
pub(super) fn wilson(successes: u64, trials: u64) -> Option<Interval> {
    if trials == 0 {
        return None;
    }
    let (count, total) = (count(successes), count(trials));
    let share = count / total;
    let z2 = Z_95 * Z_95;
    let centre = share + z2 / (2.0 * total);
    let half = Z_95 * (share * (1.0 - share) / total + z2 / (4.0 * total * total)).sqrt();
    let scale = 1.0 + z2 / total;
    Some(Interval { low: ((centre - half) / scale).max(0.0), high: ((centre + half) / scale).min(1.0) })
}

/// The exact interval of the mean of a Poisson count.
///
/// F. Garwood, "Fiducial limits for the Poisson distribution", Biometrika 28 (1936) 437, by way of the quantiles of the
/// gamma distribution.
#[must_use]
pub(super) fn poisson(events: u64) -> Interval {
    let events = count(events);
    let low = if events > 0.0 { gamma_quantile(events, TAIL) } else { 0.0 };
    Interval { low, high: gamma_quantile(events + 1.0, 1.0 - TAIL) }
}

fn gamma_quantile(shape: f64, share: f64) -> f64 {
    // The shape is at least 1 and the rate is 1: such a distribution there is.
    Gamma::new(shape, 1.0).map_or(f64::NAN, |gamma| gamma.inverse_cdf(share))
}

/// The value below which `share` of the sorted values lie, between two values in proportion; `None` of nothing.
#[must_use]
pub(super) fn quantile(sorted: &[f64], share: f64) -> Option<f64> {
    let last = sorted.len().checked_sub(1)?;
    let place = share.clamp(0.0, 1.0) * count(u64::try_from(last).unwrap_or(u64::MAX));
    let below = place.floor();
    // The place is between 0 and the last index.
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "between 0 and the last index")]
    let index = below as usize;
    let low = *sorted.get(index)?;
    let high = sorted.get(index + 1).copied().unwrap_or(low);
    // Nothing is added between two equal values, which may both be infinite.
    let step = if high > low && place > below { (high - low) * (place - below) } else { 0.0 };
    Some(low + step)
}

/// A count as a number to calculate with.
#[expect(clippy::cast_precision_loss, reason = "exact up to nine thousand million million")]
pub(super) const fn count(number: u64) -> f64 {
    number as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(name: &str, got: f64, expected: f64, tolerance: f64) {
        assert!((got - expected).abs() <= tolerance, "{name}: {got}, not {expected}");
    }

    /// R. G. Newcombe, "Two-sided confidence intervals for the single proportion", Statistics in Medicine 17 (1998) 857,
    /// table I, method 3 (score without continuity correction); figures from memory.
    #[test]
    fn wilson_as_published() {
        let cases = [
            ("81 of 263", 81, 263, 0.2553, 0.3662),
            ("15 of 148", 15, 148, 0.0624, 0.1605),
            ("0 of 20", 0, 20, 0.0, 0.1611),
            ("1 of 29", 1, 29, 0.0061, 0.1718),
        ];
        for (name, successes, trials, low, high) in cases {
            let interval = wilson(successes, trials).unwrap();
            close(name, interval.low, low, 0.000_05);
            close(name, interval.high, high, 0.000_05);
        }
        assert_eq!(wilson(0, 0), None, "nothing is no proportion");
        assert!(wilson(20, 20).unwrap().high <= 1.0);
    }

    /// Garwood 1936, table of the two-sided limits of 95 %; figures from memory, as reprinted in the tables of Pearson and
    /// Hartley.
    #[test]
    fn poisson_as_published() {
        let cases = [
            (0, 0.0, 3.689),
            (1, 0.0253, 5.572),
            (2, 0.242, 7.225),
            (3, 0.619, 8.767),
            (4, 1.090, 10.242),
            (5, 1.623, 11.668),
            (10, 4.795, 18.390),
            (20, 12.217, 30.888),
            (50, 37.111, 65.919),
        ];
        for (events, low, high) in cases {
            let interval = poisson(events);
            close(&format!("{events}, low"), interval.low, low, 0.001);
            close(&format!("{events}, high"), interval.high, high, 0.001);
        }
    }

    #[test]
    fn quantiles_count_from_the_least_to_the_greatest() {
        let cases: [(&str, &[f64], f64, Option<f64>); 6] = [
            ("of nothing", &[], 0.5, None),
            ("of one", &[7.0], 0.9, Some(7.0)),
            ("the middle one", &[1.0, 2.0, 9.0], 0.5, Some(2.0)),
            ("between two", &[1.0, 2.0], 0.5, Some(1.5)),
            ("the last", &[1.0, 2.0], 1.0, Some(2.0)),
            ("never", &[1.0, f64::INFINITY, f64::INFINITY], 0.75, Some(f64::INFINITY)),
        ];
        for (name, values, share, expected) in cases {
            assert_eq!(quantile(values, share), expected, "{name}");
        }
    }
}

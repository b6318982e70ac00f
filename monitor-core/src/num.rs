//! Small integer helpers: everything saturates, nothing panics, nothing needs 64-bit division.

/// `numerator / denominator`, rounded half away from zero; 0 where the denominator is 0.
#[must_use]
pub(crate) fn round_div(numerator: i32, denominator: i32) -> i32 {
    let Some(quotient) = numerator.checked_div(denominator) else { return 0 };
    // Not a second division: a small core has none in hardware.
    let remainder = numerator.wrapping_sub(quotient.wrapping_mul(denominator));
    let twice = remainder.unsigned_abs().saturating_mul(2);
    if twice < denominator.unsigned_abs() {
        quotient
    } else if (numerator < 0) == (denominator < 0) {
        quotient.saturating_add(1)
    } else {
        quotient.saturating_sub(1)
    }
}

/// A divisor that is known beforehand, with its reciprocal: dividing by it costs a small core two multiplications
/// instead of a division in software.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Divisor {
    value: u32,
    /// 2³² / value, rounded down.
    reciprocal: u32,
}

impl Divisor {
    /// A divisor of at least 2; smaller ones become 2.
    pub(crate) const fn new(value: u16) -> Self {
        let value = if value < 2 { 2 } else { value as u32 };
        // The quotient of 2³² − 1 is that of 2³², except for powers of two, which `round` makes up for.
        let reciprocal = match u32::MAX.checked_div(value) {
            Some(reciprocal) => reciprocal,
            None => 0,
        };
        Self { value, reciprocal }
    }

    /// `numerator` divided by this, rounded down.
    pub(crate) fn floor(self, numerator: u32) -> u32 {
        let product = u64::from(numerator).wrapping_mul(u64::from(self.reciprocal));
        let quotient = u32::try_from(product >> 32_u32).unwrap_or(u32::MAX);
        // The reciprocal is too small by less than one, so the quotient is too small by one at most.
        let too_small = numerator.wrapping_sub(quotient.wrapping_mul(self.value)) >= self.value;
        quotient.wrapping_add(u32::from(too_small))
    }

    /// `numerator` divided by this, rounded half away from zero.
    pub(crate) fn round(self, numerator: i32) -> i32 {
        let magnitude = numerator.unsigned_abs().saturating_add(self.value >> 1_u32);
        let quotient = i32::try_from(self.floor(magnitude)).unwrap_or(i32::MAX);
        if numerator < 0 { quotient.wrapping_neg() } else { quotient }
    }
}

/// The mean of `count` values that add up to `sum`, rounded half away from zero; 0 for no values.
pub(crate) fn mean(sum: i32, count: i32) -> i32 {
    /// Reciprocals of the divisors from 3 on, for the counts that occur: a second at up to 20 samples.
    const RECIPROCALS: [u32; 18] = [
        Divisor::new(3).reciprocal,
        Divisor::new(4).reciprocal,
        Divisor::new(5).reciprocal,
        Divisor::new(6).reciprocal,
        Divisor::new(7).reciprocal,
        Divisor::new(8).reciprocal,
        Divisor::new(9).reciprocal,
        Divisor::new(10).reciprocal,
        Divisor::new(11).reciprocal,
        Divisor::new(12).reciprocal,
        Divisor::new(13).reciprocal,
        Divisor::new(14).reciprocal,
        Divisor::new(15).reciprocal,
        Divisor::new(16).reciprocal,
        Divisor::new(17).reciprocal,
        Divisor::new(18).reciprocal,
        Divisor::new(19).reciprocal,
        Divisor::new(20).reciprocal,
    ];
    if count == 1 {
        return sum;
    }
    if count == 2 {
        // Rounding half away from zero: towards zero, and one more where that left a half.
        return (sum / 2).saturating_add(sum % 2);
    }
    let index = usize::try_from(count.saturating_sub(3)).unwrap_or(usize::MAX);
    match RECIPROCALS.get(index) {
        Some(&reciprocal) => Divisor { value: count.unsigned_abs(), reciprocal }.round(sum),
        None => round_div(sum, count),
    }
}

/// So many per cent of a value in quarters, rounded down to a whole one, in quarters. Not once for each caller: a product
/// that saturates is long on a small core.
#[inline(never)]
pub(crate) fn percent_of_quarters(quarters: i32, percent: i32) -> i32 {
    (quarters.saturating_mul(percent) / 400).saturating_mul(4)
}

/// The low 32 bits of elapsed milliseconds: differences of them are cheap, and right up to 49.7 days.
#[must_use]
pub(crate) fn low_bits(at_ms: u64) -> u32 {
    u32::try_from(at_ms & u64::from(u32::MAX)).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn rounding_goes_half_away_from_zero() {
        let cases = [(5, 2, 3), (-5, 2, -3), (4, 3, 1), (-4, 3, -1), (7, -2, -4), (0, 7, 0), (9, 0, 0)];
        for (numerator, denominator, expected) in cases {
            assert_eq!(round_div(numerator, denominator), expected, "{numerator}/{denominator}");
        }
        assert_eq!(round_div(i32::MIN, -1), 0, "the one quotient that does not exist");
    }

    #[test]
    fn a_known_divisor_divides_at_the_edges() {
        for value in [2_u16, 3, 4, 10, 16, 18, 20, 969, 1_000, u16::MAX] {
            let divisor = Divisor::new(value);
            for numerator in [0, 1, -1, i32::from(value), -i32::from(value), i32::MAX, i32::MIN, i32::MAX - 1] {
                assert_eq!(divisor.round(numerator), round_div(numerator, i32::from(value)), "{numerator}/{value}");
            }
        }
    }

    proptest! {
        #[test]
        fn a_known_divisor_divides_like_any(numerator in any::<i32>(), value in 2_u16..) {
            prop_assert_eq!(Divisor::new(value).round(numerator), round_div(numerator, i32::from(value)));
            let magnitude = numerator.cast_unsigned();
            prop_assert_eq!(Divisor::new(value).floor(magnitude), magnitude / u32::from(value));
        }

        #[test]
        fn means_agree_with_division(sum in any::<i32>(), count in 1_i32..1_000) {
            prop_assert_eq!(mean(sum, count), round_div(sum, count));
        }

        #[test]
        fn rounding_agrees_with_wide_arithmetic(n in any::<i32>(), d in any::<i32>()) {
            prop_assume!(d != 0 && !(n == i32::MIN && d == -1));
            let (wide, by) = (i128::from(n), i128::from(d));
            let sign = if (n < 0) == (d < 0) { 1 } else { -1 };
            let expected = sign * ((2 * wide.abs() + by.abs()) / (2 * by.abs()));
            prop_assert_eq!(i128::from(round_div(n, d)), expected);
        }
    }
}

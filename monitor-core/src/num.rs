//! Small integer helpers: everything saturates, nothing panics, nothing needs 64-bit division.

/// `numerator / denominator`, rounded half away from zero; 0 where the denominator is 0.
#[must_use]
pub(crate) fn round_div(numerator: i32, denominator: i32) -> i32 {
    let Some(quotient) = numerator.checked_div(denominator) else { return 0 };
    let remainder = numerator.checked_rem(denominator).unwrap_or(0);
    let twice = remainder.unsigned_abs().saturating_mul(2);
    if twice < denominator.unsigned_abs() {
        quotient
    } else if (numerator < 0) == (denominator < 0) {
        quotient.saturating_add(1)
    } else {
        quotient.saturating_sub(1)
    }
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

    proptest! {
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

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

/// `numerator / denominator` with a 64-bit numerator, to about 24 significant bits and without 64-bit division: both
/// are halved until the numerator fits 32 bits. Saturates; 0 where the denominator is 0.
#[must_use]
pub(crate) fn div_wide(numerator: i64, denominator: i64) -> i32 {
    let (mut numerator, mut denominator) = (numerator, denominator);
    while i32::try_from(numerator).is_err() || i32::try_from(denominator).is_err() {
        numerator >>= 1_u32;
        denominator >>= 1_u32;
    }
    let (Ok(narrow), Ok(divisor)) = (i32::try_from(numerator), i32::try_from(denominator)) else { return 0 };
    match divisor {
        0 if narrow > 0 => i32::MAX,
        0 if narrow < 0 => i32::MIN,
        _ => round_div(narrow, divisor),
    }
}

/// Integer square root, rounded down.
#[must_use]
pub(crate) fn isqrt(value: u32) -> u32 {
    let mut rest = value;
    let mut root = 0_u32;
    let mut bit = 1_u32 << 30_u32;
    while bit > rest {
        bit >>= 2_u32;
    }
    while bit != 0 {
        let trial = root.saturating_add(bit);
        root >>= 1_u32;
        if rest >= trial {
            rest = rest.saturating_sub(trial);
            root = root.saturating_add(bit);
        }
        bit >>= 2_u32;
    }
    root
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

        #[test]
        fn wide_division_is_close(n in -1_000_000_000_000_i64..1_000_000_000_000, d in 100_000_i64..2_000_000_000) {
            let exact = n as f64 / d as f64;
            let ours = f64::from(div_wide(n, d));
            prop_assert!((ours - exact).abs() <= 1.0 + exact.abs() * 0.02, "{ours} {exact}");
        }

        #[test]
        fn root_is_the_largest_whole_one(value in any::<u32>()) {
            let root = u64::from(isqrt(value));
            prop_assert!(root * root <= u64::from(value));
            prop_assert!((root + 1) * (root + 1) > u64::from(value));
        }
    }
}

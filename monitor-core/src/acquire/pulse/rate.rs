//! Exact division of wide numbers without a 64-bit division, which small cores do not have.

/// `numerator / denominator`, rounded half up; [`u64::MAX`] where the denominator is 0.
///
/// One shift, one comparison and at most one subtraction for each bit of the numerator. The denominator must be under
/// 2⁶³, which every product of a time and a pulse count here is.
#[must_use]
pub(super) const fn div_rounded(numerator: u64, denominator: u64) -> u64 {
    if denominator == 0 {
        return u64::MAX;
    }
    let leading = numerator.leading_zeros();
    let mut bits_left = 64_u32.saturating_sub(leading);
    let mut upper = numerator.wrapping_shl(leading);
    let mut rest = 0_u64;
    let mut quotient = 0_u64;
    while bits_left > 0 {
        rest = (rest << 1_u32) | (upper >> 63_u32);
        upper <<= 1_u32;
        quotient <<= 1_u32;
        if rest >= denominator {
            rest = rest.wrapping_sub(denominator);
            quotient |= 1;
        }
        bits_left = bits_left.saturating_sub(1);
    }
    if rest >= denominator.wrapping_sub(rest) { quotient.saturating_add(1) } else { quotient }
}

/// The same, saturating at the end of 32 bits.
#[must_use]
pub(super) const fn div_rounded_u32(numerator: u64, denominator: u64) -> u32 {
    let quotient = div_rounded(numerator, denominator);
    // Constant functions have no `try_from`; the upper half decides.
    if quotient >> 32_u32 != 0 {
        return u32::MAX;
    }
    let [b0, b1, b2, b3, ..] = quotient.to_le_bytes();
    u32::from_le_bytes([b0, b1, b2, b3])
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn rounding() {
        let cases = [(0, 5, 0), (5, 2, 3), (4, 3, 1), (5, 3, 2), (u64::MAX, 1, u64::MAX), (7, 0, u64::MAX), (1, 9, 0)];
        for (numerator, denominator, expected) in cases {
            assert_eq!(div_rounded(numerator, denominator), expected, "{numerator}/{denominator}");
        }
        assert_eq!(div_rounded_u32(1 << 40, 1), u32::MAX);
        assert_eq!(div_rounded_u32(u64::from(u32::MAX), 1), u32::MAX);
    }

    proptest! {
        #[test]
        fn agrees_with_the_division_of_a_large_machine(n in any::<u64>(), shift in 0_u32..63, d in 1_u64..(1 << 63)) {
            let d = (d >> shift).max(1);
            let expected = (2 * u128::from(n) + u128::from(d)) / (2 * u128::from(d));
            prop_assert_eq!(u128::from(div_rounded(n, d)), expected.min(u128::from(u64::MAX)));
        }
    }
}

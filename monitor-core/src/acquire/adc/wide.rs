//! Products wider than 32 bits divided by 32-bit numbers, exactly and without 64-bit division.

/// The low 32 bits.
fn low_half(value: u64) -> u32 {
    u32::try_from(value & 0xffff_ffff).unwrap_or(u32::MAX)
}

/// The high 32 bits.
fn high_half(value: u64) -> u32 {
    u32::try_from(value >> 32_u32).unwrap_or(u32::MAX)
}

/// `numerator / divisor`, rounded half up; saturates where the quotient does not fit 32 bits or the divisor is 0.
///
/// Exact, unlike `num::div_wide`: a long division bit by bit, about 300 instructions on a core without divider. A numerator
/// that fits 32 bits takes the short way.
#[must_use]
pub(in crate::acquire) fn divide_wide(numerator: u64, divisor: u32) -> u32 {
    let (mut remainder, mut quotient) = (high_half(numerator), low_half(numerator));
    if remainder >= divisor {
        return u32::MAX;
    }
    if remainder == 0 {
        remainder = quotient.checked_rem(divisor).unwrap_or(0);
        quotient = quotient.checked_div(divisor).unwrap_or(u32::MAX);
    } else {
        for _ in 0..u32::BITS {
            let carried_out = remainder >> 31_u32;
            remainder = (remainder << 1_u32) | (quotient >> 31_u32);
            quotient <<= 1_u32;
            if carried_out != 0 || remainder >= divisor {
                remainder = remainder.wrapping_sub(divisor);
                quotient |= 1;
            }
        }
    }
    if remainder >= divisor.saturating_sub(remainder) { quotient.saturating_add(1) } else { quotient }
}

/// `value × factor / divisor`, rounded half up; saturates as [`divide_wide`] does.
#[must_use]
pub(in crate::acquire) fn mul_div(value: u32, factor: u32, divisor: u32) -> u32 {
    // Two 32-bit numbers always multiply into 64 bits.
    divide_wide(u64::from(value).wrapping_mul(u64::from(factor)), divisor)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn edges() {
        let cases = [
            ("division by zero", 1, 1, 0, u32::MAX),
            ("too large", u32::MAX, 2, 1, u32::MAX),
            ("largest", u32::MAX, u32::MAX, u32::MAX, u32::MAX),
            ("half rounds up", 1, 1, 2, 1),
            ("under half rounds down", 1, 1, 3, 0),
            ("nothing", 0, u32::MAX, 7, 0),
        ];
        for (name, value, factor, divisor, expected) in cases {
            assert_eq!(mul_div(value, factor, divisor), expected, "{name}");
        }
    }

    proptest! {
        #[test]
        fn agrees_with_wider_arithmetic(numerator in any::<u64>(), shift in 0_u32..64, divisor in 1_u32..) {
            let numerator = numerator >> shift;
            let exact = (2 * u128::from(numerator) + u128::from(divisor)) / (2 * u128::from(divisor));
            let expected = u32::try_from(exact).unwrap_or(u32::MAX);
            prop_assert_eq!(divide_wide(numerator, divisor), expected);
        }
    }
}

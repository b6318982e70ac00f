//! Natural logarithm in integers.

/// Fraction bits of the result.
pub(super) const FRACTION_BITS: u32 = 24;
/// ln 2 in 2⁻²⁴.
const LN_2: i32 = 11_629_080;
/// ln 1000 in 2⁻²⁴: from milliohms to ohms.
pub(super) const LN_1000: i32 = 115_892_902;

/// For each sixteenth of the octave its middle c: ln c in 2⁻²⁴ and 1/c in 2⁻³⁰.
const SIXTEENTHS: [(i32, i32); 16] = [
    (516_263, 1_041_204_193),
    (1_503_443, 981_706_811),
    (2_435_750, 928_641_578),
    (3_318_965, 881_018_933),
    (4_158_001, 838_042_399),
    (4_957_067, 799_063_683),
    (5_719_799, 763_549_742),
    (6_449_358, 731_058_263),
    (7_148_510, 701_219_150),
    (7_819_688, 673_720_360),
    (8_465_045, 648_296_950),
    (9_086_495, 624_722_516),
    (9_685_745, 602_802_428),
    (10_264_327, 582_368_447),
    (10_823_619, 563_274_399),
    (11_364_866, 545_392_673),
];

/// ln `value` in 2⁻²⁴, within 5·10⁻⁷; 0 for 0. Three multiplications, no division.
pub(super) fn ln(value: u32) -> i32 {
    let Some(octave) = value.checked_ilog2() else { return 0 };
    // The mantissa in 2⁻³¹, from 1 to 2; the sixteenth it lies in; its distance from that sixteenth's middle.
    let mantissa = value.wrapping_shl(31_u32.saturating_sub(octave));
    let sixteenth = (mantissa >> 27_u32) & 0xf;
    let &(ln_middle, reciprocal) = usize::try_from(sixteenth).ok().and_then(|at| SIXTEENTHS.get(at)).unwrap_or(&(0, 0));
    let offset = i64::from(mantissa & 0x07ff_ffff).wrapping_sub(1_i64 << 26_u32);
    // ln(c + d) = ln c + r − r²/2 + r³/3 with r = d/c, at most 1/33: the next term is under 2.2·10⁻⁷. In 2⁻³¹; r has 27 bits
    // with its sign, so no product leaves 64 bits.
    let r = offset.wrapping_mul(i64::from(reciprocal)) >> 30_u32;
    let r2 = r.wrapping_mul(r) >> 31_u32;
    let r3_third = (r2.wrapping_mul(r) >> 31_u32).wrapping_mul(21_845) >> 16_u32;
    let series = r.wrapping_sub(r2 >> 1_u32).wrapping_add(r3_third);
    let series = i32::try_from((series.wrapping_add(64)) >> 7_u32).unwrap_or(0);
    let octaves = i32::try_from(octave).unwrap_or(0).saturating_mul(LN_2);
    octaves.saturating_add(ln_middle).saturating_add(series)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn error(value: u32) -> f64 {
        f64::from(ln(value)) / f64::from(1 << FRACTION_BITS) - f64::from(value).ln()
    }

    #[test]
    fn constants_are_the_published_function() {
        let unit = f64::from(1 << FRACTION_BITS);
        assert_eq!(f64::from(LN_2), (2.0_f64.ln() * unit).round());
        assert_eq!(f64::from(LN_1000), (1000.0_f64.ln() * unit).round());
        for (index, (ln_middle, reciprocal)) in (0_u32..).zip(SIXTEENTHS) {
            let middle = 1.0 + f64::from(2 * index + 1) / 32.0;
            assert_eq!(f64::from(ln_middle), (middle.ln() * unit).round(), "{index}");
            assert_eq!(f64::from(reciprocal), (f64::from(1 << 30) / middle).round(), "{index}");
        }
    }

    #[test]
    fn within_the_stated_error_at_every_edge_of_its_pieces() {
        assert_eq!(ln(0), 0, "no logarithm, but no panic");
        let mut worst = 0.0_f64;
        for octave in 5..32_u32 {
            for sixteenth in 16..32_u32 {
                let edge = u32::try_from((u64::from(sixteenth) << octave) >> 4).unwrap();
                for value in [edge, edge.saturating_sub(1), edge + (1 << octave >> 5)] {
                    worst = worst.max(error(value).abs());
                }
            }
        }
        assert!(worst < 5e-7, "{worst}");
    }

    proptest! {
        #[test]
        fn within_the_stated_error_everywhere(value in 1_u32.., shift in 0_u32..32) {
            let value = (value >> shift).max(1);
            prop_assert!(error(value).abs() < 5e-7, "{value}: {}", error(value));
        }
    }
}

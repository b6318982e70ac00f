//! Decimal text to whole steps, exactly: no binary fraction stands between the file and the core's integers.
//!
//! Every step of a power of ten is exact at any length of the text. Units that are no power of ten of the core's
//! (psi, miles, US gallons) are exact for up to 19 digits; a longer number is judged by its first 19.

/// Digits of a number that are kept; later ones only break ties.
const KEPT_BELOW: u64 = 10_u64.pow(18);
/// Digits of so many places fit 64 bits without a look at each.
const PLAIN_LENGTH: usize = 18;
/// Exponents are cut here, far outside any value and any length of a line.
const EXPONENT_LIMIT: i32 = 1_000_000;
/// Numbers of this many digits before the point lie outside the 64-bit range in every unit.
const SATURATING_DIGITS: i32 = 21;
/// Numbers below ten to this power are less than half a step in every unit.
const VANISHING_DIGITS: i32 = -10;

/// How a number in the file becomes steps of the core: `(number × numerator + offset) ÷ denominator`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Scale {
    numerator: u64,
    denominator: u64,
    offset: i64,
}

impl Scale {
    /// So many steps to one unit, with the same zero. Numerator below 10¹², denominator from 1 to 10⁸.
    pub(crate) const fn ratio(numerator: u64, denominator: u64) -> Self {
        Self { numerator, denominator, offset: 0 }
    }

    /// The same with another zero; `offset` is counted in steps times the denominator, below 10⁶.
    pub(crate) const fn with_offset(mut self, offset: i64) -> Self {
        self.offset = offset;
        self
    }
}

/// A finite decimal number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Decimal {
    negative: bool,
    /// At most 19 digits.
    digits: u64,
    /// The power of ten that `digits` counts.
    exponent: i32,
    /// Whether digits that are not zero followed the kept ones.
    more: bool,
}

impl Decimal {
    /// Reads `-12.5`, `+3`, `.5`, `1e3`; `None` for anything else, such as `NaN`, `inf`, `0x10` or `1,000`.
    #[inline]
    pub(crate) fn parse(text: &[u8]) -> Option<Self> {
        let (negative, body) = split_sign(text);
        if body.len() <= PLAIN_LENGTH
            && let Some((digits, places)) = parse_plain(body)
        {
            return Some(Self { negative, digits, exponent: -places, more: false });
        }
        let mut number = Self { negative, digits: 0, exponent: 0, more: false };
        let mut any_digit = false;
        let mut after_point = 0;
        for (position, byte) in body.iter().enumerate() {
            let digit = byte.wrapping_sub(b'0');
            if digit < 10 {
                any_digit = true;
                number.push(digit, after_point);
            } else if *byte == b'.' && after_point == 0 {
                after_point = 1;
            } else if matches!(byte, b'e' | b'E') && any_digit {
                let exponent = parse_exponent(body.get(position + 1..)?)?;
                number.exponent = number.exponent.saturating_add(exponent);
                return Some(number);
            } else {
                return None;
            }
        }
        any_digit.then_some(number)
    }

    #[inline]
    fn push(&mut self, digit: u8, after_point: i32) {
        if self.digits < KEPT_BELOW {
            self.digits = self.digits * 10 + u64::from(digit);
            self.exponent = self.exponent.saturating_sub(after_point);
        } else {
            self.more |= digit != 0;
            self.exponent = self.exponent.saturating_add(1 - after_point);
        }
    }

    /// Whole steps, rounded half away from zero, saturating.
    #[inline]
    pub(crate) fn to_steps(self, scale: Scale) -> i64 {
        self.to_steps_quickly(scale).unwrap_or_else(|| self.to_steps_exactly(scale))
    }

    /// The common case in 64 bits: a number of a few digits, and a unit that is a whole number of steps.
    #[inline]
    fn to_steps_quickly(self, scale: Scale) -> Option<i64> {
        if scale.offset != 0 || scale.denominator != 1 {
            return None;
        }
        let steps = self.digits.checked_mul(scale.numerator)?;
        // Each divisor is a constant, so that no division instruction is spent on it.
        let rounded = match self.exponent {
            0 => steps,
            -1 => (steps / 10) + u64::from(steps % 10 >= 5),
            -2 => (steps / 100) + u64::from(steps % 100 >= 50),
            -3 => (steps / 1_000) + u64::from(steps % 1_000 >= 500),
            -4 => (steps / 10_000) + u64::from(steps % 10_000 >= 5_000),
            -5 => (steps / 100_000) + u64::from(steps % 100_000 >= 50_000),
            -6 => (steps / 1_000_000) + u64::from(steps % 1_000_000 >= 500_000),
            _ => return None,
        };
        let rounded = i64::try_from(rounded).ok()?;
        Some(if self.negative { -rounded } else { rounded })
    }

    fn to_steps_exactly(self, scale: Scale) -> i64 {
        let mut number = self;
        let length = i32::try_from(self.digits.checked_ilog10().map_or(0, |log| log + 1)).unwrap_or(0);
        let before_point = length.saturating_add(self.exponent);
        if self.digits == 0 || before_point < VANISHING_DIGITS {
            number = Self { digits: 0, exponent: 0, more: self.more || self.digits != 0, ..self };
        } else if before_point >= SATURATING_DIGITS {
            return if self.negative { i64::MIN } else { i64::MAX };
        }
        let ten_to = |power: i32| 10_i128.saturating_pow(power.unsigned_abs());
        let (raised, lowered) =
            if number.exponent >= 0 { (ten_to(number.exponent), 1) } else { (1, ten_to(number.exponent)) };
        let size = i128::from(number.digits).saturating_mul(raised).saturating_mul(i128::from(scale.numerator));
        let signed = if number.negative { -size } else { size };
        let dividend = signed.saturating_add(i128::from(scale.offset).saturating_mul(lowered));
        let divisor = i128::from(scale.denominator).saturating_mul(lowered);
        // Digits that were not kept make the number larger; where that brings the sum nearer to zero, a tie is none.
        let tie_is_less = number.more && number.negative != (dividend < 0);
        let steps = divide_rounding(dividend, divisor, tie_is_less);
        i64::try_from(steps).unwrap_or(if steps < 0 { i64::MIN } else { i64::MAX })
    }

    /// Whole steps as the core keeps them, rounded half away from zero, saturating.
    #[inline]
    pub(crate) fn to_steps_32(self, scale: Scale) -> i32 {
        let steps = self.to_steps(scale);
        i32::try_from(steps).unwrap_or(if steps < 0 { i32::MIN } else { i32::MAX })
    }
}

/// The number in `text` in steps of which `per_unit` make one unit, rounded half away from zero, saturating.
///
/// `None` where the text is not a finite number; `per_unit` is at least 1.
pub(crate) fn scaled(text: &str, per_unit: i32) -> Option<i32> {
    let per_unit = u64::try_from(per_unit).ok()?;
    Decimal::parse(text.trim().as_bytes()).map(|number| number.to_steps_32(Scale::ratio(per_unit, 1)))
}

/// `dividend ÷ divisor`, rounded half away from zero, or half towards zero where `tie_is_less`; `divisor` is above 0.
pub(crate) fn divide_rounding(dividend: i128, divisor: i128, tie_is_less: bool) -> i128 {
    let (whole, rest) = (dividend / divisor, (dividend % divisor).abs());
    let up = if tie_is_less { rest > divisor - rest } else { rest >= divisor - rest };
    if !up {
        whole
    } else if dividend < 0 {
        whole - 1
    } else {
        whole + 1
    }
}

/// The common case, `12` or `12.5` of a few digits: all digits as one number, and how many of them stand behind the point.
#[inline]
fn parse_plain(body: &[u8]) -> Option<(u64, i32)> {
    let mut digits = 0_u64;
    let mut rest = body.iter();
    for byte in rest.by_ref() {
        let digit = byte.wrapping_sub(b'0');
        if digit < 10 {
            digits = digits * 10 + u64::from(digit);
        } else if *byte == b'.' && body.len() > 1 {
            let mut places = 0;
            for byte in rest {
                let digit = byte.wrapping_sub(b'0');
                if digit >= 10 {
                    return None;
                }
                digits = digits * 10 + u64::from(digit);
                places += 1;
            }
            return Some((digits, places));
        } else {
            return None;
        }
    }
    (!body.is_empty()).then_some((digits, 0))
}

#[inline]
fn split_sign(text: &[u8]) -> (bool, &[u8]) {
    match text {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        _ => (false, text),
    }
}

fn parse_exponent(text: &[u8]) -> Option<i32> {
    let (negative, digits) = split_sign(text);
    if digits.is_empty() {
        return None;
    }
    let size = digits.iter().try_fold(0_i32, |size, byte| {
        let digit = byte.wrapping_sub(b'0');
        (digit < 10).then(|| size.saturating_mul(10).saturating_add(i32::from(digit)).min(EXPONENT_LIMIT))
    })?;
    Some(if negative { -size } else { size })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const THOUSAND: Scale = Scale::ratio(1_000, 1);
    const FAHRENHEIT: Scale = Scale::ratio(5_000, 9).with_offset(-160_000);
    const KELVIN: Scale = Scale::ratio(1_000, 1).with_offset(-273_150);
    const PSI: Scale = Scale::ratio(430_922_330_823, 62_500_000);

    #[test]
    fn numbers_become_the_nearest_step() {
        let cases = [
            ("whole", "12", THOUSAND, 12_000),
            ("sign", "-12", THOUSAND, -12_000),
            ("plus", "+12", THOUSAND, 12_000),
            ("no digit before the point", ".5", THOUSAND, 500),
            ("no digit after the point", "5.", THOUSAND, 5_000),
            ("half goes away from zero", "0.0005", THOUSAND, 1),
            ("half goes away from zero below it", "-0.0005", THOUSAND, -1),
            ("just under half", "0.00049999999999999999999999", THOUSAND, 0),
            ("exponent", "1.5e3", THOUSAND, 1_500_000),
            ("negative exponent", "15E-1", THOUSAND, 1_500),
            ("many zeros and back", "0.000000000000000000000000000001e30", THOUSAND, 1_000),
            ("many digits and back", "100000000000000000000000000000e-29", THOUSAND, 1_000),
            ("thirty digits", "1.00049999999999999999999999999", THOUSAND, 1_000),
            ("thirty digits, tie broken by the last", "1.00050000000000000000000000001", THOUSAND, 1_001),
            ("far too large", "1e999999999999", THOUSAND, i64::MAX),
            ("far too small", "-1e400", THOUSAND, i64::MIN),
            ("next to nothing", "1e-400", THOUSAND, 0),
            ("zero with a large exponent", "0e99999", THOUSAND, 0),
            ("quarter rpm", "804.5", Scale::ratio(4, 1), 3_218),
            ("eighth of an rpm rounds up", "804.125", Scale::ratio(4, 1), 3_217),
            ("ice in Fahrenheit", "32", FAHRENHEIT, 0),
            ("boiling in Fahrenheit", "212", FAHRENHEIT, 100_000),
            ("tie in Fahrenheit", "32.0009", FAHRENHEIT, 1),
            ("tie below zero in Fahrenheit", "31.9991", FAHRENHEIT, -1),
            ("long digits bring a negative sum nearer to zero", "31.99910000000000000000000001", FAHRENHEIT, 0),
            ("nothing in Fahrenheit", "1e-99", FAHRENHEIT, -17_778),
            ("ice in kelvin", "273.15", KELVIN, 0),
            ("tie of the sum, not of the number", "100.0005", KELVIN, -173_150),
            ("psi", "14.6959487755134", PSI, 101_325),
        ];
        for (name, text, scale, expected) in cases {
            let number = Decimal::parse(text.as_bytes()).map(|number| number.to_steps(scale));
            assert_eq!(number, Some(expected), "{name}: {text}");
        }
    }

    #[test]
    fn what_is_no_finite_number_is_refused() {
        for text in [
            "",
            "-",
            "+",
            ".",
            "-.",
            "e5",
            ".e5",
            "1e",
            "1e+",
            "1e5.0",
            "NaN",
            "nan",
            "inf",
            "-Infinity",
            "0x10",
            "1,000",
            "1 000",
            "1_000",
            "1.2.3",
            "--1",
            "+-1",
            "1-",
            "12a",
            "½",
            "１２",
            "1e1e1",
        ] {
            assert_eq!(Decimal::parse(text.as_bytes()), None, "{text:?}");
        }
    }

    #[test]
    fn scaled_saturates_and_refuses() {
        let cases = [
            ("plain", " 62.0 ", 1_000, Some(62_000)),
            ("saturates", "1e30", 1_000, Some(i32::MAX)),
            ("saturates below", "-1e30", 1, Some(i32::MIN)),
            ("no number", "warm", 1_000, None),
        ];
        for (name, text, per_unit, expected) in cases {
            assert_eq!(scaled(text, per_unit), expected, "{name}");
        }
    }

    proptest! {
        /// The oracle works on the digits alone, in 128 bits.
        #[test]
        fn any_number_of_up_to_18_digits_is_exact(
            digits in 0_i128..1_000_000_000_000_000_000, places in 0_usize..18, negative: bool,
            scale in prop_oneof![
                Just(THOUSAND), Just(FAHRENHEIT), Just(KELVIN), Just(PSI), Just(Scale::ratio(250_000, 463))
            ],
        ) {
            let padded = format!("{digits:0width$}", width = places + 1);
            let (whole, fraction) = padded.split_at(padded.len() - places);
            let text = format!("{}{whole}.{fraction}", if negative { "-" } else { "" });
            let signed = if negative { -digits } else { digits };
            let power = 10_i128.pow(u32::try_from(places).unwrap());
            let dividend = signed * i128::from(scale.numerator) + i128::from(scale.offset) * power;
            let divisor = i128::from(scale.denominator) * power;
            let rounded = dividend.signum() * ((2 * dividend.abs() + divisor) / (2 * divisor));
            let expected = i64::try_from(rounded).unwrap_or(if rounded < 0 { i64::MIN } else { i64::MAX });
            let number = Decimal::parse(text.as_bytes()).unwrap();
            prop_assert_eq!(number.to_steps(scale), expected, "{}", text);
            prop_assert_eq!(number.to_steps_exactly(scale), expected, "{} without the quick path", text);
        }

        #[test]
        fn any_written_float_is_accepted_and_close(value in -1.0e6_f64..1.0e6) {
            for text in [format!("{value}"), format!("{value:e}"), format!("{value:.30}")] {
                let steps = Decimal::parse(text.as_bytes()).unwrap().to_steps(THOUSAND);
                prop_assert!((value * 1_000.0 - steps as f64).abs() <= 0.500_001, "{} gave {}", text, steps);
            }
        }

        #[test]
        fn any_bytes_agree_with_the_standard_parser_on_what_a_number_is(text in "[-+.0-9eE]{0,12}") {
            let standard = text.parse::<f64>().is_ok();
            prop_assert_eq!(Decimal::parse(text.as_bytes()).is_some(), standard, "{}", text);
        }

        #[test]
        fn any_bytes_never_panic(bytes: Vec<u8>, exponent: i32) {
            for scale in [THOUSAND, FAHRENHEIT, KELVIN, PSI] {
                let _ = Decimal::parse(&bytes).map(|number| number.to_steps(scale));
                let _ = Decimal::parse(format!("9e{exponent}").as_bytes()).map(|number| number.to_steps(scale));
            }
        }
    }
}

//! Numbers of a scenario: one, or a range from which the seed draws one.

use rand_pcg::Pcg64Mcg;
use toml::Spanned;
use toml::de::DeValue;

use crate::plant::noise::uniform;
use crate::problem::Problem;
use crate::profile::section::Section;

/// From `low` to `high`; both the same for a plain number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Span {
    low: f64,
    high: f64,
}

/// What a number may be.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Bounds {
    pub(crate) least: f64,
    pub(crate) most: f64,
    pub(crate) unit: &'static str,
}

impl Bounds {
    pub(crate) const fn new(least: f64, most: f64, unit: &'static str) -> Self {
        Self { least, most, unit }
    }
}

impl Span {
    pub(crate) const fn only(number: f64) -> Self {
        Self { low: number, high: number }
    }

    /// One number of the range, evenly. A plain number costs a draw too, so that making it a range moves nothing else.
    pub(crate) fn draw(self, random: &mut Pcg64Mcg) -> f64 {
        let part = uniform(random);
        self.low + (self.high - self.low) * part
    }

    /// The largest number that can be drawn.
    pub(crate) const fn high(self) -> f64 {
        self.high
    }

    /// The smallest number that can be drawn.
    pub(crate) const fn low(self) -> f64 {
        self.low
    }

    /// The number or range under `key`.
    pub(crate) fn read(section: &Section<'_>, key: &str, bounds: Bounds) -> Result<Option<Self>, Problem> {
        let Some(value) = section.value(key) else { return Ok(None) };
        let DeValue::Array(ends) = value.get_ref() else {
            return number(section, key, value, bounds).map(|number| Some(Self::only(number)));
        };
        let remedy = "Write a number, or a range as [low, high]";
        let [low, high] = &ends[..] else {
            let cause = format!("{} has {} numbers, not 2", section.joined(key), ends.len());
            return Err(section.problem_at(key, cause, remedy));
        };
        let span = Self { low: number(section, key, low, bounds)?, high: number(section, key, high, bounds)? };
        if span.low > span.high {
            let cause = format!("{} begins above its end", section.joined(key));
            return Err(section.problem_at(key, cause, remedy));
        }
        Ok(Some(span))
    }

    /// The number or range under `key`, or `default`.
    pub(crate) fn or(section: &Section<'_>, key: &str, bounds: Bounds, default: f64) -> Result<Self, Problem> {
        Ok(Self::read(section, key, bounds)?.unwrap_or(Self::only(default)))
    }

    /// The number or range under `key`, which must be there.
    pub(crate) fn needed(section: &Section<'_>, key: &str, bounds: Bounds, example: &str) -> Result<Self, Problem> {
        Self::read(section, key, bounds)?.ok_or_else(|| section.missing(key, example))
    }
}

/// One number within its bounds.
pub(crate) fn number(
    section: &Section<'_>,
    key: &str,
    value: &Spanned<DeValue<'_>>,
    bounds: Bounds,
) -> Result<f64, Problem> {
    let digits = section.digits(key, value)?;
    let number = digits.parse::<f64>().ok().filter(|number| (bounds.least..=bounds.most).contains(number));
    number.ok_or_else(|| {
        let cause = format!("{} = {digits} is out of range", section.joined(key));
        let wanted = format!("Give a number from {} to {} {}", bounds.least, bounds.most, bounds.unit);
        section.source().problem(value.span().start, cause, wanted.trim_end())
    })
}

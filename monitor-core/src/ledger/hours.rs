//! Running hours by load band, starts, and seconds of abuse.

use crate::num::percent_of_quarters;
use crate::profile::Profile;
use crate::units::Quantity;

/// Hours by load.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Band {
    /// Up to 1.25 × idle.
    Idle,
    /// Up to 50 % of rated speed.
    To50,
    /// Up to 70 % of rated speed.
    To70,
    /// Up to 90 % of rated speed.
    To90,
    /// Up to rated speed.
    To100,
    /// Up to the greatest permitted speed.
    ToMax,
    /// Over the greatest permitted speed.
    Over,
}

impl Band {
    /// Every band, by rising speed.
    pub const ALL: [Self; Hours::BANDS] =
        [Self::Idle, Self::To50, Self::To70, Self::To90, Self::To100, Self::ToMax, Self::Over];

    /// Name in the ledger.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Idle => "idle",
            Self::To50 => "to-50",
            Self::To70 => "to-70",
            Self::To90 => "to-90",
            Self::To100 => "to-100",
            Self::ToMax => "to-max",
            Self::Over => "over",
        }
    }
}

/// Running time that somebody will want to know of when the engine comes to the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Abuse {
    /// Over the greatest permitted speed.
    OverSpeed,
    /// Over the head limit.
    OverLimit,
    /// Without cooling water.
    DryRun,
}

/// What is counted, without the edges of the bands: what a store keeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Totals {
    /// Milliseconds of running in each band, in the order of [`Band::ALL`].
    pub running_ms: [u64; Hours::BANDS],
    /// Milliseconds over the greatest permitted speed, over the head limit, without cooling water.
    pub abuse_ms: [u64; 3],
    /// Entries into running.
    pub starts: u32,
    /// Holes in the record that ended a run.
    pub holes: u32,
}

impl Totals {
    /// A new engine.
    pub const NONE: Self = Self { running_ms: [0; Hours::BANDS], abuse_ms: [0; 3], starts: 0, holes: 0 };

    /// Milliseconds of running in all bands.
    #[must_use]
    pub fn all_running_ms(&self) -> u64 {
        self.running_ms.iter().fold(0, |sum, band| sum.saturating_add(*band))
    }

    /// Each counter combined with that of `other`, in place: totals are large for a small stack.
    fn combine(&mut self, other: &Self, wide: fn(u64, u64) -> u64, narrow: fn(u32, u32) -> u32) {
        let counters = self.running_ms.iter_mut().chain(self.abuse_ms.iter_mut());
        for (counter, other) in counters.zip(other.running_ms.iter().chain(&other.abuse_ms)) {
            *counter = wide(*counter, *other);
        }
        self.starts = narrow(self.starts, other.starts);
        self.holes = narrow(self.holes, other.holes);
    }

    /// Adds `more` to each counter.
    pub fn add(&mut self, more: &Self) {
        self.combine(more, u64::saturating_add, u32::saturating_add);
    }

    /// Takes `less` from each counter; 0 stays where it is more.
    pub fn subtract(&mut self, less: &Self) {
        self.combine(less, u64::saturating_sub, u32::saturating_sub);
    }

    /// Raises each counter to that of `floor`, where it is lower.
    pub fn raise_to(&mut self, floor: &Self) {
        self.combine(floor, u64::max, u32::max);
    }
}

/// What the engine has done so far.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Hours {
    /// Upper edges of all bands but the last, in ¼ rpm; an edge belongs to its band.
    edges: [i32; Self::BANDS - 1],
    totals: Totals,
    /// The running time once more, in whole seconds and the milliseconds beyond: to divide it costs too much in a step.
    running_s: u32,
    beyond_ms: u32,
}

impl Hours {
    /// Number of bands.
    pub const BANDS: usize = 7;

    /// A new engine.
    #[must_use]
    pub const fn new() -> Self {
        Self { edges: [i32::MAX; Self::BANDS - 1], totals: Totals::NONE, running_s: 0, beyond_ms: 0 }
    }

    pub(crate) fn begin(&mut self, profile: &Profile) {
        let rated = profile.rated_or_max().raw();
        // Edges are rounded down to whole rpm.
        self.edges = [
            percent_of_quarters(profile.idle.raw(), 125),
            percent_of_quarters(rated, 50),
            percent_of_quarters(rated, 70),
            percent_of_quarters(rated, 90),
            percent_of_quarters(rated, 100),
            percent_of_quarters(profile.max.raw(), 100),
        ];
    }

    /// Position in [`Band::ALL`] of an engine speed in ¼ rpm.
    pub(crate) fn band_index(&self, quarters: i32) -> usize {
        self.edges.iter().position(|&edge| quarters <= edge).unwrap_or(Self::BANDS.saturating_sub(1))
    }

    /// Credits running time to the band of an engine speed in ¼ rpm.
    pub(crate) fn credit_running(&mut self, quarters: i32, passed_ms: u64) {
        let band = self.band_index(quarters);
        if let Some(total) = self.totals.running_ms.get_mut(band) {
            *total = total.saturating_add(passed_ms);
        }
        self.pass(u32::try_from(passed_ms).unwrap_or(u32::MAX));
    }

    pub(crate) fn credit(&mut self, running_ms: &[u32; Self::BANDS]) {
        let mut passed_ms = 0_u32;
        for (total, credit) in self.totals.running_ms.iter_mut().zip(running_ms) {
            *total = total.saturating_add(u64::from(*credit));
            passed_ms = passed_ms.saturating_add(*credit);
        }
        self.pass(passed_ms);
    }

    fn pass(&mut self, passed_ms: u32) {
        self.beyond_ms = self.beyond_ms.saturating_add(passed_ms);
        // No more than 5 s are credited at once, so this ends sooner than a division on a core without one.
        while let Some(left_ms) = self.beyond_ms.checked_sub(1_000) {
            self.beyond_ms = left_ms;
            self.running_s = self.running_s.saturating_add(1);
        }
    }

    pub(crate) fn credit_abuse(&mut self, abuse: Abuse, passed_ms: u32) {
        if let Some(total) = self.totals.abuse_ms.get_mut(abuse as usize) {
            *total = total.saturating_add(u64::from(passed_ms));
        }
    }

    pub(crate) fn count_start(&mut self) {
        self.totals.starts = self.totals.starts.saturating_add(1);
    }

    pub(crate) fn count_hole(&mut self) {
        self.totals.holes = self.totals.holes.saturating_add(1);
    }

    /// Everything that is counted.
    #[must_use]
    pub const fn totals(&self) -> &Totals {
        &self.totals
    }

    /// Takes over what a store has kept. What was counted since power-up, while the store was still being read, comes on
    /// top of it.
    pub(crate) fn take_over(&mut self, kept: &Totals) {
        self.totals.add(kept);
        let running_ms = self.totals.all_running_ms();
        self.running_s = u32::try_from(running_ms / 1_000).unwrap_or(u32::MAX);
        self.beyond_ms = u32::try_from(running_ms % 1_000).unwrap_or(0);
    }

    /// Milliseconds of running.
    #[must_use]
    pub fn running_ms(&self) -> u64 {
        self.totals.all_running_ms()
    }

    /// Whole seconds of running.
    #[must_use]
    pub fn running_s(&self) -> u64 {
        u64::from(self.running_s)
    }

    /// Whole seconds of running, at no cost.
    pub(crate) const fn running_seconds(&self) -> u32 {
        self.running_s
    }

    /// Entries into running.
    #[must_use]
    pub const fn starts(&self) -> u32 {
        self.totals.starts
    }

    /// Holes in the record that ended a run.
    #[must_use]
    pub const fn holes(&self) -> u32 {
        self.totals.holes
    }

    /// Whole seconds of running in one way that harms the engine.
    #[must_use]
    pub fn abuse_s(&self, abuse: Abuse) -> u64 {
        self.totals.abuse_ms.get(abuse as usize).map_or(0, |total| total / 1_000)
    }

    /// Bands by rising speed: name, lower and upper edge in whole rpm, whole seconds. The last has no upper edge.
    pub fn bands(&self) -> impl Iterator<Item = (Band, i32, Option<i32>, u64)> + '_ {
        Band::ALL.into_iter().zip(self.totals.running_ms).enumerate().map(|(index, (band, running_ms))| {
            let upper = self.edges.get(index).map(|edge| edge / 4);
            let lower = index.checked_sub(1).and_then(|below| self.edges.get(below)).map_or(0, |edge| edge / 4);
            (band, lower, upper, running_ms / 1_000)
        })
    }
}

impl Default for Hours {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Rpm;

    #[test]
    fn bands_have_edges_in_whole_rpm_and_an_edge_belongs_to_the_band_below() {
        let mut profile = Profile::new(4, Rpm::from_whole_rpm(750), Rpm::from_whole_rpm(6_000));
        profile.rated = Some(Rpm::from_whole_rpm(5_501));
        let mut hours = Hours::new();
        hours.begin(&profile);
        let edges: [(Band, i32, Option<i32>); 7] = [
            (Band::Idle, 0, Some(937)),
            (Band::To50, 937, Some(2_750)),
            (Band::To70, 2_750, Some(3_850)),
            (Band::To90, 3_850, Some(4_950)),
            (Band::To100, 4_950, Some(5_501)),
            (Band::ToMax, 5_501, Some(6_000)),
            (Band::Over, 6_000, None),
        ];
        for (found, expected) in hours.bands().zip(edges) {
            assert_eq!((found.0, found.1, found.2), expected);
        }
        let cases = [
            ("standstill", 0, Band::Idle),
            ("edge", 937 * 4, Band::Idle),
            ("a quarter over the edge", 937 * 4 + 1, Band::To50),
            ("greatest permitted", 6_000 * 4, Band::ToMax),
            ("over it", 6_000 * 4 + 1, Band::Over),
        ];
        for (name, quarters, band) in cases {
            assert_eq!(Band::ALL[hours.band_index(quarters)], band, "{name}");
        }
    }

    #[test]
    fn what_was_kept_comes_back_below_what_was_counted_since() {
        let mut hours = Hours::new();
        hours.credit_running(0, 500);
        hours.count_start();
        let kept = Totals { running_ms: [9_000, 0, 0, 0, 7_000, 0, 0], abuse_ms: [1, 2, 3], starts: 12, holes: 4 };
        hours.take_over(&kept);
        assert_eq!((hours.running_ms(), hours.starts(), hours.holes()), (16_500, 13, 4));
        hours.credit(&[400, 0, 0, 0, 0, 99, 0]);
        assert_eq!((hours.running_ms(), hours.running_s()), (16_999, 16));
        hours.credit_running(0, 1);
        assert_eq!((hours.running_ms(), hours.running_s()), (17_000, 17));
        assert_eq!(hours.totals().abuse_ms, [1, 2, 3]);
    }

    #[test]
    fn without_a_rated_speed_the_greatest_permitted_stands_for_it() {
        let mut hours = Hours::new();
        hours.begin(&Profile::new(2, Rpm::from_whole_rpm(900), Rpm::from_whole_rpm(5_000)));
        assert_eq!(hours.bands().nth(1).map(|band| band.2), Some(Some(2_500)));
    }
}

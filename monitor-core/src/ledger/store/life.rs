//! How long the flash lasts.

/// How an area that is written round and round is used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Life {
    /// Records that fit into the whole area.
    pub records: u32,
    /// Seconds of running for each record.
    pub seconds_per_record: u32,
    /// Erases that each page stands.
    pub cycles: u32,
}

impl Life {
    /// The hours area: two sectors of 251 records, of which two in each tell the store's own affairs.
    pub const HOURS_AREA: Self = Self { records: 2 * 249, seconds_per_record: 9, cycles: 10_000 };

    /// An area without headers.
    #[must_use]
    pub const fn of_plain_area(area_bytes: u32, record_bytes: u32, seconds_per_record: u32, cycles: u32) -> Self {
        let records = match area_bytes.checked_div(record_bytes) {
            Some(records) => records,
            None => 0,
        };
        Self { records, seconds_per_record, cycles }
    }

    /// Whole hours of running until the pages are worn.
    #[must_use]
    pub fn running_hours(self) -> u64 {
        let rounds = u64::from(self.records).saturating_mul(u64::from(self.cycles));
        rounds.saturating_mul(u64::from(self.seconds_per_record)) / 3_600
    }

    /// Tenths of a year until the pages are worn, rounded down, at so many hours of running a year.
    #[must_use]
    pub fn tenths_of_years(self, hours_a_year: u32) -> u64 {
        self.running_hours().saturating_mul(10).checked_div(u64::from(hours_a_year)).unwrap_or(u64::MAX)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_of_the_design() {
        let cases = [
            ("16-byte records in 8 KiB", Life::of_plain_area(8_192, 16, 10, 10_000), 500, 284),
            ("24-byte records in 8 KiB", Life::of_plain_area(8_192, 24, 10, 10_000), 500, 189),
            ("two pages of 1 KiB", Life::of_plain_area(2_048, 16, 10, 10_000), 500, 71),
            ("as built, 500 h a year", Life::HOURS_AREA, 500, 249),
            ("as built, 1,000 h a year", Life::HOURS_AREA, 1_000, 124),
        ];
        for (name, life, hours_a_year, tenths) in cases {
            assert_eq!(life.tenths_of_years(hours_a_year), tenths, "{name}");
        }
    }

    #[test]
    fn published_arithmetic_of_an_endurance_budget() {
        // 2 pages of 4 KiB, 16-byte records, 10,000 cycles: 5,120,000 writes; every 6 min 512,000 h, every min 85,333 h.
        let budget = |seconds| Life::of_plain_area(8_192, 16, seconds, 10_000).running_hours();
        assert_eq!((budget(360), budget(60)), (512_000, 85_333));
    }

    #[test]
    fn no_division_by_nothing() {
        assert_eq!(Life::of_plain_area(8_192, 0, 10, 10_000).running_hours(), 0);
        assert_eq!(Life::HOURS_AREA.tenths_of_years(0), u64::MAX);
    }
}

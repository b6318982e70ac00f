//! Where everything lies in the region of 64 KiB.
//!
//! The layout is the same on every part, whatever its words and pages are, so that a region can be read as a file
//! anywhere. It is made of sectors of 4 KiB; a sector is one page of the part or several.

/// Bytes of the whole region.
pub const REGION_BYTES: u32 = 65_536;

/// Bytes of one sector: the largest page that a part may have.
pub const SECTOR_BYTES: u32 = 4_096;

/// A part of the region.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Area {
    /// Bytes from the beginning of the region.
    pub start: u32,
    /// Length in bytes.
    pub length: u32,
}

impl Area {
    /// Running hours.
    pub const HOURS: Self = Self { start: 0, length: 8 * 1_024 };
    /// What was learned of this engine.
    pub const LEARNED: Self = Self { start: 8 * 1_024, length: 16 * 1_024 };
    /// The minutes around alarms and warnings.
    pub const SNAPSHOTS: Self = Self { start: 24 * 1_024, length: 8 * 1_024 };
    /// What happened.
    pub const JOURNAL: Self = Self { start: 32 * 1_024, length: 24 * 1_024 };
    /// Profile and keys.
    pub const PROFILE: Self = Self { start: 56 * 1_024, length: 4 * 1_024 };
    /// In use together with [`Area::PROFILE`].
    pub const SPARE: Self = Self { start: 60 * 1_024, length: 4 * 1_024 };
    /// Profile and keys with the spare area: they need two sectors that take turns.
    pub const SETTINGS: Self =
        Self { start: Self::PROFILE.start, length: Self::PROFILE.length.saturating_add(Self::SPARE.length) };

    /// Every area, in order.
    pub const ALL: [Self; 6] = [Self::HOURS, Self::LEARNED, Self::SNAPSHOTS, Self::JOURNAL, Self::PROFILE, Self::SPARE];

    /// Number of sectors.
    #[must_use]
    pub const fn sectors(self) -> u32 {
        self.length / SECTOR_BYTES
    }
}

/// Where sector `index` of an area begins that itself begins at `start`; both in bytes from the beginning of the part.
pub(super) fn sector_at(start: u32, index: u8) -> u32 {
    start.saturating_add(u32::from(index).saturating_mul(SECTOR_BYTES))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn areas_follow_each_other_and_fill_the_region() {
        let mut end = 0;
        for area in Area::ALL {
            assert_eq!(area.start, end);
            assert_eq!(area.length % SECTOR_BYTES, 0);
            end = area.start + area.length;
        }
        assert_eq!(end, REGION_BYTES);
    }
}

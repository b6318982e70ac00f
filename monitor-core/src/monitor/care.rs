//! The service plan: what is due becomes a finding.

use embedded_storage::nor_flash::NorFlash;

use super::Monitor;
use crate::advise::Place;
use crate::detect::{CareWatch, Standing};
use crate::finding::Level;
use crate::ledger::{CarePlan, Item};

impl Monitor {
    /// Items of the service plan that became due, or were seen to. Called only while there is something to say.
    #[inline(never)]
    pub(super) fn decide_care(&mut self) {
        for item in Item::ALL {
            if !self.care.is_pending(item) {
                continue;
            }
            let due = self.care.is_due(item);
            let standing = if due { Standing::Present(Level::Caution) } else { Standing::Absent };
            if let Some(happening) = self.alarms.apply_item(&self.scene.tick, CareWatch::finding(item), item, standing)
            {
                self.report(&happening, Place::of(&happening));
            }
            // One that has gone stands for its off-delay still.
            self.care.set_raised(item, self.alarms.stands_item(item));
        }
    }

    /// Whether the service plan is to be handed in with [`Monitor::review_care`]. With a store [`Monitor::service`] sees to
    /// it.
    #[must_use]
    pub fn care_is_stale(&self) -> bool {
        self.care.is_stale(self.running_s(), None)
    }

    /// Judges the service plan; what is due is raised with the next decision tick.
    pub fn review_care(&mut self, plan: &CarePlan) {
        let running_s = self.running_s();
        self.care.review(plan, self.scene.profile.strokes, running_s, None);
    }

    fn running_s(&self) -> u32 {
        u32::try_from(self.hours.running_s()).unwrap_or(u32::MAX)
    }

    /// Reads the service plan from flash. Apart from [`Monitor::service`], so that its buffer is on the stack only then. A plan
    /// that cannot be read is none: nothing is due that nobody can name.
    #[inline(never)]
    pub(super) fn read_care<F: NorFlash>(&mut self, flash: &mut F) {
        let settings = self.keeper.store().settings.load(flash).ok().flatten();
        self.review_care(&settings.map_or(CarePlan::NONE, |settings| settings.care));
    }
}

//! The engine's service book: hours, starts and the store that keeps them.

mod calendar;
mod clock;
mod hours;
mod item;
mod keeper;
pub(crate) mod packing;
mod quota;
mod service_plan;
mod snapshot;
pub mod store;
mod waiting;

pub use calendar::{Civil, Day};
pub use clock::{ClockAnchor, ClockQuality, EARLIEST_BELIEVABLE_UNIX_S, MeterChange};
pub use hours::{Abuse, Band, Hours, Totals};
pub use item::Item;
pub(crate) use keeper::{Keeper, Moment};
pub use service_plan::{CareItem, CarePlan, Done, Due, Role, SignOff};
pub use snapshot::{Part, SNAPSHOT_EVERY_S, SnapshotHalf, SnapshotRing, Trigger};

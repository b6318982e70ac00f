//! The engine's service book: hours, starts and the store that keeps them.

mod hours;
mod item;
mod keeper;
pub(crate) mod packing;
mod quota;
mod snapshot;
pub mod store;
mod waiting;

pub use hours::{Abuse, Band, Hours, Totals};
pub use item::Item;
pub(crate) use keeper::{Keeper, Moment};
pub use snapshot::{Part, SNAPSHOT_EVERY_S, SnapshotHalf, SnapshotRing, Trigger};

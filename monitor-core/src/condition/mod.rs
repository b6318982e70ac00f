//! Second block: how far each reading can be believed, the one-second decision tick, run state and hours.

mod quality;
mod run_state;
mod steady;
mod tick;
mod timeline;

pub use run_state::{Run, RunState};
pub use tick::Tick;

pub(crate) use quality::{in_span, judged};
pub(crate) use run_state::RunTracker;
pub(crate) use steady::{Block, SteadyWatch};
pub(crate) use tick::TickBuilder;
pub(crate) use timeline::Timeline;

/// Longest time between two samples that still counts as one stretch, in milliseconds. Over a longer hole nothing is
/// known: no hours, no delay and no trend goes on across it.
pub const HOLE_MS: u32 = 5_000;

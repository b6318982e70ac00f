//! Fourth block: what is normal for this engine, and which causes explain what is seen.

mod causes;
mod expected;
mod learned;
mod normal;
mod wear;

pub(crate) use causes::explains;
pub(crate) use expected::{Expected, HeadSpan};
pub use learned::LearnedStretch;
pub(crate) use learned::Norm;
pub(crate) use normal::Normal;
pub(crate) use wear::{POINTS, Point};

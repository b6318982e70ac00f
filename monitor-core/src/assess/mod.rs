//! Fourth block: what is normal for this engine, and which causes explain what is seen.

mod causes;
mod normal;

pub(crate) use causes::explains;
pub(crate) use normal::Normal;

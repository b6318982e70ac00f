//! Fifth block: when will the head reach its limit?

mod head_limit;
mod head_trend;

pub(crate) use head_limit::{Estimate, long_line, seconds_to_limit};
pub(crate) use head_trend::{HeadTrend, Line};

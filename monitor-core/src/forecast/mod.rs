//! Fifth block: when will the head reach its limit, and the impeller its end?

mod head_limit;
mod head_trend;
mod renewal;

pub(crate) use head_limit::{Estimate, long_line, seconds_to_limit};
pub(crate) use head_trend::{HeadTrend, Line};
pub(crate) use renewal::{HoursLeft, hours_left};

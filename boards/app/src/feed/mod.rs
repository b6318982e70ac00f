//! The feed: calls of the monitor's façade as a file, all numbers little-endian.
//!
//! ```text
//! feed    = "LKFEED" version:u16 record* end
//! profile = 0x01 length:u8 bytes          the profile in postcard, before anything else
//! begin   = 0x02 trip:i16 now:i64         power-up
//! row     = 0x03 now:i64 (raw:i32 quality:u8) × 7, in the order of `Channel::ALL`
//! finish  = 0x04                          power-down
//! command = 0x05 now:i64 length:u8 bytes  a request in postcard
//! end     = 0x06 rows:u32                 number of row records, so that a feed cut short is noticed
//! ```
//! `now` is in milliseconds on the trace's clock; `raw` is in the channel's own unit (see `monitor_core::acquire`).

mod decode;
#[cfg(any(test, feature = "std"))]
mod encode;

pub use decode::{FeedError, FeedReader, Record, Source};
#[cfg(any(test, feature = "std"))]
pub use encode::{EncodeError, FeedWriter, IoSource, flip_bit};

/// First bytes of every feed.
pub const MAGIC: [u8; 6] = *b"LKFEED";
/// Version of the layout; a reader refuses every other one.
pub const VERSION: u16 = 1;
/// Most bytes that a profile or a request may take.
pub const MAX_ENCODED: usize = 128;

/// Bytes of a row record: tag, stamp, then value and quality of each channel.
pub const ROW_BYTES: usize = 1 + 8 + monitor_core::acquire::Channel::COUNT * 5;

pub(crate) mod tag {
    pub(crate) const PROFILE: u8 = 1;
    pub(crate) const BEGIN: u8 = 2;
    pub(crate) const ROW: u8 = 3;
    pub(crate) const FINISH: u8 = 4;
    pub(crate) const COMMAND: u8 = 5;
    pub(crate) const END: u8 = 6;
}

//! Power cuts for flash stores.
//!
//! [`SimFlash`] is a NOR flash in memory that keeps to the letter of the `embedded-storage` contract: a word may be
//! written once between two erases, everything is aligned, and what a power cut leaves behind is nothing to rely on.
//! [`exhaust`] takes a store under test (a [`Subject`]) and a list of operations, cuts the power at every single word
//! write and page erase, in every [`Tear`] style, again during the recovery, and says what the store lost.
//! [`soak()`] leads one flash through a long life of random operations and random cuts.
//!
//! A store that comes through keeps these promises:
//!
//! - what is read back after a cut is the state of the last acknowledged operation or that with the one in flight,
//!   never an older one; for a journal that is an exact prefix;
//! - once shown, a state stays, whatever words read differently the next time;
//! - opening never ends in an error that needs a wipe;
//! - the next operation works and survives a further reboot.
//!
//! # What the flash does not do
//!
//! A torn word that reads as erased counts as untouched and may be written. No store could tell it from an untouched
//! one; where cells behave otherwise, the chip's own blank check has to be asked. Words do not age, and reading does
//! not disturb neighbours.
//!
//! # Example
//!
//! ```
//! use embedded_storage::nor_flash::{NorFlash, ReadNorFlash};
//! use powercut::{SimError, SimFlash, Tear};
//!
//! let mut flash = SimFlash::<8, 1024>::new(2);
//! flash.cut_at(2, Tear::Prefix, 7);
//! assert_eq!(flash.write(0, &[0x55; 16]), Err(SimError::PowerLost));
//!
//! flash.power_up();
//! let mut word = [0; 8];
//! assert_eq!(flash.read(0, &mut word), Ok(()));
//! assert_eq!(word, [0x55; 8], "the word before the torn one is whole");
//! ```

mod drive;
mod flash;
mod random;
mod report;
mod shared;
mod soak;
mod tear;

pub use drive::{Plan, Scenario, Subject, exhaust};
pub use flash::{Counts, SimError, SimFlash};
pub use random::Random;
pub use report::{Breach, Cost, Report};
pub use shared::SharedFlash;
pub use soak::{Life, soak};
pub use tear::Tear;

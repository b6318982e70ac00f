//! Properties that must hold for any input.
//!
//! Each takes bytes and panics if a promise is broken. The fuzz targets in `targets/` and the random tests in `tests/` call
//! the same functions.

mod events;
mod image;
mod input;
mod memory;
mod operations;
mod trace;

pub use image::flash_image;
pub use memory::memory_file;
pub use operations::store_operations;
pub use trace::trace_file;

//! Operations of the store, with power cuts between and within them.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| lookastern_fuzz::store_operations(data));

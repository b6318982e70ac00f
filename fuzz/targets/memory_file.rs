//! A memory file or a dump of any bytes.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| lookastern_fuzz::memory_file(data));

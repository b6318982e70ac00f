//! A trace of any bytes.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| lookastern_fuzz::trace_file(data));

//! A store that is opened on any flash image.
#![no_main]

libfuzzer_sys::fuzz_target!(|data: &[u8]| lookastern_fuzz::flash_image(data));

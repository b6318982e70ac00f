//! The properties of the fuzz targets on random input, for machines without a fuzzer.

use lookastern_fuzz::{flash_image, memory_file, store_operations, trace_file};
use proptest::collection::vec;
use proptest::prelude::*;

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn what_the_store_acknowledged_is_there_after_any_operations_and_cuts(data in vec(any::<u8>(), 1..600)) {
        store_operations(&data);
    }

    #[test]
    fn a_store_opens_on_any_flash(data in vec(any::<u8>(), 1..3_000)) {
        flash_image(&data);
    }

    #[test]
    fn any_bytes_are_a_trace_or_a_problem(data in vec(any::<u8>(), 0..2_000)) {
        trace_file(&data);
    }

    #[test]
    fn any_bytes_are_a_memory_or_a_problem(data in vec(any::<u8>(), 0..70_000)) {
        memory_file(&data);
    }

    /// Bytes that look like a trace get deeper.
    #[test]
    fn any_text_behind_a_header_is_a_trace_or_a_problem(text in "(t_s|time),rpm,head_c\n([0-9.,:TZ#\"\n -]|1e){0,400}") {
        trace_file(text.as_bytes());
    }
}

#[test]
fn a_life_with_everything_in_it_is_kept() {
    // Running, service, events, learned state, a cut, a power-down, a power-down without a cut.
    store_operations(&[0, 0, 0, 1, 0xFF, 0x7F, 1, 4, 4, 5, 9, 6, 40, 0, 7, 1, 4, 4, 4, 7, 0, 2]);
}

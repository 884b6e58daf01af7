//! See `gapkeeper_tests::readers::record`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| gapkeeper_tests::readers::record(bytes));

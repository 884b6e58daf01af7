//! See `gapkeeper_tests::readers::json`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| gapkeeper_tests::readers::json(bytes));

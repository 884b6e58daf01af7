//! See `gapkeeper_tests::readers::memory`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| gapkeeper_tests::readers::memory(bytes));

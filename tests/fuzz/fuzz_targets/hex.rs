//! See `gapkeeper_tests::readers::hex`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| gapkeeper_tests::readers::hex(bytes));

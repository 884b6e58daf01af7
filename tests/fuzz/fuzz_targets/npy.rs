//! See `gapkeeper_tests::readers::npy`.
#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| gapkeeper_tests::readers::npy(bytes));

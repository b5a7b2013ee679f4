#![no_main]

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| nightjar_fuzz::targets::mqtt(bytes));

#![no_main]
#[path = "../targets.rs"]
#[allow(dead_code)]
mod targets;

libfuzzer_sys::fuzz_target!(|data: &[u8]| targets::witness(data));

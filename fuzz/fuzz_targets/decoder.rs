#![no_main]
#[path = "../targets.rs"]
#[allow(dead_code)]
mod targets;

libfuzzer_sys::fuzz_target!(init: targets::let_decoders_break(), |data: &[u8]| targets::decoder(data));

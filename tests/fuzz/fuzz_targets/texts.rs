//! [`bodies::texts`]: no panic, and what it promises, whatever bytes come.

#![no_main]

#[path = "../bodies.rs"]
#[allow(dead_code)]
mod bodies;

libfuzzer_sys::fuzz_target!(|data: &[u8]| bodies::texts(data));

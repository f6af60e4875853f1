//! How many cases a check that simulates goes through.

fn set(name: &str) -> bool {
    std::env::var(name).as_deref() == Ok("1")
}

/// `few` in a plain `cargo test`, `more` under TAUTPOINT_FULL_TESTS=1 (`.ci/run`), `most` under TAUTPOINT_MANY_CASES=1
/// (`.ci/nightly`). Where a limit leaves room for chance, that room follows from the number of cases.
pub fn cases(few: u64, more: u64, most: u64) -> u64 {
    if set("TAUTPOINT_MANY_CASES") {
        most
    } else if set("TAUTPOINT_FULL_TESTS") {
        more
    } else {
        few
    }
}

//! How often the 95 % interval of the end-feel holds the truth: simulate, measure, count.
//!
//!     cargo run --release --example check_coverage [TRACES]

use tautpoint::simulation::{TraceSpec, simulate};
use tautpoint::{Measure, Settings, measure_trace};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let traces: u64 = match std::env::args().nth(1) {
        Some(word) => word.parse()?,
        None => 100,
    };
    let settings = Settings::default();
    let (mut held, mut counted) = (0_u64, 0_u64);
    for seed in 0..traces {
        let made = simulate(&TraceSpec::default(), seed);
        let measured = measure_trace(&made.trace, &settings)?;
        // The truth is the same definition on the same movement without noise.
        let truth = measure_trace(&made.noise_free, &settings)?;
        let end_feel = |tests: &[tautpoint::Test]| tests.first()?.measures.get(Measure::EndFeel);
        let (Some(estimate), Some(truth)) = (end_feel(&measured), end_feel(&truth)) else {
            continue;
        };
        let Some(half_width) = estimate.u95() else {
            continue;
        };
        counted += 1;
        held += u64::from((estimate.value - truth.value).abs() <= half_width);
    }
    println!("{held} of {counted} intervals hold the true end-feel");
    Ok(())
}

//! Left against right at one level, three tests a side, by more than these tests can measure or not.
//!
//!     cargo run --example compare_two_sides

use tautpoint::simulation::{Elastic, TraceSpec, simulate};
use tautpoint::{CompareContext, Level, Measure, Settings, Side, Test, compare, measure_trace};

/// End-feel under the left and the right hand, in N/mm: 40 % apart.
const SIDES: [(Side, f64); 2] = [(Side::Left, 8.0), (Side::Right, 12.0)];

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let settings = Settings::default();
    let mut tests: Vec<Test> = Vec::new();
    for (side, end_feel) in SIDES {
        for trial in 1..=3 {
            tests.extend(press(side, end_feel, trial, &settings)?);
        }
    }
    let context = CompareContext {
        settings: &settings,
        calls: &[],
        agreement: None,
    };
    let found = compare(&tests, &context);
    for row in found.comparisons.iter().filter(|c| c.measure == Measure::EndFeel) {
        let word = row.side_of_resistance.map_or("no word", |w| w.word());
        println!(
            "end-feel, right against left: {:.1} % ({:.1} to {:.1}), margin {} %: {word}",
            row.asymmetry_percent.unwrap_or(f64::NAN),
            row.low_percent.unwrap_or(f64::NAN),
            row.high_percent.unwrap_or(f64::NAN),
            settings.compare.threshold_percent,
        );
    }
    Ok(())
}

/// One simulated press, measured and named.
fn press(side: Side, end_feel: f64, trial: u32, settings: &Settings) -> tautpoint::Result<Vec<Test>> {
    let mut spec = TraceSpec::default();
    if let Elastic::Knee {
        end_feel_n_per_mm, ..
    } = &mut spec.tissue.elastic
    {
        *end_feel_n_per_mm = end_feel;
    }
    let seed = u64::from(trial) + if side == Side::Left { 0 } else { 100 };
    let mut trace = simulate(&spec, seed).trace;
    trace.about.level = Some(Level::L3);
    trace.about.side = Some(side);
    trace.about.trial = Some(trial);
    measure_trace(&trace, settings)
}

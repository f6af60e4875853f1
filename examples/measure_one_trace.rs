//! One trace in, measures with their 95 % intervals out.
//!
//!     cargo run --example measure_one_trace [RECORDING.csv]
//!
//! Without a file it measures a simulated press.

use std::path::Path;
use tautpoint::simulation::{TraceSpec, simulate};
use tautpoint::{About, ColumnMapping, Measure, Settings, Trace, measure_trace, read_trace};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let trace = match std::env::args().nth(1) {
        Some(path) => from_file(Path::new(&path))?,
        None => simulate(&TraceSpec::default(), 1).trace,
    };
    for test in measure_trace(&trace, &Settings::default())? {
        println!("test {}: {} springs", test.test, test.springs.len());
        for measure in [
            Measure::Onset,
            Measure::EndFeel,
            Measure::LossRatio,
            Measure::Peak,
        ] {
            let info = measure.info();
            let Some(estimate) = test.measures.get(measure) else {
                println!("  {}: not to be had from this trace", info.label);
                continue;
            };
            let interval = estimate.u95().map_or(String::new(), |u| format!(" ± {u:.3}"));
            println!("  {}: {:.3}{interval} {}", info.label, estimate.value, info.unit);
        }
        for note in &test.notes {
            println!("  note: {note}");
        }
    }
    Ok(())
}

fn from_file(path: &Path) -> tautpoint::Result<Trace> {
    let read = read_trace(
        path,
        &path.to_string_lossy(),
        &ColumnMapping::default(),
        About::default(),
    )?;
    for problem in &read.problems {
        eprintln!("{problem}");
    }
    Ok(read.trace)
}

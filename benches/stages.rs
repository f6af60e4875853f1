//! Where the time of an analysis goes: `cargo bench --bench stages -- [--recordings N] [--rounds N]`.
//!
//! Simulated recordings of 10 s at 1 kHz, one core. Each stage runs over all of them; printed are the fastest round's
//! milliseconds a recording and its share of the whole chain. Its own timer: the known harness crates build polars twice.

use std::hint::black_box;
use std::ops::Range;
use std::process::ExitCode;
use std::time::Instant;
use tautpoint::batch;
use tautpoint::compare::{CompareContext, compare};
use tautpoint::read::read_bytes;
use tautpoint::results::Results;
use tautpoint::settings::Settings;
use tautpoint::signal::condition::{Conditioned, condition};
use tautpoint::signal::episodes::find_episodes;
use tautpoint::signal::fit::{FitInput, fit};
use tautpoint::signal::measure_trace;
use tautpoint::simulate::{Cohort, Sensor, StudyFolder};
use tautpoint::study::mapping::ColumnMapping;
use tautpoint::trace::{About, Test, Trace};
use tautpoint::write::OutputFolder;

struct Asked {
    recordings: usize,
    rounds: usize,
}

fn asked() -> Result<Asked, String> {
    let mut asked = Asked {
        recordings: 60,
        rounds: 5,
    };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut number = || words.next().and_then(|n| n.parse().ok()).filter(|n| *n > 0);
        let place = match word.as_str() {
            "--recordings" => &mut asked.recordings,
            "--rounds" => &mut asked.rounds,
            // What cargo itself adds.
            "--bench" => continue,
            other => return Err(format!("unknown option {other:?}")),
        };
        *place = number().ok_or_else(|| format!("{word} needs a whole number above 0"))?;
    }
    Ok(asked)
}

/// Milliseconds of the fastest round.
fn fastest(rounds: usize, mut work: impl FnMut()) -> f64 {
    let mut best = f64::INFINITY;
    for _ in 0..rounds {
        let begun = Instant::now();
        work();
        best = best.min(begun.elapsed().as_secs_f64() * 1e3);
    }
    best
}

/// From first contact to the end of the last spring, and the springs within it, as the chain gives them to the fit.
struct Part {
    force_n: Vec<f64>,
    displacement_mm: Vec<f64>,
    springs: Vec<Range<usize>>,
}

fn part(c: &Conditioned, test: &Test) -> Option<Part> {
    let side = c.sides.first()?;
    let x = side.displacement.as_ref()?;
    let at = |t: f64| ((t - c.grid.time_s(0.0)) * c.grid.rate_hz()).round().max(0.0) as usize;
    let begin = at(test.phases.contact_begin_s);
    let end = at(test.phases.springs_end_s?).min(x.y.len());
    let spring = |s: &tautpoint::trace::Spring| at(s.start_s) - begin..at(s.end_s) - begin;
    Some(Part {
        force_n: side.force.y.get(begin..end)?.to_vec(),
        displacement_mm: x.y.get(begin..end)?.to_vec(),
        springs: test.springs.iter().map(spring).collect(),
    })
}

fn main() -> ExitCode {
    let asked = match asked() {
        Ok(asked) => asked,
        Err(problem) => {
            eprintln!("{problem}");
            return ExitCode::from(2);
        }
    };
    let dir = match tempfile::tempdir() {
        Ok(dir) => dir,
        Err(error) => {
            eprintln!("{error}");
            return ExitCode::from(2);
        }
    };
    let study = dir.path().join("study");
    let made = Cohort {
        subjects: asked.recordings.div_ceil(10) as u32,
        trials: 1,
        sensor: Sensor {
            rate_hz: 1000.0,
            ..Sensor::default()
        },
        ..Cohort::default()
    };
    if let Err(error) = StudyFolder::of_cohort(&made, 1).and_then(|f| f.write(&study)) {
        eprintln!("{error}");
        return ExitCode::from(2);
    }
    measure(&study, dir.path(), &asked);
    ExitCode::SUCCESS
}

fn measure(study: &std::path::Path, dir: &std::path::Path, asked: &Asked) {
    let settings = Settings::default();
    let files = std::fs::read_dir(study.join("recordings"))
        .into_iter()
        .flatten()
        .flatten();
    let csv = files
        .map(|f| f.path())
        .filter(|p| p.extension().is_some_and(|e| e == "csv"));
    let texts: Vec<Vec<u8>> = csv
        .filter_map(|p| std::fs::read(p).ok())
        .take(asked.recordings)
        .collect();
    let mapping = ColumnMapping::default();
    let read = |bytes: &Vec<u8>| read_bytes(bytes, "r.csv", &mapping, About::default()).ok();
    let traces: Vec<Trace> = texts.iter().filter_map(|t| Some(read(t)?.trace)).collect();
    let conditioned: Vec<Conditioned> = traces
        .iter()
        .filter_map(|t| condition(t, &settings).ok())
        .collect();
    let chain = |t: &Trace| measure_trace(t, &settings);
    let tests: Vec<Test> = traces
        .iter()
        .filter_map(|t| chain(t).ok()?.into_iter().next())
        .collect();
    let parts: Vec<Part> = conditioned
        .iter()
        .zip(&tests)
        .filter_map(|(c, t)| part(c, t))
        .collect();
    let n = traces.len() as f64;
    let mut stages: Vec<(&str, f64)> = Vec::new();
    let mut stage = |name, work: &mut dyn FnMut()| stages.push((name, fastest(asked.rounds, work) / n));
    stage("read (one core)", &mut || {
        texts.iter().for_each(|t| drop(black_box(read(t))))
    });
    stage("condition", &mut || {
        traces
            .iter()
            .for_each(|t| drop(black_box(condition(t, &settings))))
    });
    stage("detect", &mut || {
        for (t, c) in traces.iter().zip(&conditioned) {
            drop(black_box(find_episodes(t, c, &settings)));
        }
    });
    stage("fit", &mut || {
        for (c, p) in conditioned.iter().zip(&parts) {
            let side = &c.sides[0];
            let input = FitInput {
                rate_hz: c.grid.rate_hz(),
                cutoff_hz: c.cutoff_hz,
                force_n: &p.force_n,
                displacement_mm: &p.displacement_mm,
                force_noise_n: side.force.noise_sd,
                displacement_noise_mm: side.displacement.as_ref().map_or(0.0, |x| x.noise_sd),
                noise: &c.noise,
                zero_sd_n: 0.0,
                springs: &p.springs,
                onset_within_mm: None,
            };
            let _ = black_box(fit(&input));
        }
    });
    stage("the chain: condition, detect, fit, measures", &mut || {
        traces.iter().for_each(|t| drop(black_box(chain(t))));
    });
    let results = batch::run(&[study.to_owned()], &batch::Options::default()).unwrap_or_default();
    let context = CompareContext {
        settings: &settings,
        calls: &[],
        agreement: None,
    };
    stage("compare", &mut || {
        drop(black_box(compare(&results.tests, &context)))
    });
    stage("write tables", &mut || drop(black_box(write(&results, dir))));
    println!(
        "{} recordings of 10 s at 1 kHz, fastest of {} rounds\n",
        traces.len(),
        asked.rounds
    );
    println!("| stage | ms a recording |\n|---|---|");
    for (name, ms) in &stages {
        println!("| {name} | {ms:.3} |");
    }
}

fn write(results: &Results, dir: &std::path::Path) -> tautpoint::error::Result<()> {
    let mut folder = OutputFolder::begin(&dir.join("out"), &[])?;
    results.write_tables(&mut folder)
}

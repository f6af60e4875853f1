//! Every number beside what it must reach: `cargo bench --bench accuracy -- [--traces N] [--scans N] [--laws N] [--law WORD] [--condition WORD] [--all]`.
//!
//! Prints tables and, last, every limit that was missed; the exit code is not zero when there is one. `--all`
//! adds every other measure to the table of intervals.

#[path = "../tests/all/proof/mod.rs"]
mod proof;

use proof::bound::{over_bound, rms};
use proof::gates::{Gate, HELD, WITH_INTERVALS, at_most, decisions, filter_bias, gates, outside};
use proof::tally::{Tally, median, missed, spread, trials_of_law};
use std::process::ExitCode;
use tautpoint::columns::Measure;
use tautpoint::simulate::{Condition, UnmodelledLaw};

/// First seed; each condition has its own stretch.
const FIRST_SEED: u64 = 1_000_000;

struct Asked {
    traces: u64,
    scans: u64,
    laws: u64,
    law: Option<UnmodelledLaw>,
    only: Option<Condition>,
    all: bool,
}

fn asked() -> Result<Asked, String> {
    let mut asked = Asked {
        traces: 1000,
        scans: 400,
        laws: 200,
        law: None,
        only: None,
        all: false,
    };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut value = || words.next().ok_or_else(|| format!("{word} needs a value"));
        match word.as_str() {
            "--traces" => asked.traces = value()?.parse().map_err(|_| "--traces needs a number")?,
            "--scans" => asked.scans = value()?.parse().map_err(|_| "--scans needs a number")?,
            "--laws" => asked.laws = value()?.parse().map_err(|_| "--laws needs a number")?,
            "--law" => {
                let word = value()?;
                let named = UnmodelledLaw::ALL.into_iter().find(|l| l.word() == word);
                asked.law = Some(named.ok_or_else(|| format!("no law {word:?}"))?);
            }
            "--condition" => {
                let word = value()?;
                asked.only = Some(Condition::parse(&word).ok_or_else(|| format!("no condition {word:?}"))?);
            }
            "--all" => asked.all = true,
            // What cargo itself adds.
            "--bench" => {}
            other => return Err(format!("unknown option {other:?}")),
        }
    }
    Ok(asked)
}

fn main() -> ExitCode {
    let asked = match asked() {
        Ok(asked) => asked,
        Err(problem) => {
            eprintln!("{problem}");
            return ExitCode::from(2);
        }
    };
    let wanted = |c: &Condition| asked.only.is_none_or(|o| o == *c);
    let every = Condition::ALL.into_iter().chain(Condition::OUTSIDE_THE_LAW);
    let begun = std::time::Instant::now();
    let tallies: Vec<Tally> = every
        .enumerate()
        .filter(|(_, c)| wanted(c))
        .map(|(k, c)| {
            eprintln!("{} …", c.word());
            Tally::of(c, asked.traces, FIRST_SEED * (k as u64 + 1))
        })
        .collect();
    println!("{} traces a condition\n", asked.traces);
    errors(&tallies);
    intervals(&tallies, asked.all);
    bound(&tallies);
    unknown_tissue(&tallies);
    false_knees(&tallies);
    if asked.only.is_none() && asked.laws > 0 {
        unmodelled(asked.laws, asked.law);
    }
    let mut held: Vec<Gate> = tallies.iter().flat_map(gates).collect();
    held.extend(tallies.iter().filter(|t| unknown(t.condition)).flat_map(outside));
    if asked.only.is_none() {
        let other: Vec<Gate> = filter_bias().into_iter().chain(decisions(asked.scans)).collect();
        println!("| what | must reach | measured |\n|---|---|---|");
        for g in &other {
            println!("| {} | {} | {} |", g.what, g.must, g.found);
        }
        println!();
        held.extend(other);
    }
    let (known, missed): (Vec<&Gate>, Vec<&Gate>) =
        held.iter().filter(|g| !g.ok).partition(|g| g.known.is_some());
    println!(
        "{} limits: {} reached, {} known to be out of reach, {} missed; {:.0} s",
        held.len(),
        held.len() - known.len() - missed.len(),
        known.len(),
        missed.len(),
        begun.elapsed().as_secs_f64()
    );
    for g in &known {
        println!(
            "OUT OF REACH {}: must be {}, is {}: {}",
            g.what,
            g.must,
            g.found,
            g.known.unwrap_or_default()
        );
    }
    for g in &missed {
        println!("MISSED {}: must be {}, is {}", g.what, g.must, g.found);
    }
    if missed.is_empty() {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

fn unknown(c: Condition) -> bool {
    c == Condition::Friction || Condition::OUTSIDE_THE_LAW.contains(&c)
}

/// Errors as median / worst.
fn errors(tallies: &[Tally]) {
    println!(
        "| condition | springs wrong | knee claimed, missed | onset mm | onset force % | end-feel % | fitted % | loss ratio | \
         excursion % | peak % | says poor % |\n|---|---|---|---|---|---|---|---|---|---|---|"
    );
    for t in tallies {
        let own = |m: Measure, d: usize| {
            let s = t.spread(m);
            if s.n == 0 {
                "–".to_owned()
            } else {
                format!("{:.d$} / {:.d$}", s.median, s.worst)
            }
        };
        let percent = |m: Measure| {
            let s = t.spread(m);
            if s.n == 0 {
                "–".to_owned()
            } else {
                format!("{:.2} / {:.2}", s.median_percent, s.worst_percent)
            }
        };
        println!(
            "| {} | {} | {}, {} | {} | {} | {} | {} | {} | {} | {} | {:.1} |",
            t.condition.word(),
            t.wrong_springs().len(),
            t.claimed().len(),
            t.missed().len(),
            own(Measure::Onset, 4),
            percent(Measure::OnsetForce),
            percent(Measure::EndFeel),
            percent(Measure::FittedEndFeel),
            own(Measure::LossRatio, 4),
            percent(Measure::Excursion),
            percent(Measure::Peak),
            100.0 * t.said_poor(),
        );
    }
    println!();
}

/// Share of the intervals that hold the truth, their median half-width over the errors' 95th percentile, and
/// the mean error over the root mean square error.
fn intervals(tallies: &[Tally], all: bool) {
    let measures: Vec<Measure> = Measure::ALL
        .into_iter()
        .filter(|m| all || WITH_INTERVALS.contains(m))
        .collect();
    let names: Vec<&str> = measures.iter().map(|m| m.info().name).collect();
    println!("| intervals hold % (width, bias) | {} |", names.join(" | "));
    println!("|---{}|", "|---".repeat(names.len()));
    for t in tallies {
        let cells: Vec<String> = measures
            .iter()
            .map(|m| {
                let s = t.spread(*m);
                if s.n == 0 {
                    "–".to_owned()
                } else {
                    format!(
                        "{:.1} ({:.2}, {:+.2})",
                        100.0 * s.coverage(),
                        s.width_ratio(),
                        s.bias_share
                    )
                }
            })
            .collect();
        println!("| {} | {} |", t.condition.word(), cells.join(" | "));
    }
    println!();
}

/// Errors over the standard deviation that the Cramér–Rao bound allows.
fn bound(tallies: &[Tally]) {
    println!(
        "| condition | onset: bound mm | median error / bound | RMS / bound | end-feel: bound N/mm | median error / bound | \
         RMS / bound |\n|---|---|---|---|---|---|---|"
    );
    for t in tallies.iter().filter(|t| HELD.contains(&t.condition)) {
        let mut cells = Vec::new();
        for (k, ratios) in over_bound(t).iter().enumerate() {
            // A normal error of standard deviation 1 has a median size of 0.6745.
            let middle = median(ratios.iter().map(|r| r.abs()).collect()) / 0.6745;
            let sd = median(t.trials.iter().filter_map(|t| Some(t.bound?[k])).collect());
            cells.push(format!("{sd:.5} | {middle:.2} | {:.2}", rms(ratios)));
        }
        println!("| {} | {} |", t.condition.word(), cells.join(" | "));
    }
    println!();
}

fn unknown_tissue(tallies: &[Tally]) {
    println!(
        "| tissue the law does not know | onset mm | onset force % | fitted % | says poor fit % | intervals hold: onset, force, \
         fitted % |\n|---|---|---|---|---|---|"
    );
    for t in tallies.iter().filter(|t| unknown(t.condition)) {
        let [x, f, k] = [Measure::Onset, Measure::OnsetForce, Measure::FittedEndFeel].map(|m| t.spread(m));
        println!(
            "| {} | {:.3} / {:.3} | {:.1} / {:.1} | {:.1} / {:.1} | {:.0} | {:.0}, {:.0}, {:.0} |",
            t.condition.word(),
            x.median,
            x.worst,
            f.median_percent,
            f.worst_percent,
            k.median_percent,
            k.worst_percent,
            100.0 * t.said_poor(),
            100.0 * x.coverage(),
            100.0 * f.coverage(),
            100.0 * k.coverage(),
        );
    }
    println!();
}

/// Knees claimed in presses that never left the toe, and laws averaged where the plain one holds.
fn false_knees(tallies: &[Tally]) {
    for t in tallies.iter().filter(|t| t.condition == Condition::ToeOnly) {
        let (claimed, n) = (t.claimed().len(), t.trials.len());
        println!(
            "false knees: {claimed} of {n}, at most {:.1} % (95 %)",
            100.0 * at_most(claimed, n)
        );
    }
    for t in tallies.iter().filter(|t| HELD.contains(&t.condition)) {
        let averaged = t.trials.iter().filter(|trial| trial.averaged).count();
        println!(
            "{}: laws averaged in {averaged} of {}",
            t.condition.word(),
            t.trials.len()
        );
    }
    println!();
}

/// Presses by laws that the fit was not written for: what is said of the knee, and how many intervals hold, with their
/// median half-widths.
fn unmodelled(traces: u64, only: Option<UnmodelledLaw>) {
    const SHOWN: [Measure; 8] = [
        Measure::Onset,
        Measure::OnsetForce,
        Measure::FittedEndFeel,
        Measure::EndFeel,
        Measure::Window,
        Measure::Secant,
        Measure::OnsetTravel,
        Measure::Excursion,
    ];
    let names: Vec<&str> = SHOWN.iter().map(|m| m.info().name).collect();
    println!("{traces} presses a law; a cell is: intervals that hold % (half-width), of how many\n");
    println!(
        "| law | no test | springs wrong | no knee % | poor fit % | laws averaged % | onset error, median mm | {} |",
        names.join(" | ")
    );
    println!("|---|---|---|---|---|---|---{}|", "|---".repeat(SHOWN.len()));
    let mut held = [0.0; SHOWN.len()];
    for (k, law) in UnmodelledLaw::ALL.into_iter().enumerate() {
        if only.is_some_and(|o| o != law) {
            continue;
        }
        eprintln!("{} …", law.word());
        let trials = trials_of_law(law, traces, 500 * FIRST_SEED + 10_000 * k as u64);
        let share = |n: usize| 100.0 * n as f64 / trials.len().max(1) as f64;
        let cells = SHOWN.map(|m| spread(&trials, m));
        for (sum, s) in held.iter_mut().zip(&cells) {
            *sum += 100.0 * s.coverage() / UnmodelledLaw::ALL.len() as f64;
        }
        let shown = cells.map(|s| format!("{:.0} ({:.3}), {}", 100.0 * s.coverage(), s.half_width, s.n));
        println!(
            "| {} | {} | {} | {:.0} | {:.0} | {:.0} | {:.3} | {} |",
            law.word(),
            traces as usize - trials.len(),
            trials.iter().filter(|t| t.springs.is_some()).count(),
            share(missed(&trials).len()),
            share(trials.iter().filter(|t| t.said_poor).count()),
            share(trials.iter().filter(|t| t.averaged).count()),
            cells[0].median,
            shown.join(" | "),
        );
    }
    if only.is_some() {
        return println!();
    }
    let means = held.map(|h| format!("{h:.0}"));
    println!("| mean of the laws | | | | | | | {} |\n", means.join(" | "));
}

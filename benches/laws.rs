#[path = "../tests/all/proof/mod.rs"]
mod proof;
use proof::tally::{Tally, missed, spread, trials_of_law};
use tautpoint::columns::Measure;
use tautpoint::simulate::{Condition, UnmodelledLaw};
fn main() {
    let a: Vec<String> = std::env::args().skip(1).filter(|a| a != "--bench").collect();
    let n: u64 = a[0].parse().unwrap();
    const SHOWN: [Measure; 9] = [
        Measure::Onset,
        Measure::OnsetForce,
        Measure::FittedEndFeel,
        Measure::EndFeel,
        Measure::Window,
        Measure::Secant,
        Measure::OnsetTravel,
        Measure::Excursion,
        Measure::DisplacementAt30N,
    ];
    let show = |name: &str, trials: &[proof::trial::Trial], secs: f64| {
        let c = SHOWN.map(|m| spread(trials, m));
        let s: Vec<String> = c
            .iter()
            .map(|s| {
                if s.n == 0 {
                    "-".into()
                } else {
                    format!(
                        "{:.0}/{:.3}/{:.3}({})",
                        100.0 * s.coverage(),
                        s.half_width,
                        s.median,
                        s.n
                    )
                }
            })
            .collect();
        println!(
            "{name:22} noknee {:2} poor {:3} {:.1}ms | {}",
            missed(trials).len(),
            trials.iter().filter(|t| t.said_poor).count(),
            secs * 1e3 / trials.len() as f64,
            s.join(" | ")
        );
        c.map(|s| 100.0 * s.coverage())
    };
    let mut sums = [0.0; SHOWN.len()];
    let mut k = 0;
    for (i, law) in UnmodelledLaw::ALL.into_iter().enumerate() {
        if a.len() > 1 && !a[1..].iter().any(|w| w == law.word()) {
            continue;
        }
        let t = std::time::Instant::now();
        let trials = trials_of_law(law, n, 500_000_000 + 10_000 * i as u64);
        let c = show(law.word(), &trials, t.elapsed().as_secs_f64());
        for (s, c) in sums.iter_mut().zip(c) {
            *s += c;
        }
        k += 1;
    }
    println!("mean {:?}", sums.map(|s| (s / k.max(1) as f64).round()));
    for cond in Condition::ALL.into_iter().chain(Condition::OUTSIDE_THE_LAW) {
        if a.len() > 1 && !a[1..].iter().any(|w| w == cond.word() || w == "own") {
            continue;
        }
        let t = std::time::Instant::now();
        let y = Tally::of(cond, n, 77_000_000);
        show(cond.word(), &y.trials, t.elapsed().as_secs_f64());
        println!(
            "   claimed {} springs wrong {}",
            y.claimed().len(),
            y.wrong_springs().len()
        );
    }
}

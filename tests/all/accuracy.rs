//! The whole chain against known truth.

use crate::springs::{measured, trials};
use tautpoint::columns::Measure;
use tautpoint::simulate::Condition;
use tautpoint::trace::Knee;

#[test]
fn table() {
    let few = trials(10);
    println!(
        "{:14} {:>7} {:>7} {:>7} {:>7} {:>6} {:>6} {:>6}",
        "condition", "med mm", "max mm", "med F%", "max F%", "cov x", "cov F", "k2 %"
    );
    for condition in Condition::ALL {
        let (mut dx, mut df, mut dk) = (vec![], vec![], vec![]);
        let (mut cx, mut cf, mut missed, mut claimed) = (0, 0, 0, 0);
        for seed in 0..few {
            let s = condition.simulate(5000 + seed);
            let m = measured(&s.trace);
            let t = &m.tests[0];
            if t.knee == Knee::Fitted && !s.truth.crossed() {
                claimed += 1;
            }
            if t.knee != Knee::Fitted {
                if s.truth.crossed() {
                    missed += 1;
                }
                continue;
            }
            let (Some(o), Some(tr)) = (t.measures.get(Measure::Onset), s.truth.onset_mm) else {
                continue;
            };
            let f = t.measures.get(Measure::OnsetForce).unwrap();
            let (Some(tf), k2) = (s.truth.onset_n, t.value(Measure::FittedEndFeel).unwrap()) else {
                continue;
            };
            dx.push((o.value - tr).abs());
            df.push(100.0 * (f.value / tf - 1.0).abs());
            dk.push(100.0 * (k2 / s.truth.end_feel_n_per_mm.unwrap() - 1.0).abs());
            cx += usize::from((o.value - tr).abs() <= o.u95.unwrap());
            cf += usize::from((f.value - tf).abs() <= f.u95.unwrap());
        }
        let n = dx.len().max(1) as f64;
        for v in [&mut dx, &mut df, &mut dk] {
            v.sort_by(f64::total_cmp);
        }
        let med = |v: &Vec<f64>| v.get(v.len() / 2).copied().unwrap_or(0.0);
        let max = |v: &Vec<f64>| v.last().copied().unwrap_or(0.0);
        println!(
            "{:14} {:7.4} {:7.4} {:7.2} {:7.2} {:6.1} {:6.1} {:6.2} {:6.2}  missed {missed} claimed {claimed}",
            condition.word(),
            med(&dx),
            max(&dx),
            med(&df),
            max(&df),
            100.0 * cx as f64 / n,
            100.0 * cf as f64 / n,
            med(&dk),
            max(&dk)
        );
    }
}

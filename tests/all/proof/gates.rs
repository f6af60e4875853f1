//! What each number must reach, and whether it did.

use super::tally::{Spread, Tally};
use super::trial::measured;
use statrs::distribution::{Binomial, DiscreteCDF};
use tautpoint::columns::Measure;
use tautpoint::simulate::{Condition, TraceSpec, simulate};

/// From this many traces on the shares themselves are held to their limits; below, the limits are widened to what
/// chance alone may do.
pub const FULL: usize = 1000;
/// Chance of a false alarm that a small count is allowed, per number.
const FALSE_ALARM: f64 = 1e-4;
/// Where intervals must hold the truth.
pub const HOLDS: [f64; 2] = [0.93, 0.97];
/// Median half-width over the errors' own 95th percentile, at most.
pub const WIDEST: f64 = 1.5;

/// How far a measure may be off.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Limit {
    /// Median and worst, in the measure's own unit.
    Own(f64, f64),
    /// Median and worst, in percent of the truth.
    Percent(f64, f64),
    /// Median alone, in percent of the truth.
    MedianPercent(f64),
}

/// One number held against one limit.
#[derive(Debug, Clone)]
pub struct Gate {
    pub what: String,
    pub must: String,
    pub found: String,
    pub ok: bool,
    /// Why it is out of reach, where it is known to be.
    pub known: Option<&'static str>,
}

/// Limits that are out of reach, and why.
fn known(what: &str) -> Option<&'static str> {
    match what {
        "sharp-knee: onset_n interval" => Some(
            "knees under 0.08 mm cannot be told apart behind the low pass; an interval that must serve all of them \
             holds more often than 97 % at this one width",
        ),
        "noisy: end_feel_n_per_mm" => Some(
            "the slope of one limb of some 90 samples at 1.5 N noise has a standard deviation of 1.4 % on average and \
             2 % in soft tissue: the worst of a thousand lies beyond three of them; the fitted end-feel is there for such noise",
        ),
        "early-sprung: end_feel_n_per_mm" => Some(
            "sprung from short of the onset, only the part of the limb beyond it counts: fewer samples over a shorter way",
        ),
        _ => None,
    }
}

fn gate(what: impl Into<String>, must: impl Into<String>, found: impl Into<String>, ok: bool) -> Gate {
    let what = what.into();
    Gate {
        known: known(&what),
        what,
        must: must.into(),
        found: found.into(),
        ok,
    }
}

/// Measures whose intervals are held to account.
pub const WITH_INTERVALS: [Measure; 8] = [
    Measure::Onset,
    Measure::OnsetForce,
    Measure::EndFeel,
    Measure::FittedEndFeel,
    Measure::Loss,
    Measure::LossRatio,
    Measure::Excursion,
    Measure::Peak,
];

/// Conditions whose errors and intervals are held to limits: hand-driven tests past the onset.
pub const HELD: [Condition; 11] = [
    Condition::Clean,
    Condition::SharpKnee,
    Condition::SoftKnee,
    Condition::Rate80,
    Condition::Noisy,
    Condition::Breathing,
    Condition::Spiky,
    Condition::Dropped,
    Condition::Offset,
    Condition::Relaxing,
    Condition::EarlySprung,
];

fn coarse(c: Condition) -> bool {
    matches!(c, Condition::Noisy | Condition::Rate80)
}

/// The limit of one measure in one condition, where there is one.
pub fn limit(measure: Measure, c: Condition) -> Option<Limit> {
    let held = HELD.contains(&c);
    let springs = held || c == Condition::Friction;
    Some(match measure {
        Measure::Onset if held && coarse(c) => Limit::Own(0.03, 0.20),
        Measure::Onset if held => Limit::Own(0.01, 0.05),
        Measure::OnsetForce if held => Limit::MedianPercent(2.0),
        Measure::EndFeel if springs && coarse(c) => Limit::Percent(1.2, 6.0),
        Measure::EndFeel if springs => Limit::Percent(0.5, 2.5),
        // Asked for at 1.5 N noise; where few samples show the end region, or memory hides it, the Cramér–Rao bound
        // itself lies above this.
        Measure::FittedEndFeel if held && !matches!(c, Condition::Relaxing | Condition::EarlySprung) => {
            Limit::Percent(0.2, 1.5)
        }
        Measure::LossRatio if springs => Limit::Own(0.002, 0.01),
        Measure::Excursion if springs => Limit::Percent(0.5, 2.0),
        _ => return None,
    })
}

/// All gates of one condition.
pub fn gates(tally: &Tally) -> Vec<Gate> {
    let c = tally.condition;
    let word = c.word();
    let n = tally.trials.len();
    let wrong = tally.wrong_springs();
    let mut all = vec![gate(
        format!("{word}: springs"),
        "every one found, none invented",
        match wrong.first() {
            None => format!("all of {n} traces"),
            Some(first) => format!("{} of {n} traces wrong, such as {first}", wrong.len()),
        },
        wrong.is_empty(),
    )];
    let (claimed, missed) = (tally.claimed(), tally.missed());
    if c != Condition::ForceOnly {
        all.push(gate(
            format!("{word}: knee"),
            "none claimed in the toe, none missed beyond 0.5 mm",
            match (claimed.first(), missed.first()) {
                (None, None) => "none".to_owned(),
                (first, second) => format!(
                    "{} claimed (seed {first:?}), {} missed (seed {second:?})",
                    claimed.len(),
                    missed.len()
                ),
            },
            claimed.is_empty() && missed.is_empty(),
        ));
    }
    for m in Measure::ALL {
        let s = tally.spread(m);
        if let Some(limit) = limit(m, c) {
            all.push(off(&format!("{word}: {}", m.info().name), limit, &s));
        }
        if HELD.contains(&c) && WITH_INTERVALS.contains(&m) {
            all.extend(intervals(&format!("{word}: {}", m.info().name), &s));
        }
    }
    all
}

fn off(what: &str, limit: Limit, s: &Spread) -> Gate {
    // The median of few errors scatters: its standard error is 1.17/√n of it for normal errors (density 0.318/σ at
    // the median 0.674σ of |N(0, σ)|).
    let slack = if s.n >= FULL {
        1.0
    } else {
        1.0 + 4.0 * 1.17 / (s.n.max(1) as f64).sqrt()
    };
    let (median, worst, unit, m, w) = match limit {
        Limit::Own(m, w) => (s.median, s.worst, "", m, w),
        Limit::Percent(m, w) => (s.median_percent, s.worst_percent, " %", m, w),
        Limit::MedianPercent(m) => (s.median_percent, s.worst_percent, " %", m, f64::INFINITY),
    };
    let worst_words = if w.is_finite() {
        format!(", worst ≤ {w}{unit}")
    } else {
        String::new()
    };
    gate(
        what,
        format!("median ≤ {m}{unit}{worst_words}"),
        format!("{median:.4}{unit}, {worst:.4}{unit} (seed {})", s.worst_seed),
        s.n > 0 && median <= m * slack && worst <= w,
    )
}

fn intervals(what: &str, s: &Spread) -> Vec<Gate> {
    let held = s.coverage();
    let ok = if s.n >= FULL {
        (HOLDS[0]..=HOLDS[1]).contains(&held)
    } else {
        chance_allows(s.held, s.n)
    };
    let mut all = vec![gate(
        format!("{what} interval"),
        "holds 93-97 %",
        format!("{:.1} % of {}", 100.0 * held, s.n),
        ok,
    )];
    if s.n >= 100 {
        all.push(gate(
            format!("{what} half-width"),
            format!("≤ {WIDEST} of the errors' 95th percentile"),
            format!("{:.2}", s.width_ratio()),
            s.width_ratio() <= WIDEST,
        ));
    }
    all
}

/// Whether so many of `n` intervals may hold by chance when 93 to 97 % do in the long run.
pub fn chance_allows(held: usize, n: usize) -> bool {
    let at_most = |p: f64| Binomial::new(p, n as u64).unwrap().cdf(held as u64);
    let at_least = |p: f64| match held {
        0 => 1.0,
        k => Binomial::new(p, n as u64).unwrap().sf(k as u64 - 1),
    };
    n > 0 && at_most(HOLDS[0]) > FALSE_ALARM && at_least(HOLDS[1]) > FALSE_ALARM
}

/// The largest share that so few of `n` leave possible: upper end of a one-sided 95 % interval (Clopper & Pearson 1934,
/// Biometrika 26:404-413).
pub fn at_most(found: usize, n: usize) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if Binomial::new(middle, n as u64).unwrap().cdf(found as u64) > 0.05 {
            low = middle;
        } else {
            high = middle;
        }
    }
    high
}

/// A trace whose interval misses the truth must say that the model fits poorly: tissue that the law does not know.
pub fn outside(tally: &Tally) -> Vec<Gate> {
    [Measure::Onset, Measure::OnsetForce, Measure::FittedEndFeel]
        .iter()
        .map(|m| {
            let answered =
                |t: &&super::trial::Trial| t.measures[*m as usize].is_none_or(|b| b.held()) || t.said_poor;
            let (n, good) = (tally.trials.len(), tally.trials.iter().filter(answered).count());
            let share = good as f64 / n.max(1) as f64;
            let ok = if n >= FULL {
                share >= HOLDS[0]
            } else {
                Binomial::new(HOLDS[0], n as u64).unwrap().cdf(good as u64) > FALSE_ALARM
            };
            gate(
                format!("{}: {}", tally.condition.word(), m.info().name),
                "the interval holds or the note says poor, 93 %",
                format!("{:.1} % of {n}", 100.0 * share),
                ok,
            )
        })
        .collect()
}

/// The decisions, over that many simulated scans a row.
pub fn decisions(scans: u64) -> Vec<Gate> {
    use super::decide::{Scan, percent, tally};
    let sd = |_: usize| 0.05;
    let run = |truth: &[f64], trials: u32| {
        tally(
            &Scan {
                truth,
                trials,
                sd: &sd,
            },
            scans,
            |_| true,
        )
    };
    let share = |v: f64| format!("{:.2} %", 100.0 * v);
    let mut all = Vec::new();
    for trials in [1, 3] {
        let called = run(&[0.0; 17], trials).called();
        all.push(gate(
            format!("no true difference, {trials} a side: called a side"),
            "≤ 5 %",
            share(called),
            called <= 0.05,
        ));
    }
    for margin in [12.0, 15.0] {
        let called = run(&[percent(margin); 17], 3).called();
        all.push(gate(
            format!("{margin} % against a margin of 15 %, 3 a side: called a side"),
            "≤ 5 %",
            share(called),
            called <= 0.05,
        ));
    }
    let mut two = [0.0; 17];
    (two[4], two[11]) = (percent(40.0), percent(-40.0));
    let scan = Scan {
        truth: &two,
        trials: 3,
        sd: &sd,
    };
    let called = tally(&scan, scans, |i| i == 4 || i == 11).called();
    all.push(gate(
        "two levels at 40 % among 15 even ones, 3 a side: called",
        "≥ 95 %",
        share(called),
        called >= 0.95,
    ));
    let everywhere = run(&[percent(40.0); 17], 3);
    let rightly = everywhere.share(everywhere.right);
    all.push(gate(
        "40 % everywhere, 3 a side, 5 % repositioning: called rightly",
        "≥ 95 %",
        share(rightly),
        rightly >= 0.95,
    ));
    let truth: Vec<f64> = (0..17).map(|i| percent(5.0 * (f64::from(i) - 8.0))).collect();
    for trials in [2, 3, 5] {
        let t = run(&truth, trials);
        let held = t.share(t.held);
        all.push(gate(
            format!("intervals of asymmetry, {trials} a side, hold"),
            "93-97 %",
            share(held),
            (HOLDS[0]..=HOLDS[1]).contains(&held),
        ));
    }
    all
}

/// What the low pass itself takes off peak force and excursion, in percent: noise-free springs of half a second by
/// a still hand, as recorded at that rate, against the movement that was made.
pub fn filter_bias_percent(rate_hz: f64) -> [f64; 2] {
    let mut spec = TraceSpec::default();
    spec.sensor.rate_hz = rate_hz;
    spec.examiner.tremor_mm = 0.0;
    spec.examiner.breathing_mm = 0.0;
    spec.examiner.time_spread = 0.0;
    spec.examiner.excursion_spread = 0.0;
    let made = simulate(&spec, 1);
    let found = &measured(&made.noise_free)[0];
    let peak = found.value(Measure::Peak).unwrap() / made.truth.peak_n - 1.0;
    let excursion = found.value(Measure::Excursion).unwrap() / spec.examiner.excursion_mm - 1.0;
    [100.0 * peak, 100.0 * excursion]
}

/// Most that the low pass may take off.
const FILTER_BIAS_PERCENT: f64 = 0.1;

/// The residual bias of the low pass at half-second springs.
pub fn filter_bias() -> Vec<Gate> {
    let mut all = Vec::new();
    for rate_hz in [1000.0, 200.0, 80.0] {
        let found = filter_bias_percent(rate_hz);
        for (what, percent) in ["peak", "excursion"].iter().zip(found) {
            all.push(gate(
                format!("{what} of 0.5 s springs at {rate_hz} Hz: bias of the filter"),
                format!("within {FILTER_BIAS_PERCENT} %"),
                format!("{percent:+.4} %"),
                percent.abs() <= FILTER_BIAS_PERCENT,
            ));
        }
    }
    all
}

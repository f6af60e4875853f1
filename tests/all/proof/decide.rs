//! Simulated scans with known truth through the comparison: how often it calls, and whether it calls rightly.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use tautpoint::columns::Measure;
use tautpoint::compare::{CompareContext, Comparison, Decision, compare, log_of_percent, percent_of_log};
use tautpoint::settings::Settings;
use tautpoint::terms::{Contact, Level, Side};
use tautpoint::trace::{About, Curve, Estimate, Knee, Measured, Measures, Phases, Test};

pub fn test(level: &str, side: Side, trial: u32, n_per_mm: f64) -> Test {
    let mut measures = Measures::default();
    let estimate = Estimate::new(n_per_mm, Some((0.005 * n_per_mm, f64::INFINITY)));
    measures.set(
        Measure::EndFeel,
        Measured {
            estimate,
            budget: vec![],
        },
    );
    Test {
        corrections: Vec::new(),
        recording: format!("{level}_{side}_{trial}.csv"),
        test: 1,
        about: About {
            subject: Some("V-01".into()),
            examiner: Some("L-01".into()),
            session: Some("1".into()),
            level: Level::parse(level),
            side: Some(side),
            contact: Some(if side == Side::Midline {
                Contact::Reinforced
            } else {
                Contact::Thumb
            }),
            trial: Some(trial),
            ..About::default()
        },
        rate_hz: 1000.0,
        samples: 5000,
        phases: Phases::default(),
        springs: vec![],
        measures,
        window_n: [30.0, 100.0],
        knee: Knee::Fitted,
        fit: None,
        total_peak_n: 60.0,
        drive_deg: None,
        notes: vec![],
        curve: Curve::default(),
    }
}

/// A scan to simulate: log ratio right/left of each level, trials a side, spread of a trial's logarithm by level.
pub struct Scan<'a> {
    pub truth: &'a [f64],
    pub trials: u32,
    pub sd: &'a dyn Fn(usize) -> f64,
}

pub fn run(tests: &[Test]) -> Vec<Comparison> {
    let context = CompareContext {
        settings: &Settings::default(),
        calls: &[],
        agreement: None,
    };
    let found = compare(tests, &context);
    assert!(found.unpaired.is_empty());
    found.comparisons
}

pub fn normal(rng: &mut ChaCha8Rng) -> f64 {
    StandardNormal.sample(rng)
}

impl Scan<'_> {
    pub fn comparisons(&self, rng: &mut ChaCha8Rng) -> Vec<Comparison> {
        let mut tests = Vec::new();
        for (i, d) in self.truth.iter().enumerate() {
            let level = Level::ALL[i + 6].word();
            // Stiffness differs along the spine by nature; the spread is a share of it.
            let middle = (2.0 + 0.05 * i as f64) + 0.1 * normal(rng);
            for (side, shift) in [(Side::Left, -d / 2.0), (Side::Right, d / 2.0)] {
                for trial in 1..=self.trials {
                    let noise = (self.sd)(i) * normal(rng);
                    tests.push(test(level, side, trial, (middle + shift + noise).exp()));
                }
            }
        }
        run(&tests)
    }
}

#[derive(Debug, Default)]
pub struct Calls {
    pub levels: u32,
    pub left: u32,
    pub right: u32,
    pub even: u32,
    pub held: u32,
}

impl Calls {
    pub fn share(&self, count: u32) -> f64 {
        f64::from(count) / f64::from(self.levels)
    }

    pub fn called(&self) -> f64 {
        self.share(self.left + self.right)
    }
}

/// Simulates scans and counts words, and intervals that hold the truth, over the levels whose index passes.
pub fn tally(scan: &Scan, scans: u64, counts: impl Fn(usize) -> bool) -> Calls {
    let mut t = Calls::default();
    let mut rng = ChaCha8Rng::seed_from_u64(20_260_914);
    for _ in 0..scans {
        for (i, f) in scan.comparisons(&mut rng).iter().enumerate() {
            if !counts(i) {
                continue;
            }
            let truth = percent_of_log(scan.truth[i]);
            t.levels += 1;
            t.held += u32::from(f.low_percent.unwrap() <= truth && truth <= f.high_percent.unwrap());
            match f.side_of_resistance.unwrap() {
                Decision::Left => t.left += 1,
                Decision::Right => t.right += 1,
                Decision::Even => t.even += 1,
                _ => {}
            }
        }
    }
    t
}

pub fn percent(p: f64) -> f64 {
    log_of_percent(p)
}

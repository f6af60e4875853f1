//! Mixed models against R and statsmodels, against the closed forms of balanced designs, and by simulation.

use crate::cases::cases;
use rand::SeedableRng;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use tautpoint::stats::agreement::anova::mean_squares;
use tautpoint::stats::mixed::{Identified, MixedDesign, MixedError, MixedFit, RandomTerm, VarianceDraws};

pub mod libraries;

fn ones(rows: usize) -> Vec<Vec<f64>> {
    vec![vec![1.0; rows]]
}

fn fit(values: &[f64], random: &[RandomTerm]) -> Result<MixedFit, MixedError> {
    MixedDesign::new(values.len(), &ones(values.len()), random)?.fit(values)
}

struct Draw(ChaCha8Rng);

impl Draw {
    fn new(seed: u64) -> Draw {
        Draw(ChaCha8Rng::seed_from_u64(seed))
    }

    fn normal(&mut self, variance: f64) -> f64 {
        let z: f64 = StandardNormal.sample(&mut self.0);
        z * variance.sqrt()
    }

    fn normals(&mut self, count: usize, variance: f64) -> Vec<f64> {
        (0..count).map(|_| self.normal(variance)).collect()
    }
}

#[test]
fn balanced_designs_have_the_variances_of_their_mean_squares() {
    let (n, k) = (12, 4);
    for seed in 0..5 {
        let mut draw = Draw::new(seed);
        // Raters that differ in any draw.
        let raters: Vec<f64> = (0..k).map(|i| 3.0 * i as f64 + draw.normal(0.5)).collect();
        let rows: Vec<Vec<f64>> = (0..n)
            .map(|_| {
                let own = draw.normal(2.0);
                raters
                    .iter()
                    .map(|r| 100.0 + own + r + draw.normal(1.0))
                    .collect()
            })
            .collect();
        let m = mean_squares(&rows).unwrap();
        let values: Vec<f64> = rows.iter().flatten().copied().collect();
        let subject: Vec<usize> = (0..n * k).map(|i| i / k).collect();
        let rater: Vec<usize> = (0..n * k).map(|i| i % k).collect();
        let (subject, rater) = (RandomTerm::new(&subject), RandomTerm::new(&rater));
        let close = |found: f64, expected: f64| {
            assert!(
                (found / expected - 1.0).abs() < 1e-6,
                "{seed}: found {found}, expected {expected}"
            );
        };
        let two = fit(&values, &[subject.clone(), rater]).unwrap();
        assert!(m.rater > m.error, "no component of these draws is negative");
        close(two.variances[0], (m.between - m.error) / k as f64);
        close(two.variances[1], (m.rater - m.error) / n as f64);
        close(two.residual(), m.error);
        // One way: the same subjects without the raters' own levels.
        let rows: Vec<Vec<f64>> = rows
            .iter()
            .map(|row| row.iter().zip(&raters).map(|(v, r)| v - r).collect())
            .collect();
        let m = mean_squares(&rows).unwrap();
        let values: Vec<f64> = rows.iter().flatten().copied().collect();
        let one = fit(&values, &[subject]).unwrap();
        close(one.variances[0], (m.between - m.within) / k as f64);
        close(one.residual(), m.within);
        // The mean of all with as many degrees of freedom as subjects less one.
        close(one.fixed[0].estimate, m.mean);
        close(one.fixed[0].standard_error, (m.between / (n * k) as f64).sqrt());
        close(one.fixed[0].satterthwaite_df.unwrap(), 11.0);
        close(one.fixed[0].kenward_roger_df.unwrap(), 11.0);
    }
}

#[test]
fn what_a_design_cannot_tell_is_told_from_the_design_alone() {
    let subject: Vec<usize> = (0..24).map(|i| i / 4).collect();
    let rater: Vec<usize> = (0..24).map(|i| i % 4).collect();
    let each: Vec<usize> = (0..24).collect();
    let term = |labels: &[usize]| RandomTerm::new(labels);
    let of = |random: &[RandomTerm]| MixedDesign::new(24, &ones(24), random).unwrap().identified;
    let one = vec![0; 24];
    assert_eq!(
        of(&[
            term(&one),
            term(&subject),
            term(&each),
            term(&rater),
            term(&subject)
        ]),
        [
            Identified::OneLevel,
            Identified::Yes,
            Identified::IsResidual,
            Identified::Yes,
            Identified::SameAs(1),
        ]
    );
    // A fixed column for each subject leaves nothing of them.
    let mut fixed: Vec<Vec<f64>> = (0..6)
        .map(|s| subject.iter().map(|i| f64::from(*i == s)).collect())
        .collect();
    let design = MixedDesign::new(24, &fixed, &[term(&subject), term(&rater)]).unwrap();
    assert_eq!(design.identified, [Identified::InFixed, Identified::Yes]);
    fixed.push(vec![1.0; 24]);
    assert_eq!(
        MixedDesign::new(24, &fixed, &[]).err(),
        Some(MixedError::FixedDependent { column: 6 })
    );
    let values: Vec<f64> = each.iter().map(|i| (*i as f64).sin()).collect();
    let why = Identified::OneLevel;
    assert_eq!(
        fit(&values, &[term(&one)]),
        Err(MixedError::NotIdentified { term: 0, why })
    );
}

#[test]
fn a_variance_of_nought_is_told_and_wrong_input_is_an_error_with_a_type() {
    let subject: Vec<usize> = (0..20).map(|i| i / 2).collect();
    // Pairs that differ as much within as between: the subjects' variance is at its bound.
    let values: Vec<f64> = (0..20).map(|i| if i % 2 == 0 { 1.0 } else { -1.0 }).collect();
    let found = fit(&values, &[RandomTerm::new(&subject)]).unwrap();
    assert!(found.on_bound(0) && !found.on_bound(1));
    assert!((found.residual() - 20.0 / 19.0).abs() < 1e-12);
    let subjects = [RandomTerm::new(&subject)];
    assert_eq!(fit(&[3.0; 20], &subjects), Err(MixedError::NoResidual));
    let pairs: Vec<f64> = subject.iter().map(|s| (*s as f64).cos()).collect();
    assert_eq!(fit(&pairs, &subjects), Err(MixedError::NoResidual));
    let mut holed = values.clone();
    holed[3] = f64::NAN;
    assert_eq!(fit(&holed, &subjects), Err(MixedError::NotFinite));
    assert_eq!(fit(&values[..19], &subjects), Err(MixedError::Lengths));
    let few = fit(&values[..2], &[RandomTerm::new(&[0, 1])]);
    assert_eq!(few, Err(MixedError::TooFew { rows: 2, unknowns: 2 }));
}

/// Which rows there are, and the share of the truth that each interval holds.
struct Held {
    truth: [f64; 4],
    held: [usize; 4],
    draws: usize,
}

impl Held {
    /// Reliability by agreement and consistency, and both errors, of variances of target, rater and error.
    fn forms(target: f64, rater: f64, error: f64) -> [f64; 4] {
        [
            target / (target + rater + error),
            target / (target + error),
            (rater + error).max(0.0).sqrt(),
            error.max(0.0).sqrt(),
        ]
    }

    fn look(&mut self, found: &MixedFit, parts: impl Fn(&[f64]) -> [f64; 4]) {
        let draws = VarianceDraws::of(found).unwrap();
        self.draws += 1;
        for (i, held) in self.held.iter_mut().enumerate() {
            let [low, high] = draws.interval(0.95, |v| parts(v)[i]).unwrap();
            *held += usize::from(low.max(0.0) <= self.truth[i] && self.truth[i] <= high);
        }
    }

    fn tell(&self, what: &str) {
        let share = self.held.map(|h| 100.0 * h as f64 / self.draws as f64);
        println!(
            "{what}: of {} draws ICC(A), ICC(C), SEM by agreement, by consistency hold {share:.1?} %",
            self.draws
        );
        // 93 to 97 %, and three standard errors of a share of so many draws.
        let room = 300.0 * (0.95 * 0.05 / self.draws as f64).sqrt();
        assert!(
            share.iter().all(|s| (93.0 - room..=97.0 + room).contains(s)),
            "{what}: {share:?}"
        );
    }
}

fn many(few: u64) -> u64 {
    cases(few, 2 * few, 10 * few)
}

#[test]
fn intervals_hold_in_six_subjects_by_ten_places_by_two_sessions_by_three_examiners() {
    // Variances of subject, place, examiner, session and residual; then with three in ten tests missing.
    let [s, p, e, d, r] = [1.0, 0.8, 0.2, 0.1, 0.4];
    for missing in [0.0, 0.3] {
        let mut draw = Draw::new(31);
        let mut held = Held {
            truth: Held::forms(s + p, e, d + r),
            held: [0; 4],
            draws: 0,
        };
        for _ in 0..many(60) {
            let examiners = draw.normals(3, e);
            let mut rows: Vec<([usize; 4], f64)> = Vec::new();
            for subject in 0..6 {
                let own = draw.normal(s);
                let days = draw.normals(2, d);
                for place in 0..10 {
                    let here = own + draw.normal(p);
                    for (day, on_day) in days.iter().enumerate() {
                        for (examiner, by) in examiners.iter().enumerate() {
                            let value = here + on_day + by + draw.normal(r);
                            let is = [subject, subject * 10 + place, examiner, subject * 2 + day];
                            if missing == 0.0
                                || rand_distr::Uniform::new(0.0, 1.0).unwrap().sample(&mut draw.0) >= missing
                            {
                                rows.push((is, value));
                            }
                        }
                    }
                }
            }
            let values: Vec<f64> = rows.iter().map(|r| r.1).collect();
            let terms =
                [0, 1, 2, 3].map(|t| RandomTerm::new(&rows.iter().map(|r| r.0[t]).collect::<Vec<_>>()));
            let found = fit(&values, &terms).unwrap();
            held.look(&found, |v| Held::forms(v[0] + v[1], v[2], v[3] + v[4]));
        }
        held.tell(&format!("6 × 10 × 2 × 3, {missing} missing"));
    }
}

#[test]
fn intervals_hold_in_sixty_subjects_by_two_of_five_raters() {
    let [s, e, r] = [1.0, 0.2, 0.4];
    let mut draw = Draw::new(32);
    let mut held = Held {
        truth: Held::forms(s, e, r),
        held: [0; 4],
        draws: 0,
    };
    for _ in 0..many(100) {
        let raters = draw.normals(5, e);
        let mut rows = Vec::new();
        for subject in 0..60 {
            let own = draw.normal(s);
            let mut order = [0, 1, 2, 3, 4];
            order.shuffle(&mut draw.0);
            for rater in &order[..2] {
                rows.push((subject, *rater, own + raters[*rater] + draw.normal(r)));
            }
        }
        let values: Vec<f64> = rows.iter().map(|r| r.2).collect();
        let subjects = RandomTerm::new(&rows.iter().map(|r| r.0).collect::<Vec<_>>());
        let raters = RandomTerm::new(&rows.iter().map(|r| r.1).collect::<Vec<_>>());
        let found = fit(&values, &[subjects, raters]).unwrap();
        held.look(&found, |v| Held::forms(v[0], v[1], v[2]));
    }
    held.tell("60 × 2 of 5");
}

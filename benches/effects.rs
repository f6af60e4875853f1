//! Words on change and groups and intervals of reliability, by simulation, and how long a large study takes:
//! `cargo bench --bench effects -- [--draws N] [--only words|agreement|speed]`.
//!
//! Prints how often intervals of ICC and SEM hold in clustered and incomplete designs; for each design of change and groups how often something is named when nothing changed (with next to no margin, and with the truth on
//! the margin), how often intervals hold, how often a change is named, and the seconds that 10,000 tests of 60 volunteers take in
//! all measures. Its own timer: the known harness crates build polars twice.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::process::ExitCode;
use std::time::Instant;
use tautpoint::columns::Measure;
use tautpoint::effects::{
    Effect, EffectTerm, EffectWord, between_groups, between_groups_in, changes, changes_in,
};
use tautpoint::planning::{MEASURE, PlannedDesign, PlannedEffect, Spreads, simulated_tests};
use tautpoint::settings::Settings;
use tautpoint::stats::agreement::clustered::{PlacedRating, model_agreement};
use tautpoint::trace::Measured;

const TERMS: [EffectTerm; 6] = [
    EffectTerm::Place,
    EffectTerm::Volunteer,
    EffectTerm::Shared,
    EffectTerm::Examiner,
    EffectTerm::Group,
    EffectTerm::GroupBySession,
];

struct Asked {
    draws: u64,
    only: Option<String>,
}

fn asked() -> Result<Asked, String> {
    let (mut draws, mut only) = (300, None);
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        match word.as_str() {
            "--draws" => {
                let number = words.next().and_then(|n| n.parse().ok()).filter(|n| *n > 0);
                draws = number.ok_or("--draws needs a whole number above 0")?;
            }
            "--only" => only = Some(words.next().ok_or("--only needs words, agreement or speed")?),
            // What cargo itself adds.
            "--bench" => {}
            other => return Err(format!("unknown option {other:?}")),
        }
    }
    Ok(Asked { draws, only })
}

fn settings(margin_percent: f64) -> Settings {
    let mut settings = Settings::default();
    settings
        .change
        .0
        .insert(MEASURE.info().name.to_owned(), margin_percent);
    settings.groups.primary = Some(MEASURE.info().name.to_owned());
    settings
}

#[derive(Default)]
struct Tally {
    families: f64,
    named: f64,
    rows: f64,
    held: f64,
    alike: f64,
}

/// Words and intervals over draws; `truth` is what each row should be.
fn tally(
    draws: u64,
    design: PlannedDesign,
    spreads: &Spreads,
    effect: PlannedEffect,
    margin: f64,
    truth: impl Fn(&Effect) -> Option<f64>,
) -> BTreeMap<&'static str, Tally> {
    let settings = settings(margin);
    let mut all: BTreeMap<&'static str, Tally> = BTreeMap::new();
    let of_draw = |seed: u64| {
        let (tests, roster) = simulated_tests(&design, spreads, effect, 10_000 + seed);
        let mut rows = changes_in(&tests, &roster, &settings, &[MEASURE]).rows;
        rows.extend(between_groups_in(&tests, &roster, &settings, &[MEASURE]).rows);
        rows
    };
    let found: Vec<Vec<Effect>> = (0..draws).into_par_iter().map(of_draw).collect();
    for rows in found {
        for term in TERMS {
            let tally = all.entry(term.word()).or_default();
            let mut families: BTreeMap<_, bool> = BTreeMap::new();
            for row in rows.iter().filter(|r| r.term == term) {
                let Some(truth) = truth(row) else { continue };
                let [low, high] = row.interval.unwrap_or([f64::INFINITY; 2]);
                tally.rows += 1.0;
                tally.held += f64::from(low <= truth && truth <= high);
                tally.alike += f64::from(matches!(
                    row.word,
                    Some(EffectWord::Unchanged | EffectWord::Alike)
                ));
                let named = matches!(row.word, Some(EffectWord::Changed | EffectWord::Different));
                *families.entry((row.subject.clone(), row.to.clone())).or_default() |= named;
            }
            tally.families += families.len() as f64;
            tally.named += families.values().filter(|n| **n).count() as f64;
        }
    }
    all
}

fn print(title: &str, all: &BTreeMap<&'static str, Tally>) {
    println!("{title}");
    for (term, t) in all.iter().filter(|(_, t)| t.rows > 0.0) {
        println!(
            "  {term:18} named {:5.1} %  unchanged or alike {:5.1} %  intervals hold {:5.1} %  ({} families)",
            100.0 * t.named / t.families,
            100.0 * t.alike / t.rows,
            100.0 * t.held / t.rows,
            t.families
        );
    }
}

fn main() -> ExitCode {
    let asked = match asked() {
        Ok(asked) => asked,
        Err(message) => {
            eprintln!("{message}");
            return ExitCode::from(2);
        }
    };
    let wanted = |what: &str| asked.only.as_deref().is_none_or(|only| only == what);
    if wanted("agreement") {
        agreement(asked.draws);
    }
    if wanted("words") {
        words(asked.draws);
    }
    if wanted("speed") {
        speed();
    }
    ExitCode::SUCCESS
}

/// Standard deviations squared, and what is there to be rated.
struct RatedDesign {
    name: &'static str,
    subjects: usize,
    /// Places of a subject and sessions of each; 1 and 1 where each subject is rated once by each of its raters.
    places: usize,
    sessions: usize,
    raters: usize,
    /// How many of the raters rate a subject.
    of_raters: usize,
    /// Variances: subject, place, session of a subject, rater, residual.
    variances: [f64; 5],
    /// A rating is missing where a standard normal number lies below this.
    missing_below: f64,
}

const RATED: [RatedDesign; 9] = [
    clustered("6 x 10 x 2 x 3", [1.0, 0.8, 0.1, 0.2, 0.4], f64::NEG_INFINITY),
    clustered(
        "the same, three in ten missing",
        [1.0, 0.8, 0.1, 0.2, 0.4],
        -0.524_400_5,
    ),
    clustered(
        "the same, examiners alike",
        [1.0, 0.5, 0.02, 0.01, 0.5],
        f64::NEG_INFINITY,
    ),
    clustered("the same, loud", [1.0, 0.3, 0.3, 0.5, 1.0], f64::NEG_INFINITY),
    clustered(
        "the same, subjects alike",
        [0.1, 1.0, 0.1, 0.1, 0.5],
        f64::NEG_INFINITY,
    ),
    incomplete("60 x 2 of 5", [1.0, 0.0, 0.0, 0.2, 0.4]),
    incomplete("the same, raters alike", [1.0, 0.0, 0.0, 0.02, 1.0]),
    incomplete("the same, unreliable", [0.3, 0.0, 0.0, 0.1, 1.0]),
    incomplete("the same, reliable", [4.0, 0.0, 0.0, 0.1, 0.2]),
];

const fn clustered(name: &'static str, variances: [f64; 5], missing_below: f64) -> RatedDesign {
    RatedDesign {
        name,
        subjects: 6,
        places: 10,
        sessions: 2,
        raters: 3,
        of_raters: 3,
        variances,
        missing_below,
    }
}

const fn incomplete(name: &'static str, variances: [f64; 5]) -> RatedDesign {
    RatedDesign {
        name,
        subjects: 60,
        places: 1,
        sessions: 1,
        raters: 5,
        of_raters: 2,
        variances,
        missing_below: f64::NEG_INFINITY,
    }
}

impl RatedDesign {
    fn draw(&self, seed: u64) -> Vec<PlacedRating> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut normal = |variance: f64| {
            let z: f64 = StandardNormal.sample(&mut rng);
            z * variance.sqrt()
        };
        let [of_subject, of_place, of_visit, of_rater, rest] = self.variances;
        let raters: Vec<f64> = (0..self.raters).map(|_| normal(of_rater)).collect();
        let mut all = Vec::new();
        let mut target = 0;
        for subject in 0..self.subjects {
            let own = normal(of_subject);
            let visits: Vec<f64> = (0..self.sessions).map(|_| normal(of_visit)).collect();
            for place in 0..self.places {
                let here = normal(of_place);
                for (session, visit) in visits.iter().enumerate() {
                    // Each subject has other raters than the one before.
                    let rated_by = (0..self.of_raters)
                        .map(|r| (subject + r * (1 + subject / self.raters % 2)) % self.raters);
                    for rater in rated_by {
                        let value = own + here + visit + raters[rater] + normal(rest);
                        // What is missing has no pattern.
                        let there = normal(1.0) > self.missing_below;
                        if there {
                            all.push(PlacedRating {
                                value,
                                subject,
                                place: subject * self.places + place,
                                visit: subject * self.sessions + session,
                                target,
                                rater,
                            });
                        }
                    }
                    target += 1;
                }
            }
        }
        all
    }
}

/// How often the intervals of the variance model hold what the ratings were drawn from.
fn agreement(draws: u64) {
    for design in &RATED {
        let [subject, place, visit, rater, rest] = design.variances;
        let target = subject + place + visit;
        let truth = [
            target / (target + rater + rest),
            target / (target + rest),
            (rater + rest).sqrt(),
            rest.sqrt(),
        ];
        let held: Vec<Option<[bool; 4]>> = (0..draws)
            .into_par_iter()
            .map(|seed| {
                let found = model_agreement(&design.draw(70_000 + seed), 0.95).ok()?;
                let all = [
                    found.icc.agreement?,
                    found.icc.consistency?,
                    found.sem.agreement,
                    found.sem.consistency,
                ];
                let inside = |i: usize| Some(all[i].low? <= truth[i] && truth[i] <= all[i].high?);
                Some([inside(0)?, inside(1)?, inside(2)?, inside(3)?])
            })
            .collect();
        let told: Vec<[bool; 4]> = held.into_iter().flatten().collect();
        let percent = |i: usize| 100.0 * told.iter().filter(|h| h[i]).count() as f64 / told.len() as f64;
        println!(
            "{:32} ICC(A) {:5.1}  ICC(C) {:5.1}  SEM agreement {:5.1}  consistency {:5.1} %  ({} of {draws} draws)",
            design.name,
            percent(0),
            percent(1),
            percent(2),
            percent(3),
            told.len()
        );
    }
}

const fn design(subjects: u32, examiners: u32, sessions: u32, trials: u32, levels: u32) -> PlannedDesign {
    PlannedDesign {
        subjects,
        examiners,
        sessions,
        trials,
        levels,
    }
}

/// How often words are wrong, and right.
fn words(draws: u64) {
    let loud = Spreads {
        session: 0.1,
        place_at_session: 0.1,
        ..Spreads::USUAL
    };
    let still = Spreads {
        session: 0.0,
        place_at_session: 0.0,
        ..Spreads::USUAL
    };
    let none = |_: &Effect| Some(0.0);
    for (name, of) in [
        ("usual spreads", Spreads::USUAL),
        ("loud sessions", loud),
        ("sessions alike", still),
    ] {
        for d in [
            design(10, 1, 2, 2, 2),
            design(6, 2, 3, 2, 2),
            design(20, 1, 2, 2, 3),
        ] {
            let title = format!(
                "{name}, {} volunteers, {} examiners, {} sessions: nothing changed, next to no margin",
                d.subjects, d.examiners, d.sessions
            );
            print(&title, &tally(draws, d, &of, PlannedEffect::None, 1e-6, none));
        }
    }
    let d = design(10, 1, 2, 2, 2);
    print(
        "nothing changed, margin 15 %",
        &tally(draws, d, &Spreads::USUAL, PlannedEffect::None, 15.0, none),
    );
    let log = 1.15_f64.ln();
    let all = |r: &Effect| (!matches!(r.term, EffectTerm::Group | EffectTerm::GroupBySession)).then_some(log);
    print(
        "everybody changed by the margin, 15 %",
        &tally(
            draws,
            d,
            &Spreads::USUAL,
            PlannedEffect::AllVolunteers(log),
            15.0,
            all,
        ),
    );
    let log = 1.5_f64.ln();
    let first = |r: &Effect| (r.subject.as_deref() == Some("V-001")).then_some(log);
    print(
        "one of ten volunteers changed by 50 %, margin 15 %",
        &tally(
            draws,
            d,
            &Spreads::USUAL,
            PlannedEffect::OneVolunteer(log),
            15.0,
            first,
        ),
    );
}

/// How long 10,000 tests take.
fn speed() {
    // 60 volunteers × 7 levels × 2 sides × 2 sessions × 3 trials × 2 examiners: 10,080 tests.
    let (mut tests, roster) =
        simulated_tests(&design(60, 2, 2, 3, 7), &Spreads::USUAL, PlannedEffect::None, 1);
    for (i, test) in tests.iter_mut().enumerate() {
        let value = test.value(MEASURE).unwrap_or(1.0);
        for (k, measure) in Measure::ALL.into_iter().enumerate() {
            let other = value * (1.0 + 0.05 * (((i * 7919 + k * 104_729) % 1000) as f64 / 1000.0));
            test.measures.set(measure, Measured::new(other, []));
        }
    }
    let settings = settings(15.0);
    for (what, look) in [
        ("change", changes as fn(&[_], &_, &_) -> _),
        ("groups", between_groups),
    ] {
        let begun = Instant::now();
        let rows = look(&tests, &roster, &settings).rows.len();
        println!(
            "{what}: {} tests, {} measures, {rows} rows: {:.1} s",
            tests.len(),
            Measure::ALL.len(),
            begun.elapsed().as_secs_f64()
        );
    }
}

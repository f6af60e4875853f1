//! Words on change and groups, by simulation, and how long a large study takes:
//! `cargo bench --bench effects -- [--draws N]`.
//!
//! Prints for each design how often something is named when nothing changed (with next to no margin, and with the truth on
//! the margin), how often intervals hold, how often a change is named, and the seconds that 10,000 tests of 60 volunteers take in
//! all measures. Its own timer: the known harness crates build polars twice.

use std::collections::BTreeMap;
use std::process::ExitCode;
use std::time::Instant;
use tautpoint::columns::Measure;
use tautpoint::effects::{
    Effect, EffectTerm, EffectWord, between_groups, between_groups_in, changes, changes_in,
};
use tautpoint::planning::{MEASURE, PlannedDesign, PlannedEffect, Spreads, simulated_tests};
use tautpoint::settings::Settings;
use tautpoint::trace::Measured;

const TERMS: [EffectTerm; 6] = [
    EffectTerm::Place,
    EffectTerm::Volunteer,
    EffectTerm::Shared,
    EffectTerm::Examiner,
    EffectTerm::Group,
    EffectTerm::GroupBySession,
];

fn asked() -> Result<u64, String> {
    let mut draws = 300;
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        match word.as_str() {
            "--draws" => {
                let number = words.next().and_then(|n| n.parse().ok()).filter(|n| *n > 0);
                draws = number.ok_or("--draws needs a whole number above 0")?;
            }
            // What cargo itself adds.
            "--bench" => {}
            other => return Err(format!("unknown option {other:?}")),
        }
    }
    Ok(draws)
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
    for seed in 0..draws {
        let (tests, roster) = simulated_tests(&design, spreads, effect, 10_000 + seed);
        let mut rows = changes_in(&tests, &roster, &settings, &[MEASURE]).rows;
        rows.extend(between_groups_in(&tests, &roster, &settings, &[MEASURE]).rows);
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
    let draws = match asked() {
        Ok(draws) => draws,
        Err(message) => {
            eprintln!("{message}");
            return ExitCode::from(2);
        }
    };
    let design = |subjects, examiners, sessions, trials, levels| PlannedDesign {
        subjects,
        examiners,
        sessions,
        trials,
        levels,
    };
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
    ExitCode::SUCCESS
}

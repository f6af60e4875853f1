//! METHODS.md §14 against the program, and planned power against power by other means: numpy scripts that know nothing of
//! the program. Skipped with a word where numpy is not installed; a failure under TAUTPOINT_FULL_TESTS=1.

use super::with_margin;
use crate::mixed::libraries::answer;
use std::fmt::Write as _;
use std::path::Path;
use tautpoint::columns::Measure;
use tautpoint::effects::{Effects, between_groups_in, changes_in};
use tautpoint::planning::{
    MEASURE, PlanQuestion, PlanRequest, PlannedDesign, PlannedEffect, Spreads, answers, simulated_tests,
};
use tautpoint::settings::Settings;
use tautpoint::study::roster::Roster;
use tautpoint::trace::{Measured, Test};

const MEASURES: [Measure; 3] = [MEASURE, Measure::LossRatio, Measure::Peak];
const SCRIPTS: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/all/methods_numpy");

/// Tests of which some are missing, in three measures, one of them as it is and one that not every test has. The first
/// volunteer changes by 80 %.
fn study(seed: u64, examiners: u32, sessions: u32) -> (Vec<Test>, Roster) {
    let design = PlannedDesign {
        subjects: 8,
        examiners,
        sessions,
        trials: 2,
        levels: 1,
    };
    let effect = PlannedEffect::OneVolunteer(1.8_f64.ln());
    let (mut tests, roster) = simulated_tests(&design, &Spreads::USUAL, effect, seed);
    let mut at = 0;
    tests.retain(|_| {
        at += 1;
        at % 9 != 0
    });
    for (i, test) in tests.iter_mut().enumerate() {
        let value = test.value(MEASURE).unwrap();
        let other = ((i * 7919 + 13) % 101) as f64 / 101.0 - 0.5;
        let ratio = 0.3 + 0.05 * (value / 10.0).ln() + 0.02 * other;
        test.measures.set(Measure::LossRatio, Measured::new(ratio, []));
        if i % 5 != 2 {
            test.measures
                .set(Measure::Peak, Measured::new(60.0 * (1.0 + 0.2 * other), []));
        }
    }
    (tests, roster)
}

fn tests_csv(tests: &[Test]) -> String {
    let mut text = "subject,examiner,session,level,side,end_feel_n_per_mm,loss_ratio,peak_n\n".to_owned();
    for test in tests {
        let a = &test.about;
        let who = [&a.subject, &a.examiner, &a.session].map(|w| w.clone().unwrap());
        let value = |m: Measure| test.value(m).map_or(String::new(), |v| format!("{v:?}"));
        let place = [a.level.unwrap().to_string(), a.side.unwrap().to_string()];
        let cells: Vec<String> = who.into_iter().chain(place).chain(MEASURES.map(value)).collect();
        writeln!(text, "{}", cells.join(",")).unwrap();
    }
    text
}

/// What the script finds apart from the program's estimates.
fn rebuilt(folder: &Path, tests: &[Test], roster: &Roster) -> Option<serde_json::Value> {
    let mut settings = Settings::default();
    settings.change.0.insert("end_feel_n_per_mm".to_owned(), 20.0);
    settings.change.0.insert("loss_ratio".to_owned(), 0.02);
    settings.groups.primary = Some("end_feel_n_per_mm".to_owned());
    let told = serde_json::json!({
        "measures": MEASURES.map(|m| m.info().name),
        "margins": settings.change.0,
        "primary": settings.groups.primary,
        "confidence": settings.compare.confidence,
        "rate": settings.compare.false_discovery_rate,
    });
    let mut people = "code,role,group\n".to_owned();
    for p in &roster.people {
        writeln!(
            people,
            "{},{},{}",
            p.code,
            p.role,
            p.group.clone().unwrap_or_default()
        )
        .unwrap();
    }
    let estimates = |found: &Effects| tautpoint::report::effects::tables(found)[0].to_csv().unwrap();
    let (change, groups) = (
        changes_in(tests, roster, &settings, &MEASURES),
        between_groups_in(tests, roster, &settings, &MEASURES),
    );
    for (name, bytes) in [
        ("tests.csv", tests_csv(tests).into_bytes()),
        ("roster.csv", people.into_bytes()),
        ("settings.json", told.to_string().into_bytes()),
        ("change.csv", estimates(&change)),
        ("groups.csv", estimates(&groups)),
    ] {
        std::fs::write(folder.join(name), bytes).unwrap();
    }
    let script = format!("{SCRIPTS}/effects.py");
    let found = answer(
        "numpy and METHODS.md §14",
        "python3",
        &["-B", &script, folder.to_str().unwrap()],
        "",
    )?;
    Some(serde_json::from_str(&found).unwrap())
}

#[test]
fn the_text_of_the_methods_is_enough_to_rebuild_change_and_groups() {
    let dir = tempfile::tempdir().unwrap();
    let mut stood_out = 0;
    for (seed, examiners, sessions, replaced) in [(5, 2, 3, false), (6, 1, 2, false), (7, 2, 2, true)] {
        let (mut tests, roster) = study(seed, examiners, sessions);
        if replaced {
            // The second examiner alone tested half of the volunteers in the second session: some rows have no error.
            tests.retain(|t| {
                let a = &t.about;
                let half = a.subject.as_deref() > Some("V-004");
                let second = a.session.as_deref() == Some("2");
                let other = a.examiner.as_deref() == Some("E-2");
                !half || second == other
            });
        }
        let Some(found) = rebuilt(dir.path(), &tests, &roster) else {
            return;
        };
        stood_out += found["apart"]
            .as_object()
            .unwrap()
            .values()
            .filter(|a| !a.as_array().unwrap().is_empty())
            .count();
        let columns = found["columns"].as_object().unwrap();
        assert!(columns["change.word"]["cells"].as_u64().unwrap() > 30);
        assert!(columns["groups.word"]["cells"].as_u64().unwrap() >= 9);
        let off: Vec<String> = columns
            .iter()
            // Both search for the variances; ends of intervals near 0 show what that leaves.
            .filter(|(_, seen)| !seen["worst"].as_f64().is_some_and(|w| w <= 1e-4))
            .map(|(column, seen)| format!("{column} by {}: {}", seen["worst"], seen["where"]))
            .collect();
        assert!(
            off.is_empty(),
            "METHODS.md and the program differ, seed {seed}:\n{}",
            off.join("\n")
        );
    }
    assert!(
        stood_out > 0,
        "no volunteer stood out: columns of their own are not looked at"
    );
}

/// Sessions differ so much that no variance comes out at 0, where the rule is no longer a t test of means.
const LOUD: Spreads = Spreads {
    subject: 0.25,
    place: 0.08,
    examiner: 0.0,
    session: 0.1,
    place_at_session: 0.02,
    trial: 0.05,
};

#[test]
fn planned_power_is_that_of_simulations_without_the_program() {
    use PlanQuestion::{ChangeAll, Group, GroupBySession, Side};
    // Question, volunteers, trials, effect and margin in percent; a margin next to nothing has a closed form beside it.
    let asked = [
        (Side, 1, 4, 32.0, 15.0),
        (ChangeAll, 10, 1, 18.0, 4.0),
        (ChangeAll, 10, 1, 12.0, 1e-6),
        (Group, 16, 1, 45.0, 1e-6),
        (Group, 16, 1, 70.0, 10.0),
        (GroupBySession, 16, 1, 20.0, 1e-6),
    ];
    let mut input = String::new();
    for (question, subjects, trials, effect, margin) in asked {
        let log = |percent: f64| (percent / 100.0).ln_1p();
        let margin = if question == Side {
            2.0 * (margin / 200.0_f64).atanh()
        } else {
            log(margin)
        };
        let s = LOUD;
        writeln!(
            input,
            "{question} {subjects} {trials} {} {margin} {} {} {} {} {}",
            log(effect),
            s.subject,
            s.session,
            s.place,
            s.place_at_session,
            s.trial
        )
        .unwrap();
    }
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/all/effects/power.py");
    let Some(told) = answer("numpy", "python3", &["-B", script, SCRIPTS], &input) else {
        return;
    };
    for ((question, subjects, trials, effect, margin), line) in asked.into_iter().zip(told.lines()) {
        let request = PlanRequest {
            question,
            spreads: LOUD,
            effect: f64::ln_1p(effect / 100.0),
            wanted: 0.8,
            draws: 200,
            seed: 1,
        };
        let design = PlannedDesign {
            subjects,
            examiners: 1,
            sessions: if matches!(question, ChangeAll | GroupBySession) {
                2
            } else {
                1
            },
            trials,
            levels: 1,
        };
        let mut settings = if question == Side {
            Settings::default()
        } else {
            with_margin(margin)
        };
        settings.groups.primary = Some(MEASURE.info().name.to_owned());
        let planned = answers(&request, &[design], &settings)[0];
        let (value, error) = (planned.value.unwrap(), planned.error.unwrap());
        println!("{question} {effect} % beyond {margin}: {value:.3} ± {error:.3}; outside {line}");
        assert_eq!(planned.unanswered, 0, "{question}");
        for theirs in line.split(' ').filter(|w| *w != "-") {
            let theirs: f64 = theirs.parse().unwrap();
            assert!(
                (0.2..0.98).contains(&theirs),
                "{question}: a power that tells little: {theirs}"
            );
            // Seeded, so that four standard errors are no gamble; the outside's own 20,000 draws leave 0.0035.
            let allowed = 4.0 * (error * error + 0.0035_f64.powi(2)).sqrt();
            assert!(
                (value - theirs).abs() <= allowed,
                "{question} {effect} beyond {margin}: {value}, outside {theirs}"
            );
        }
    }
    assert_eq!(told.lines().count(), asked.len());
}

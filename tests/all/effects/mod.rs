//! Change between sessions, differences between groups, planned sizes: words on simulated studies, R beside them, and
//! designs that cannot answer.

use tautpoint::effects::{
    Effect, EffectRule, EffectTerm, EffectWord, Effects, between_groups_in, changes, changes_in,
};
use tautpoint::planning::{
    MEASURE, PlanQuestion, PlanRequest, PlannedDesign, PlannedEffect, Spreads, answers, simulated_tests,
};
use tautpoint::settings::Settings;
use tautpoint::study::roster::Roster;
use tautpoint::trace::{Measured, Test};

mod libraries;
mod program;

fn with_margin(percent: f64) -> Settings {
    let mut settings = Settings::default();
    settings.change.0.insert(MEASURE.info().name.to_owned(), percent);
    settings
}

fn design(subjects: u32, examiners: u32, sessions: u32) -> PlannedDesign {
    PlannedDesign {
        subjects,
        examiners,
        sessions,
        trials: 2,
        levels: 2,
    }
}

fn of(found: &Effects, term: EffectTerm) -> impl Iterator<Item = &Effect> {
    found.rows.iter().filter(move |r| r.term == term)
}

fn says(found: &Effects, words: &str) -> bool {
    found.notes.iter().any(|n| n.contains(words))
}

#[test]
fn a_change_well_beyond_the_margin_is_named_and_none_is_called_unchanged() {
    let (tests, roster) = simulated_tests(
        &design(8, 1, 2),
        &Spreads::USUAL,
        PlannedEffect::OneVolunteer(1.8_f64.ln()),
        5,
    );
    let found = changes_in(&tests, &roster, &with_margin(25.0), &[MEASURE]);
    let volunteers: Vec<&Effect> = of(&found, EffectTerm::Volunteer).collect();
    assert_eq!(volunteers.len(), 8);
    for row in &volunteers {
        let expected = if row.subject.as_deref() == Some("V-001") {
            EffectWord::Changed
        } else {
            EffectWord::Unchanged
        };
        assert_eq!(row.word, Some(expected), "{row:?}");
        assert_eq!((row.places, row.tests, row.examiners), (4, [8, 8], 1));
    }
    // Every place of every volunteer, corrected over the four of one volunteer.
    assert_eq!(of(&found, EffectTerm::Place).count(), 32);
    assert!(of(&found, EffectTerm::Place).all(|r| r.family == 4 && r.p_adjusted >= r.p));
    let named = |r: &&Effect| r.word == Some(EffectWord::Changed);
    assert!(
        of(&found, EffectTerm::Place)
            .filter(named)
            .all(|r| r.subject.as_deref() == Some("V-001"))
    );
    assert_eq!(of(&found, EffectTerm::Shared).count(), 1);
    assert!(says(&found, "one examiner"), "{:?}", found.notes);
    // The band of a course is the detectable change of the whole.
    let course = found.courses.iter().find(|c| c.who == "V-002").unwrap();
    let row = volunteers
        .iter()
        .find(|r| r.subject.as_deref() == Some("V-002"))
        .unwrap();
    assert_eq!((course.detectable, course.points.len()), (row.detectable, 2));
    assert!((course.points[1].mean - course.points[0].mean - row.estimate).abs() < 1e-9);
}

#[test]
fn an_examiner_who_drifts_is_told_from_the_volunteers() {
    let (mut tests, roster) = simulated_tests(&design(8, 2, 2), &Spreads::USUAL, PlannedEffect::None, 7);
    for test in &mut tests {
        let about = &test.about;
        if about.examiner.as_deref() == Some("E-2") && about.session.as_deref() == Some("2") {
            let value = test.value(MEASURE).unwrap();
            test.measures.set(MEASURE, Measured::new(1.3 * value, []));
        }
    }
    let found = changes_in(&tests, &roster, &with_margin(10.0), &[MEASURE]);
    let drift: Vec<&Effect> = of(&found, EffectTerm::Examiner).collect();
    assert_eq!(drift.len(), 2);
    // Each beside the other: the same size, turned round.
    assert!((drift[0].estimate + drift[1].estimate).abs() < 1e-9);
    assert!((drift[1].estimate - 1.3_f64.ln()).abs() < 0.03, "{:?}", drift[1]);
    assert!(drift.iter().all(|d| d.word == Some(EffectWord::Changed)));
    assert!(of(&found, EffectTerm::Volunteer).all(|v| v.examiners == 2));
}

#[test]
fn tests_of_one_session_do_not_count_as_independent() {
    // Sessions that differ by 10 % and tests by 1 %: many tests a session add next to nothing.
    let spreads = Spreads {
        session: 0.1,
        place_at_session: 0.0,
        trial: 0.01,
        ..Spreads::USUAL
    };
    let (tests, roster) = simulated_tests(&design(12, 1, 2), &spreads, PlannedEffect::None, 3);
    let found = changes_in(&tests, &roster, &with_margin(10.0), &[MEASURE]);
    for row in of(&found, EffectTerm::Volunteer) {
        let (se, df) = row.error.unwrap();
        assert!(se > 0.07 && se < 0.25 && df > 5.0 && df < 14.0, "{se} {df}");
        assert!(row.word != Some(EffectWord::Changed), "{row:?}");
    }
}

/// Share of families in which anything is named, over several draws without any effect and next to no margin.
fn named_without_effect(
    draws: u64,
    term: EffectTerm,
    look: impl Fn(&[Test], &Roster) -> Effects,
) -> (f64, f64) {
    let (mut families, mut named) = (0.0, 0.0);
    for seed in 0..draws {
        let (tests, roster) = simulated_tests(
            &design(10, 1, 2),
            &Spreads::USUAL,
            PlannedEffect::None,
            1000 + seed,
        );
        let found = look(&tests, &roster);
        let mut of_subject = std::collections::BTreeMap::new();
        for row in of(&found, term) {
            let word = matches!(row.word, Some(EffectWord::Changed | EffectWord::Different));
            *of_subject.entry(row.subject.clone()).or_insert(false) |= word;
        }
        families += of_subject.len() as f64;
        named += of_subject.values().filter(|w| **w).count() as f64;
    }
    (named / families, families)
}

#[test]
fn nothing_is_named_more_often_than_five_times_in_a_hundred_when_nothing_changed() {
    let settings = with_margin(1e-6);
    let change = |tests: &[Test], roster: &Roster| changes_in(tests, roster, &settings, &[MEASURE]);
    let groups = |tests: &[Test], roster: &Roster| between_groups_in(tests, roster, &settings, &[MEASURE]);
    for (term, found) in [
        (
            EffectTerm::Place,
            named_without_effect(20, EffectTerm::Place, change),
        ),
        (
            EffectTerm::Volunteer,
            named_without_effect(20, EffectTerm::Volunteer, change),
        ),
        (
            EffectTerm::Shared,
            named_without_effect(40, EffectTerm::Shared, change),
        ),
        (
            EffectTerm::Group,
            named_without_effect(40, EffectTerm::Group, groups),
        ),
        (
            EffectTerm::GroupBySession,
            named_without_effect(40, EffectTerm::GroupBySession, groups),
        ),
    ] {
        let (share, families) = found;
        println!("{term}: {:.1} % of {families}", 100.0 * share);
        // Volunteers of one draw share their spread: four standard errors.
        assert!(
            share <= 0.05 + 4.0 * (0.05 * 0.95 / families).sqrt(),
            "{term}: {share} of {families}"
        );
    }
}

#[test]
fn groups_are_compared_in_units_and_standard_deviations_with_the_primary_measure_first() {
    let (mut tests, roster) = simulated_tests(
        &design(24, 1, 2),
        &Spreads::USUAL,
        PlannedEffect::Group(2.2_f64.ln()),
        11,
    );
    let other = tautpoint::columns::Measure::Peak;
    for test in &mut tests {
        let value = test.value(MEASURE).unwrap();
        test.measures.set(other, Measured::new(value, []));
    }
    let mut settings = with_margin(10.0);
    settings.groups.primary = Some(other.info().name.to_owned());
    let found = tautpoint::effects::between_groups(&tests, &roster, &settings);
    let groups: Vec<&Effect> = of(&found, EffectTerm::Group).collect();
    assert_eq!(
        groups.iter().map(|g| g.measure).collect::<Vec<_>>(),
        [other, MEASURE]
    );
    assert_eq!((groups[0].family, groups[1].family), (1, 1));
    assert_eq!(groups[1].word, Some(EffectWord::Different));
    // Without a margin there is an estimate and no word.
    assert_eq!((groups[0].word, groups[0].rule), (None, EffectRule::NoMargin));
    let [d, low, high] = groups[1].standardised.unwrap();
    assert!(low < d && d < high && d > 1.0, "{d} {low} {high}");
    assert_eq!(of(&found, EffectTerm::GroupBySession).count(), 2);
}

#[test]
fn designs_that_cannot_answer_say_why() {
    let settings = with_margin(10.0);
    let nothing = changes(&[], &Roster::default(), &settings);
    assert!(nothing.rows.is_empty());
    let (one, roster) = simulated_tests(&design(4, 1, 1), &Spreads::USUAL, PlannedEffect::None, 1);
    assert!(says(&changes(&one, &roster, &settings), "one session only"));
    // One volunteer: how much sessions differ by themselves is not known.
    let (alone, roster) = simulated_tests(&design(1, 1, 2), &Spreads::USUAL, PlannedEffect::None, 1);
    let found = changes(&alone, &roster, &settings);
    assert!(says(&found, "at least two volunteers"), "{:?}", found.notes);
    assert!(!found.rows.is_empty());
    assert!(
        found
            .rows
            .iter()
            .all(|r| r.rule == EffectRule::SpreadNotTold && r.word.is_none() && r.interval.is_none())
    );
    // No margin: numbers, no words.
    let (tests, roster) = simulated_tests(&design(6, 1, 2), &Spreads::USUAL, PlannedEffect::None, 1);
    let found = changes(&tests, &roster, &Settings::default());
    assert!(says(&found, "no margin is set"));
    assert!(of(&found, EffectTerm::Place).all(|r| r.word.is_none() && r.p.is_some()));
    // A group of one, then every group of one, then one group, then none.
    let groups_of = |names: &[&str]| {
        let mut changed = roster.clone();
        for (i, person) in changed.people.iter_mut().enumerate() {
            person.group = names
                .get(i)
                .or(names.last())
                .map(|g| (*g).to_owned())
                .filter(|g| !g.is_empty());
        }
        between_groups_in(&tests, &changed, &settings, &[MEASURE])
    };
    assert!(says(
        &groups_of(&["=A,\"x\"", "B"]),
        "group =A,\"x\" has 1 of the volunteers"
    ));
    let every = groups_of(&["a", "b", "c", "d", "e", "f"]);
    assert!(
        says(&every, "every group has one of the volunteers"),
        "{:?}",
        every.notes
    );
    assert!(of(&every, EffectTerm::Group).all(|r| r.rule == EffectRule::SpreadNotTold && r.word.is_none()));
    assert!(says(&groups_of(&["a"]), "one group of volunteers only"));
    assert!(says(&groups_of(&[""]), "no two groups"));
    assert!(says(
        &groups_of(&["a", "a", "a", "b", "b", ""]),
        "left out: 1 volunteers without a group"
    ));
}

#[test]
fn sessions_follow_their_recordings_and_say_where_their_names_do_not() {
    let (mut tests, roster) = simulated_tests(&design(4, 1, 2), &Spreads::USUAL, PlannedEffect::None, 2);
    let stamp = |tests: &mut [Test], of: &dyn Fn(&Test) -> &'static str| {
        for test in tests {
            test.about.recorded_at = Some(of(test).to_owned());
        }
    };
    stamp(&mut tests, &|t| match t.about.session.as_deref() {
        Some("1") => "2026-09-14T10:00:00Z",
        _ => "2026-09-07T10:00:00Z",
    });
    let found = changes_in(&tests, &roster, &with_margin(10.0), &[MEASURE]);
    assert!(
        says(&found, "which is not that of their names: 2, 1"),
        "{:?}",
        found.notes
    );
    assert!(
        of(&found, EffectTerm::Place).all(|r| r.from.as_deref() == Some("2") && r.to.as_deref() == Some("1"))
    );
    stamp(
        &mut tests,
        &|t| match (t.about.subject.as_deref(), t.about.session.as_deref()) {
            (Some("V-003"), Some("1")) => "2026-10-01T10:00:00Z",
            (_, Some("1")) => "2026-09-07T10:00:00Z",
            _ => "2026-09-14T10:00:00Z",
        },
    );
    let found = changes_in(&tests, &roster, &with_margin(10.0), &[MEASURE]);
    assert!(says(&found, "sessions out of order: V-003"), "{:?}", found.notes);
}

#[test]
fn values_that_are_no_numbers_and_sessions_that_are_not_equal_do_not_stop_the_rest() {
    let (mut tests, roster) = simulated_tests(&design(6, 1, 3), &Spreads::USUAL, PlannedEffect::None, 9);
    // One volunteer came once, another missed a level the second time; some values are nothing.
    tests.retain(|t| {
        let a = &t.about;
        let (who, when) = (a.subject.as_deref(), a.session.as_deref());
        match who {
            Some("V-001") => when == Some("1"),
            Some("V-002") => when != Some("2") || a.level != Some(PlannedDesign::LEVELS[0]),
            _ => true,
        }
    });
    for (i, test) in tests.iter_mut().enumerate() {
        match i % 17 {
            3 => test.measures.set(MEASURE, Measured::new(f64::NAN, [])),
            7 => test.measures.set(MEASURE, Measured::new(-1.0, [])),
            _ => {}
        }
    }
    let found = changes_in(&tests, &roster, &with_margin(15.0), &[MEASURE]);
    assert!(of(&found, EffectTerm::Place).all(|r| r.estimate.is_finite() && r.error.is_some()));
    assert!(found.rows.iter().all(|r| r.subject.as_deref() != Some("V-001")));
    let second = |r: &&Effect| r.subject.as_deref() == Some("V-002") && r.to.as_deref() == Some("2");
    assert_eq!(of(&found, EffectTerm::Place).filter(second).count(), 2);
}

#[test]
fn a_planned_power_is_reached_by_other_draws_and_grows_with_size() {
    let request = |seed| PlanRequest {
        question: PlanQuestion::ChangeAll,
        spreads: Spreads::USUAL,
        effect: 1.05_f64.ln(),
        wanted: 0.8,
        draws: 24,
        seed,
    };
    let settings = with_margin(1.0);
    let designs = [design(6, 1, 2), design(18, 1, 2)];
    let planned = answers(&request(1), &designs, &settings);
    assert_eq!(
        planned,
        answers(&request(1), &designs, &settings),
        "the same seed gives the same answer"
    );
    let (small, large) = (planned[0].value.unwrap(), planned[1].value.unwrap());
    assert!(large > small, "{small} {large}");
    let again = answers(&request(5000), &designs[1..], &settings)[0];
    let apart = (large - again.value.unwrap()).abs();
    let error = (planned[1].error.unwrap().powi(2) + again.error.unwrap().powi(2))
        .sqrt()
        .max(0.02);
    assert!(apart <= 3.5 * error, "{large} {again:?}");
    assert!(planned.iter().all(|a| a.without_effect.unwrap() < 0.2));
    // Every question gets an answer.
    for question in PlanQuestion::ALL {
        let request = PlanRequest {
            question: *question,
            effect: 1.5_f64.ln(),
            draws: 3,
            ..request(2)
        };
        let examiners = if question.is_width() { 2 } else { 1 };
        let found = answers(&request, &[design(6, examiners, 2)], &settings);
        assert!(found[0].value.is_some(), "{question}: {found:?}");
    }
}

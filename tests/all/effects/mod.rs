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
mod outside;
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
    assert!(says(
        &groups_of(&["early", "Early", "late"]),
        "groups early and Early differ in capital letters only"
    ));
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

#[test]
fn groups_that_only_their_own_examiner_tested_get_no_word() {
    // One examiner's sensor that reads twice as much in the second session was "different", 106 % (95 to 117).
    let (mut tests, roster) = simulated_tests(&design(8, 2, 2), &Spreads::USUAL, PlannedEffect::None, 3);
    let examiners: std::collections::BTreeSet<_> =
        tests.iter().filter_map(|t| t.about.examiner.clone()).collect();
    let own = |t: &Test| {
        let group = roster
            .people
            .iter()
            .find(|p| Some(&p.code) == t.about.subject.as_ref())?
            .group
            .clone()?;
        examiners.iter().nth(usize::from(group == "B")).cloned()
    };
    let both = between_groups_in(&tests, &roster, &with_margin(15.0), &[MEASURE]);
    assert!(of(&both, EffectTerm::Group).all(|r| r.word.is_some()));
    tests.retain(|t| t.about.examiner == own(t));
    let found = between_groups_in(&tests, &roster, &with_margin(15.0), &[MEASURE]);
    assert!(
        says(&found, "groups cannot be told from examiners"),
        "{:?}",
        found.notes
    );
    for term in [EffectTerm::Group, EffectTerm::GroupBySession] {
        assert!(
            of(&found, term).count() == 1 && of(&found, term).all(|r| r.word.is_none() && r.error.is_none())
        );
    }
}

#[test]
fn what_can_be_told_from_none_is_as_wide_as_the_interval() {
    // With 1.96 standard errors a learner of two days, one degree of freedom, was unchanged beside an interval of -17 to 23 %.
    let (tests, roster) = simulated_tests(&design(3, 1, 2), &Spreads::USUAL, PlannedEffect::None, 4);
    let found = changes(&tests, &roster, &with_margin(20.0));
    let told: Vec<&Effect> = found.rows.iter().filter(|r| r.detectable.is_some()).collect();
    assert!(told.len() > 10, "{}", told.len());
    for row in told {
        let [low, high] = row.interval.unwrap();
        assert!(
            (row.detectable.unwrap() - 0.5 * (high - low)).abs() < 1e-9 * (high - low),
            "{row:?}"
        );
        if row.word == Some(EffectWord::Unchanged) {
            assert!(row.detectable <= row.margin, "{row:?}");
        }
    }
}

/// Multiplies what an examiner measured, in one session or in all.
fn misread(tests: &mut [Test], examiner: &str, session: Option<&str>, by: f64) {
    for test in tests {
        let about = &test.about;
        let then = session.is_none_or(|s| about.session.as_deref() == Some(s));
        if then && about.examiner.as_deref() == Some(examiner) {
            let value = by * test.value(MEASURE).unwrap();
            test.measures.set(MEASURE, Measured::new(value, []));
        }
    }
}

#[test]
fn the_drift_of_an_examiner_is_not_taken_for_groups_that_change_differently() {
    // One examiner saw group A both times. Group B was seen by both, the second time by the other alone, whose sensor reads
    // 40 % more by then: "different", 39 % (33 to 45).
    let (mut tests, roster) = simulated_tests(&design(12, 2, 2), &Spreads::USUAL, PlannedEffect::None, 1);
    let settings = with_margin(10.0);
    let whole = between_groups_in(&tests, &roster, &settings, &[MEASURE]);
    assert!(whole.rows.iter().all(|r| r.word.is_some()), "everybody by both");
    tests.retain(|t| {
        let a = &t.about;
        let code: u32 = a.subject.as_deref().unwrap()[2..].parse().unwrap();
        let other = a.examiner.as_deref() == Some("E-2");
        if code % 2 == 1 {
            !other
        } else {
            a.session.as_deref() == Some("1") || other
        }
    });
    misread(&mut tests, "E-2", Some("2"), 1.4);
    let found = between_groups_in(&tests, &roster, &settings, &[MEASURE]);
    let row = of(&found, EffectTerm::GroupBySession).next().unwrap();
    assert!((row.estimate - 1.4_f64.ln()).abs() < 0.1, "{row:?}");
    assert_eq!(
        (row.word, row.error, row.rule),
        (None, None, EffectRule::PeopleDiffer)
    );
    assert!(
        says(
            &found,
            "how differently groups changed cannot be told from examiners"
        ),
        "{:?}",
        found.notes
    );
    // With tests missing here and there nobody's drift decides.
    let (mut tests, roster) = simulated_tests(&design(12, 2, 2), &Spreads::USUAL, PlannedEffect::None, 1);
    let mut at = 0;
    tests.retain(|_| {
        at += 1;
        at % 7 != 0
    });
    let found = between_groups_in(&tests, &roster, &settings, &[MEASURE]);
    assert!(found.rows.iter().all(|r| r.word.is_some()), "{:?}", found.notes);
}

#[test]
fn what_all_changed_by_gets_no_word_where_another_examiner_tested_later() {
    // The second examiner reads 40 % more: "changed", 38 % (34 to 41), though nobody changed.
    let (mut tests, roster) = simulated_tests(&design(12, 2, 2), &Spreads::USUAL, PlannedEffect::None, 1);
    tests.retain(|t| t.about.examiner.as_deref().unwrap()[2..] == t.about.session.as_deref().unwrap()[..]);
    misread(&mut tests, "E-2", None, 1.4);
    let found = changes_in(&tests, &roster, &with_margin(10.0), &[MEASURE]);
    let row = of(&found, EffectTerm::Shared).next().unwrap();
    assert_eq!((row.word, row.rule), (None, EffectRule::PeopleDiffer), "{row:?}");
    assert!(
        says(&found, "other examiners tested in the later session"),
        "{:?}",
        found.notes
    );
    // Groups had the same two examiners in the same sessions: that cancels.
    let groups = between_groups_in(&tests, &roster, &with_margin(10.0), &[MEASURE]);
    assert!(
        of(&groups, EffectTerm::Group).all(|r| r.word.is_some()),
        "{:?}",
        groups.notes
    );
    assert!(of(&groups, EffectTerm::Session).all(|r| r.word.is_none()));
}

#[test]
fn groups_of_uneven_spread_are_told() {
    let (mut tests, roster) = simulated_tests(&design(20, 1, 1), &Spreads::USUAL, PlannedEffect::None, 1);
    let told = |tests: &[Test]| {
        let found = between_groups_in(tests, &roster, &with_margin(10.0), &[MEASURE]);
        found
            .notes
            .into_iter()
            .find(|n| n.contains("differ among themselves"))
    };
    assert_eq!(told(&tests), None);
    // One group alone has a spread: nothing to hold it against.
    let alone: Vec<Test> = tests
        .iter()
        .filter(|t| {
            t.about.subject.as_deref().unwrap()[2..].parse::<u32>().unwrap() % 2 == 1
                || t.about.subject.as_deref() == Some("V-002")
        })
        .cloned()
        .collect();
    assert_eq!(told(&alone), None);
    for test in &mut tests {
        if test.about.subject.as_deref().unwrap()[2..]
            .parse::<u32>()
            .unwrap()
            % 2
            == 0
        {
            let value = 10.0 * (test.value(MEASURE).unwrap() / 10.0).powi(4);
            test.measures.set(MEASURE, Measured::new(value, []));
        }
    }
    let note = told(&tests).unwrap();
    assert!(
        note.contains("the people of group B differ among themselves"),
        "{note}"
    );
}

#[test]
fn a_margin_that_can_hardly_be_meant_is_named() {
    use tautpoint::columns::Measure;
    let (mut tests, roster) = simulated_tests(&design(6, 1, 2), &Spreads::USUAL, PlannedEffect::None, 1);
    for (i, test) in tests.iter_mut().enumerate() {
        let travel = 4.0 + 0.1 * ((i * 7919) % 13) as f64;
        test.measures.set(Measure::OnsetTravel, Measured::new(travel, []));
    }
    let told = |measure: Measure, margin: f64| {
        let mut settings = Settings::default();
        settings.change.0.insert(measure.info().name.to_owned(), margin);
        let change = changes_in(&tests, &roster, &settings, &[measure]);
        let groups = between_groups_in(&tests, &roster, &settings, &[measure]);
        [change, groups].map(|found| found.doubts.first().cloned())
    };
    for (measure, margin, words) in [
        // 0.2 for 20 %, m for mm, µm for mm, and 300 % where the stiffest is three times the softest.
        (MEASURE, 0.2, "20 % is written 20, and not in N/mm"),
        (Measure::OnsetTravel, 0.000_8, "it is in mm"),
        (
            Measure::OnsetTravel,
            800.0,
            "all values together differ by less (4.000 to 5.200 mm)",
        ),
        (MEASURE, 299.0, "all values together differ by less"),
    ] {
        for note in told(measure, margin) {
            let note = note.unwrap_or_else(|| panic!("{measure:?} {margin}: nothing said"));
            assert!(note.contains(words), "{note}");
        }
    }
    for (measure, margin) in [(MEASURE, 15.0), (MEASURE, 2.0), (Measure::OnsetTravel, 0.5)] {
        assert_eq!(told(measure, margin), [None, None], "{measure:?} {margin}");
    }
}

#[test]
fn terms_that_the_design_cannot_tell_are_listed() {
    use tautpoint::effects::{EffectPart, ModelOf};
    let (tests, roster) = simulated_tests(&design(6, 1, 2), &Spreads::USUAL, PlannedEffect::None, 1);
    let found = changes_in(&tests, &roster, &with_margin(15.0), &[MEASURE]);
    let state = |of, part| found.parts.iter().find(|p| p.of == of && p.part == part).unwrap();
    let sitting = state(ModelOf::Volunteers, EffectPart::Sitting);
    // With one examiner a sitting is a session of the subject.
    assert_eq!((sitting.state.word(), sitting.variance), ("not_told", None));
    assert_eq!(
        state(ModelOf::Shared, EffectPart::Examiner).state.word(),
        "not_told"
    );
    let trial = state(ModelOf::Volunteers, EffectPart::Residual);
    assert!((trial.variance.unwrap().sqrt() - Spreads::USUAL.trial).abs() < 0.02);
}

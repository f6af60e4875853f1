//! Which tests show what stays: made without feedback on another day than the learner's last feedback (METHODS.md §9.9).

use crate::terms::{Day, Feedback, Given};
use crate::trace::Test;
use crate::trace::order::{in_time, sessions};
use std::collections::{BTreeMap, BTreeSet};

/// The retention tests among those of everybody.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Retention(BTreeSet<(String, u32)>);

impl Retention {
    /// Of all tests of an analysis.
    pub fn of(tests: &[Test]) -> Retention {
        let mut learners: BTreeMap<Option<&str>, Vec<&Test>> = BTreeMap::new();
        for test in tests {
            learners.entry(test.about.examiner.as_deref()).or_default().push(test);
        }
        let all = learners.into_values().flat_map(|own| of_learner(&own));
        Retention(all.map(|t| (t.recording.clone(), t.test)).collect())
    }

    /// Whether a test is one.
    pub fn holds(&self, test: &Test) -> bool {
        self.0.contains(&(test.recording.clone(), test.test))
    }
}

/// Whether nothing of the test was shown to whoever made it.
pub fn without_feedback(test: &Test) -> bool {
    match test.about.given {
        Some(given) => given == Given::None,
        None => test.about.feedback == Some(Feedback::None),
    }
}

fn of_learner<'a>(own: &[&'a Test]) -> Vec<&'a Test> {
    let order = sessions(own.iter().copied());
    let days: Option<Vec<i64>> = own.iter().map(|t| calendar_day(t)).collect();
    // Where one test does not say its day, another session stands for another day.
    let of_session = |t: &&Test| order.iter().position(|s| Some(s) == t.about.session.as_ref()).map(|i| i as i64);
    let days: Vec<Option<i64>> = match days {
        Some(days) => days.into_iter().map(Some).collect(),
        None => own.iter().map(of_session).collect(),
    };
    let fed: Vec<(i64, &Test)> = own
        .iter()
        .zip(&days)
        .filter(|(t, _)| !without_feedback(t))
        .filter_map(|(t, day)| Some(((*day)?, *t)))
        .collect();
    let first = fed.iter().map(|(day, _)| *day).min();
    let shows_what_stays = |(test, day): &(&&'a Test, &Option<i64>)| {
        let (Some(day), Some(first)) = (**day, first) else { return false };
        let same_day_before = || fed.iter().filter(|(d, _)| *d == day).any(|(_, other)| may_be_before(other, test));
        without_feedback(test) && first < day && !same_day_before()
    };
    own.iter().zip(&days).filter(shows_what_stays).map(|(t, _)| *t).collect()
}

/// The day that a test was made on, by its recording or by the name of its session.
fn calendar_day(test: &Test) -> Option<i64> {
    let by = |text: &Option<String>| text.as_deref().and_then(Day::parse);
    let day = by(&test.about.recorded_at).or_else(|| by(&test.about.session))?;
    // Days of one calendar in order; how many lie between them is not asked.
    Some(i64::from(day.year) * 10_000 + i64::from(day.month) * 100 + i64::from(day.day))
}

/// Whether a test was made before another one; true where that is not told.
fn may_be_before(test: &Test, other: &Test) -> bool {
    in_time(&[test, other]).is_none_or(|order| std::ptr::eq(order[0], test))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trace::About;

    fn test(session: &str, time: Option<&str>, number: u32, given: Given) -> Test {
        Test {
            recording: format!("{session}-{number}.csv"),
            test: 1,
            about: About {
                examiner: Some("L-1".to_owned()),
                session: Some(session.to_owned()),
                recorded_at: time.map(|t| format!("{session}T{t}:00")),
                given: Some(given),
                ..About::default()
            },
            ..Test::default()
        }
    }

    fn held(tests: &[Test]) -> Vec<&str> {
        let retention = Retention::of(tests);
        tests.iter().filter(|t| retention.holds(t)).map(|t| t.recording.as_str()).collect()
    }

    #[test]
    fn a_test_without_feedback_on_another_day_than_the_last_feedback_shows_what_stays() {
        let (one, two) = ("2026-09-14", "2026-09-21");
        let tests = [
            // Before any feedback: nothing was learned by it yet.
            test(one, Some("09:00"), 1, Given::None),
            test(one, Some("09:05"), 2, Given::After),
            // The same day.
            test(one, Some("09:10"), 3, Given::None),
            // Another day, before and after that day's own feedback.
            test(two, Some("09:00"), 1, Given::None),
            test(two, Some("09:05"), 2, Given::Summary),
            test(two, Some("09:10"), 3, Given::None),
        ];
        assert_eq!(held(&tests), ["2026-09-21-1.csv"]);
    }

    #[test]
    fn an_order_or_a_day_that_is_not_told_is_not_guessed() {
        // Which of two tests of a day came first is not known: the feedback may have.
        let (one, two) = ("2026-09-14", "2026-09-21");
        let unordered = [test(one, None, 1, Given::After), test(two, None, 1, Given::None), test(two, None, 2, Given::During)];
        assert_eq!(held(&unordered), Vec::<&str>::new());
        let whole_day = [test(one, None, 1, Given::After), test(two, None, 1, Given::None)];
        assert_eq!(held(&whole_day), ["2026-09-21-1.csv"]);
        // Sessions with names that are no days.
        let named = [test("week 2", None, 1, Given::After), test("week 10", None, 1, Given::None)];
        assert_eq!(held(&named), ["week 10-1.csv"]);
        let never = [test(one, None, 1, Given::None), test(two, None, 1, Given::None)];
        assert_eq!(held(&never), Vec::<&str>::new());
    }
}

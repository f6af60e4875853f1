//! When a learner is shown a test: live, after it, on request, or by a schedule that leaves some tests out (METHODS.md §9.9).

use crate::settings::FeedbackSettings;
use crate::terms::Feedback;

/// Where a test lies to the bands of technique.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum TestBands {
    /// The full analysis is not there yet.
    #[default]
    Awaited,
    /// It could not be measured.
    NotMeasured,
    /// Nothing lies outside.
    Inside,
    /// Something lies outside.
    Outside,
}

/// When a test is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Showing {
    /// While the hand is on, and after it.
    During,
    /// When it has ended.
    After,
    /// When it has ended and the learner asks.
    OnRequest,
    /// When it has ended, together with those before it: so many in all.
    Summary(u32),
    /// Not shown.
    Withheld(Withheld),
}

/// Why a test is not shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Withheld {
    /// No test of the session is.
    Always,
    /// It is not this test's turn.
    NotItsTurn,
    /// What decides is being measured.
    Awaited,
    /// Nothing of it lies outside its band.
    InsideBands,
    /// So many more tests come before the summary.
    SummaryAfter(u32),
}

/// When a learner is shown a test.
///
/// `number` counts the learner's tests in this session from 1, those of recordings that were cut off included.
pub fn showing(feedback: Feedback, settings: &FeedbackSettings, number: u32, bands: TestBands) -> Showing {
    use Showing::{After, During, OnRequest, Summary};
    let when = |shown: bool| match shown {
        true => After,
        false => Showing::Withheld(Withheld::NotItsTurn),
    };
    match feedback {
        Feedback::Live => During,
        Feedback::After => After,
        Feedback::OnRequest => OnRequest,
        Feedback::Faded => when(faded(settings, number)),
        Feedback::Alternate => when(number.is_multiple_of(2)),
        Feedback::Bandwidth => match bands {
            TestBands::Awaited => Showing::Withheld(Withheld::Awaited),
            TestBands::Inside => Showing::Withheld(Withheld::InsideBands),
            // Nobody is to take a test that could not be measured for one inside its bands.
            TestBands::Outside | TestBands::NotMeasured => After,
        },
        Feedback::Summary => match number % settings.summary_tests.max(1) {
            0 => Summary(settings.summary_tests),
            made => Showing::Withheld(Withheld::SummaryAfter(settings.summary_tests - made)),
        },
        Feedback::None => Showing::Withheld(Withheld::Always),
    }
}

/// Whether a test is shown while the share falls: of block k, the share p(k) of its tests, the first of them before the others and
/// the rest spread evenly.
///
/// # Formula
/// p(k) = first + (last − first)·min(k/(blocks − 1), 1), k from 0; the i-th test of a block is shown when ⌈i·p⌉ > ⌈(i − 1)·p⌉.
fn faded(settings: &FeedbackSettings, number: u32) -> bool {
    let before = number.saturating_sub(1);
    let block = settings.faded_block.max(1);
    let [first, last] = settings.faded_percent.map(|percent| percent / 100.0);
    let along = f64::from(before / block) / f64::from(settings.faded_blocks.max(2) - 1);
    let share = first + (last - first) * along.min(1.0);
    // A share such as 2/3 of 3 is 2, whatever its last bits say.
    let so_far = |tests: u32| (f64::from(tests) * share - 1e-9).ceil();
    let within = before % block;
    so_far(within + 1) > so_far(within)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Numbers of the tests up to `last` that are shown one by one.
    fn shown(feedback: Feedback, settings: &FeedbackSettings, last: u32, bands: TestBands) -> Vec<u32> {
        let is_shown = |n: &u32| showing(feedback, settings, *n, bands) == Showing::After;
        (1..=last).filter(is_shown).collect()
    }

    #[test]
    fn faded_feedback_comes_less_and_less_often() {
        let settings = FeedbackSettings::default();
        // By hand: blocks of four with 100, 75, 50 and 25 %, then 25 % on.
        let by_hand = [1, 2, 3, 4, 5, 6, 7, 9, 11, 13, 17, 21];
        assert_eq!(shown(Feedback::Faded, &settings, 24, TestBands::Outside), by_hand);
        // To nothing in two blocks of three: 2/3 of 100 % is nowhere.
        let to_nothing = FeedbackSettings {
            faded_percent: [200.0 / 3.0, 0.0],
            faded_block: 3,
            faded_blocks: 2,
            ..settings
        };
        assert_eq!(shown(Feedback::Faded, &to_nothing, 12, TestBands::Inside), [1, 2]);
    }

    #[test]
    fn alternate_feedback_follows_every_second_test() {
        let settings = FeedbackSettings::default();
        assert_eq!(shown(Feedback::Alternate, &settings, 9, TestBands::Inside), [2, 4, 6, 8]);
    }

    #[test]
    fn bandwidth_feedback_follows_what_lies_outside_or_was_not_measured() {
        let settings = FeedbackSettings::default();
        let at = |bands| showing(Feedback::Bandwidth, &settings, 1, bands);
        assert_eq!(at(TestBands::Outside), Showing::After);
        assert_eq!(at(TestBands::NotMeasured), Showing::After);
        assert_eq!(at(TestBands::Inside), Showing::Withheld(Withheld::InsideBands));
        assert_eq!(at(TestBands::Awaited), Showing::Withheld(Withheld::Awaited));
    }

    #[test]
    fn a_summary_follows_every_fifth_test() {
        let settings = FeedbackSettings::default();
        let at = |n| showing(Feedback::Summary, &settings, n, TestBands::Outside);
        let waits = |n| Showing::Withheld(Withheld::SummaryAfter(n));
        let by_hand = [waits(4), waits(3), waits(2), waits(1), Showing::Summary(5)];
        for n in 1..=15 {
            assert_eq!(at(n), by_hand[(n as usize - 1) % 5], "test {n}");
        }
    }

    #[test]
    fn the_plain_modes_do_not_count() {
        let settings = FeedbackSettings::default();
        for n in 1..=9 {
            let at = |feedback| showing(feedback, &settings, n, TestBands::Outside);
            assert_eq!(at(Feedback::Live), Showing::During);
            assert_eq!(at(Feedback::After), Showing::After);
            assert_eq!(at(Feedback::OnRequest), Showing::OnRequest);
            assert_eq!(at(Feedback::None), Showing::Withheld(Withheld::Always));
        }
    }
}

//! `[objective]` of study.toml: a goal for teaching that is set before the tests are made.

use super::toml_doc::{Section, as_number};
use super::words::shown;
use crate::columns::Measure;
use crate::terms::Feedback;
use toml::Spanned;
use toml::de::DeValue;

/// Keys of the section.
pub const KEYS: &[&str] = &["tests", "in_band", "measure", "band", "feedback"];

/// So many of a learner's last tests are to lie in a band, and none of them to pass a ceiling.
#[derive(Debug, Clone, PartialEq)]
pub struct Objective {
    /// The last so many tests count.
    pub tests: u32,
    /// Of them, so many in the band.
    pub in_band: u32,
    pub measure: Measure,
    /// In the measure's unit; without one the band of a debrief holds.
    pub band: Option<[f64; 2]>,
    /// Only tests with this feedback count; `none` are those of which nothing was shown. `None` counts all.
    pub feedback: Option<Feedback>,
}

impl Objective {
    /// Reads the section; `None` with a problem when it cannot be meant.
    pub fn read(section: &Section<'_, '_>) -> Option<Objective> {
        section.warn_unknown(KEYS);
        let whole = |key: &str, most: i64| section.whole(key, 1, most).and_then(|n| u32::try_from(n).ok());
        let (tests, in_band) = (whole("tests", 100), whole("in_band", 100));
        let named = section.text("measure").unwrap_or_else(|| Measure::Peak.info().name.to_owned());
        let measure = Measure::by_name(&named);
        let span = |key: &str| section.get(key).map_or(0..0, Spanned::span);
        if measure.is_none() {
            let expected = "a measure as the tables name it, such as \"excursion_mm\"";
            let advice = "correct the name, or take the line out for the peak force";
            section.doc.error(span("measure"), &section.dotted("measure"), &shown(&named), expected, advice);
        }
        let band = section.get("band").map(two_numbers);
        if band == Some(None) {
            let expected = "two numbers, the lower first, such as [60, 90]";
            let advice = "correct the band, or take the line out for the band of a debrief";
            section.doc.error(span("band"), &section.dotted("band"), "something else", expected, advice);
        }
        let (tests, in_band) = match (tests, in_band) {
            (Some(tests), Some(in_band)) if in_band <= tests => (tests, in_band),
            (Some(tests), Some(in_band)) => {
                let found = format!("{in_band} of {tests} tests");
                let expected = "no more tests in band than there are tests";
                section.doc.error(span("in_band"), &section.dotted("in_band"), &found, expected, "correct one of the two");
                return None;
            }
            _ => {
                let missing = KEYS[..2].iter().filter(|key| section.get(key).is_none());
                for key in missing {
                    let expected = "tests = 5 and in_band = 4, or other numbers";
                    section.doc.error(0..0, &section.dotted(key), "nothing", expected, "add the line, or take [objective] out");
                }
                return None;
            }
        };
        Some(Objective {
            tests,
            in_band,
            measure: measure?,
            // A band that cannot be meant is no band of the debrief either.
            band: match band {
                None => None,
                Some(band) => Some(band?),
            },
            feedback: section.word("feedback"),
        })
    }
}

fn two_numbers(value: &Spanned<DeValue<'_>>) -> Option<[f64; 2]> {
    let DeValue::Array(items) = value.get_ref() else { return None };
    let numbers: Option<Vec<f64>> = items.iter().map(|i| as_number(i.get_ref())).collect();
    match numbers?.as_slice() {
        [low, high] if low.is_finite() && high.is_finite() && low < high => Some([*low, *high]),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::super::study_file::StudyFile;
    use super::*;

    #[test]
    fn a_goal_is_read_whole_or_told_why_not() {
        let read = |text: &str| StudyFile::parse("study.toml", &format!("[objective]\n{text}"));
        let (study, problems) = read("tests = 5\nin_band = 4\nmeasure = \"excursion_mm\"\nfeedback = \"none\"\n");
        let goal = Objective {
            tests: 5,
            in_band: 4,
            measure: Measure::Excursion,
            band: None,
            feedback: Some(Feedback::None),
        };
        assert_eq!((study.objective, problems.len()), (Some(goal.clone()), 0));
        let (study, _) = read("tests = 5\nin_band = 4\nband = [60, 90.5]\n");
        let with_band = Objective {
            measure: Measure::Peak,
            band: Some([60.0, 90.5]),
            feedback: None,
            ..goal
        };
        assert_eq!(study.objective, Some(with_band));
        for (text, key) in [
            ("tests = 4\nin_band = 5\n", "objective.in_band"),
            ("tests = 4\n", "objective.in_band"),
            ("tests = 5\nin_band = 4\nmeasure = \"force\"\n", "objective.measure"),
            ("tests = 5\nin_band = 4\nband = [90, 60]\n", "objective.band"),
            ("tests = 5\nin_band = 4\nfeedback = \"later\"\n", "objective.feedback"),
        ] {
            let (study, problems) = read(text);
            assert!(problems.iter().any(|p| p.column.as_deref() == Some(key)), "{text}: {problems:?}");
            assert!(study.objective.is_none() || key == "objective.feedback");
        }
    }
}

//! What changed, in every measure.

use super::designs::SharedDesigns;
use super::effect::{Effects, measures};
use super::observed::{ObservedTests, PlacedTest};
use super::{learners, margins, volunteers};
use crate::columns::Measure;
use crate::settings::Settings;
use crate::study::roster::Roster;
use crate::trace::Test;
use std::collections::BTreeMap;

/// What changed between sessions: of volunteers, of examiners beside each other, of learners.
pub fn changes(tests: &[Test], roster: &Roster, settings: &Settings) -> Effects {
    changes_in(tests, roster, settings, &measures(settings))
}

/// The same in these measures.
pub fn changes_in(tests: &[Test], roster: &Roster, settings: &Settings, measures: &[Measure]) -> Effects {
    let observed = ObservedTests::new(tests, roster);
    let mut found = Effects {
        notes: observed.notes.clone(),
        ..Effects::default()
    };
    if settings.change.is_empty() {
        found.note(
            "no margin is set, so no change gets a word: before you look at the data, write into study.toml how large a change \
             must be to matter, such as [change] end_feel_n_per_mm = 20"
                .to_owned(),
        );
    }
    let several = |of: fn(&PlacedTest<'_>) -> (usize, usize)| {
        let mut seen = BTreeMap::new();
        observed.tests.iter().map(of).any(|(who, visit)| *seen.entry(who).or_insert(visit) != visit)
    };
    let (volunteers, learners) = (several(|t| (t.subject, t.visit)), several(|t| (t.examiner, t.day)));
    if !volunteers && !learners && !observed.tests.is_empty() {
        found.note("one session only: nobody was tested in a second one, so nothing can have changed".to_owned());
        return found;
    }
    let designs = SharedDesigns::default();
    found.extend(Effects::over(measures, |measure, own| {
        if volunteers {
            volunteers::changes(&observed, &designs, measure, settings, own);
        }
        if learners {
            learners::changes(&observed, &designs, measure, settings, own);
        }
    }));
    let mut found = found.told();
    margins::doubt(&observed, measures, settings, &mut found);
    found
}

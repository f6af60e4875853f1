//! What an estimate is and what stands beside it.

use super::designs::EffectPart;
use rayon::prelude::*;
use crate::columns::Measure;
use crate::compare::{ComparisonScale, DECIDED};
use crate::settings::Settings;
use crate::stats::agreement::clustered::PartState;
use crate::stats::decide::Difference;
use crate::terms::{Level, Side, closed_terms};

closed_terms! {
    /// What a row tells of.
    pub enum EffectTerm {
        /// One level and side of a volunteer, between two sessions.
        Place = "place",
        /// A volunteer, over levels and sides, between two sessions.
        Volunteer = "volunteer",
        /// What all volunteers changed by, and with them whoever tested them.
        Shared = "shared",
        /// An examiner's change beside that of the others on the same places.
        Examiner = "examiner_drift",
        /// A learner, between two sessions.
        Learner = "learner",
        /// A group less another, over sessions.
        Group = "group",
        /// The change that groups share.
        Session = "session",
        /// How much more a group changed than another.
        GroupBySession = "group_by_session",
    }
}

impl EffectTerm {
    /// Whether it tells how groups differ, and not what changed.
    pub(super) fn is_of_groups(self) -> bool {
        matches!(self, EffectTerm::Group | EffectTerm::GroupBySession)
    }
}

closed_terms! {
    /// The word that an estimate ends in. None of them says anything of a person's worth or health.
    pub enum EffectWord {
        Changed = "changed",
        Unchanged = "unchanged",
        Different = "different",
        Alike = "alike",
        Undecided = "undecided",
    }
}

closed_terms! {
    /// What a p and a word rest on.
    pub enum EffectRule {
        /// Minimum-effect and equivalence tests against the lab's margin.
        MinimumEffect = "minimum_effect",
        /// A two-sided test of none at all: the lab set no margin, so there is no word.
        NoMargin = "no_margin",
        /// The design cannot tell how much sessions or people differ by themselves: no error, no word.
        SpreadNotTold = "spread_not_told",
        /// It rests on differences between a few examiners (of learners' groups, a few volunteers): no error, no word.
        PeopleDiffer = "people_differ",
    }
}

closed_terms! {
    /// How a p was adjusted.
    pub enum Adjustment {
        /// Benjamini and Hochberg over the family.
        FalseDiscovery = "benjamini_hochberg",
        /// The registered primary measure stands alone.
        Primary = "primary",
    }
}

/// One estimate. Numbers are on the scale of the measure: natural logarithms where it is compared as a ratio.
#[derive(Debug, Clone, PartialEq)]
pub struct Effect {
    pub term: EffectTerm,
    pub measure: Measure,
    pub subject: Option<String>,
    pub examiner: Option<String>,
    pub level: Option<Level>,
    pub side: Option<Side>,
    /// Posture, contact and line of drive, where one level and side was tested in several.
    pub manner: Option<String>,
    pub group: Option<String>,
    pub reference_group: Option<String>,
    pub from: Option<String>,
    pub to: Option<String>,
    /// Tests in the earlier and in the later session, or in the reference group and in the other.
    pub tests: [usize; 2],
    /// Places that were averaged.
    pub places: usize,
    pub estimate: f64,
    /// Error and degrees of freedom; `None` where the design cannot tell them.
    pub error: Option<(f64, f64)>,
    pub interval: Option<[f64; 2]>,
    /// The difference in standard deviations of a single test between people, with its interval.
    pub standardised: Option<[f64; 3]>,
    /// The lab's margin.
    pub margin: Option<f64>,
    /// A smaller change of this kind cannot be told from none.
    pub detectable: Option<f64>,
    /// How probable the word for no change is when there is none.
    pub power_unchanged: Option<f64>,
    pub p: Option<f64>,
    /// p that the truth lies outside the margin.
    pub p_within: Option<f64>,
    pub p_adjusted: Option<f64>,
    /// How many p were adjusted together.
    pub family: usize,
    pub adjustment: Option<Adjustment>,
    pub word: Option<EffectWord>,
    pub rule: EffectRule,
    /// Several examiners tested it in both sessions, so that what only one of them drifts by is averaged.
    pub examiners: usize,
}

impl Effect {
    pub(super) fn new(term: EffectTerm, measure: Measure, estimate: f64, error: Option<(f64, f64)>) -> Effect {
        Effect {
            term,
            measure,
            subject: None,
            examiner: None,
            level: None,
            side: None,
            manner: None,
            group: None,
            reference_group: None,
            from: None,
            to: None,
            tests: [0; 2],
            places: 0,
            estimate,
            error,
            interval: None,
            standardised: None,
            margin: None,
            detectable: None,
            power_unchanged: None,
            p: None,
            p_within: None,
            p_adjusted: None,
            family: 0,
            adjustment: None,
            word: None,
            rule: EffectRule::SpreadNotTold,
            examiners: 0,
        }
    }

    /// Whether the design gives it an error.
    pub fn difference_is_told(&self) -> bool {
        self.error.is_some()
    }

    /// The scale that its numbers are on.
    pub fn scale(&self) -> ComparisonScale {
        ComparisonScale::of(self.measure)
    }

    pub(super) fn difference(&self) -> Option<Difference> {
        let (se, df) = self.error?;
        Some(Difference {
            estimate: self.estimate,
            se,
            df,
        })
    }
}

/// One session in the course of a volunteer or a learner.
#[derive(Debug, Clone, PartialEq)]
pub struct CoursePoint {
    pub session: String,
    /// Mean on the scale of the measure over the places of the first session.
    pub mean: f64,
    pub tests: usize,
}

/// The means of a person over sessions, beside what cannot be told from the first.
#[derive(Debug, Clone, PartialEq)]
pub struct Course {
    pub measure: Measure,
    pub who: String,
    pub points: Vec<CoursePoint>,
    /// The largest of the smallest detectable changes from the first session, on the scale of the measure.
    pub detectable: Option<f64>,
}

closed_terms! {
    /// What a model is fitted for.
    pub enum ModelOf {
        Volunteers = "volunteers",
        /// What all volunteers changed by.
        Shared = "shared",
        Learners = "learners",
        GroupsOfVolunteers = "groups_of_volunteers",
        GroupsOfLearners = "groups_of_learners",
    }
}

impl ModelOf {
    /// In words, for pages.
    pub fn label(self) -> &'static str {
        match self {
            ModelOf::Volunteers => "of volunteers",
            ModelOf::Shared => "of what all volunteers share",
            ModelOf::Learners => "of learners",
            ModelOf::GroupsOfVolunteers => "of groups of volunteers",
            ModelOf::GroupsOfLearners => "of groups of learners",
        }
    }
}

/// A part of the variance in one measure's model.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FittedPart {
    pub of: ModelOf,
    pub measure: Measure,
    pub part: EffectPart,
    pub state: PartState,
    /// On the scale of the measure, squared; missing where the design cannot tell it.
    pub variance: Option<f64>,
}

/// Everything that was found.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Effects {
    pub title: Option<String>,
    pub rows: Vec<Effect>,
    pub courses: Vec<Course>,
    /// What the models consist of, and which parts the design could not tell.
    pub parts: Vec<FittedPart>,
    /// Margins that can hardly be meant, in sentences: said before anything else.
    pub doubts: Vec<String>,
    /// What the reader should know, in sentences.
    pub notes: Vec<String>,
    /// The same of single measures: what is to know, then the measures.
    pub(super) of_measures: Vec<(String, Vec<&'static str>)>,
}

impl Effects {
    /// What each measure gives, in their order; they are looked at side by side.
    pub(super) fn over(measures: &[Measure], of: impl Fn(Measure, &mut Effects) + Sync) -> Effects {
        let each: Vec<Effects> = measures
            .par_iter()
            .map(|measure| {
                let mut own = Effects::default();
                of(*measure, &mut own);
                own
            })
            .collect();
        let mut all = Effects::default();
        each.into_iter().for_each(|own| all.extend(own));
        all
    }

    pub(super) fn extend(&mut self, other: Effects) {
        self.rows.extend(other.rows);
        self.courses.extend(other.courses);
        self.parts.extend(other.parts);
        other.notes.into_iter().for_each(|note| self.note(note));
        for (note, labels) in other.of_measures {
            match self.of_measures.iter_mut().find(|(n, _)| *n == note) {
                Some((_, known)) => {
                    let new: Vec<_> = labels.into_iter().filter(|l| !known.contains(l)).collect();
                    known.extend(new);
                }
                None => self.of_measures.push((note, labels)),
            }
        }
    }

    /// What a model of the measure consists of.
    pub(super) fn fitted(&mut self, of: ModelOf, measure: Measure, parts: Vec<(EffectPart, PartState, Option<f64>)>) {
        let one = |(part, state, variance)| FittedPart { of, measure, part, state, variance };
        self.parts.extend(parts.into_iter().map(one));
    }

    /// What is to know of a measure; measures of which the same is to know stand in one sentence.
    pub(super) fn note_of(&mut self, measure: Measure, note: String) {
        let label = measure.info().label;
        match self.of_measures.iter_mut().find(|(n, _)| *n == note) {
            Some((_, measures)) if measures.contains(&label) => {}
            Some((_, measures)) => measures.push(label),
            None => self.of_measures.push((note, vec![label])),
        }
    }

    /// Puts what is to know of measures among the notes.
    pub(super) fn told(mut self) -> Effects {
        for (note, measures) in std::mem::take(&mut self.of_measures) {
            self.note(format!("{note} ({})", measures.join(", ")));
        }
        self
    }

    pub(super) fn note(&mut self, note: String) {
        if !self.notes.contains(&note) {
            self.notes.push(note);
        }
    }
}

/// The order of measures: the primary one, those that findings are decided on, the others.
pub(super) fn measures(settings: &Settings) -> Vec<Measure> {
    let primary = primary(settings);
    let mut all: Vec<Measure> = primary.into_iter().collect();
    for measure in DECIDED.into_iter().chain(Measure::ALL) {
        if !all.contains(&measure) {
            all.push(measure);
        }
    }
    all
}

/// The measure that the study was planned for.
pub fn primary(settings: &Settings) -> Option<Measure> {
    let name = settings.groups.primary.as_deref()?;
    Measure::ALL.into_iter().find(|m| m.info().name == name)
}

/// The lab's margin of a measure, on its scale.
pub(super) fn margin(settings: &Settings, measure: Measure) -> Option<f64> {
    let shown = settings.change.0.get(measure.info().name)?;
    Some(ComparisonScale::of(measure).of_shown(*shown))
}


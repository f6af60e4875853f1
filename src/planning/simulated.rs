//! Tests of a study that was never made.

use crate::columns::Measure;
use crate::simulate::Rng;
use crate::study::roster::{Person, Roster};
use crate::terms::{Level, Role, Side};
use crate::trace::{About, Measured, Test};

/// The measure that stands for any: only its scale matters.
pub const MEASURE: Measure = Measure::EndFeel;

/// Code of the volunteer in whom something changes.
pub(super) const FIRST: &str = "V-001";

/// Standard deviations on the scale of natural logarithms: 0.05 is about 5 %.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Spreads {
    /// Between people.
    pub subject: f64,
    /// Between levels and sides of a person.
    pub place: f64,
    /// Between examiners.
    pub examiner: f64,
    /// Between a person's sessions when nothing changed.
    pub session: f64,
    /// Of a place between sessions, beyond that.
    pub place_at_session: f64,
    /// Of one test.
    pub trial: f64,
}

impl Spreads {
    /// What the program's own simulated studies have; sessions differ by half of what the hand's placing does.
    pub const USUAL: Spreads = Spreads {
        subject: 0.25,
        place: 0.08,
        examiner: 0.04,
        session: 0.025,
        place_at_session: 0.025,
        trial: 0.05,
    };
}

/// How many of each.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PlannedDesign {
    pub subjects: u32,
    pub examiners: u32,
    pub sessions: u32,
    /// Tests of a side at a level by an examiner in a session.
    pub trials: u32,
    pub levels: u32,
}

impl PlannedDesign {
    /// Levels in the order in which they are taken.
    pub const LEVELS: [Level; 10] = [
        Level::L4,
        Level::L3,
        Level::L5,
        Level::L2,
        Level::L1,
        Level::T12,
        Level::T11,
        Level::T10,
        Level::T9,
        Level::T8,
    ];

    /// Tests in all.
    pub fn tests(&self) -> u64 {
        let parts = [self.subjects, self.examiners, self.sessions, self.trials, self.levels, 2];
        parts.into_iter().map(u64::from).product()
    }
}

/// What is there to be found, as a natural logarithm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PlannedEffect {
    None,
    /// Right over left at the first level of everybody.
    Side(f64),
    /// The first volunteer, from the second session on.
    OneVolunteer(f64),
    AllVolunteers(f64),
    /// Every second volunteer beside the others.
    Group(f64),
    /// The same, from the second session on.
    GroupBySession(f64),
}

impl PlannedEffect {
    fn at(self, subject: u32, session: u32, level: usize, side: Side) -> f64 {
        let (second, later) = (subject % 2 == 1, session > 0);
        match self {
            PlannedEffect::Side(d) if level == 0 => match side {
                Side::Right => d / 2.0,
                _ => -d / 2.0,
            },
            PlannedEffect::OneVolunteer(d) if subject == 0 && later => d,
            PlannedEffect::AllVolunteers(d) if later => d,
            PlannedEffect::Group(d) if second => d,
            PlannedEffect::GroupBySession(d) if second && later => d,
            _ => 0.0,
        }
    }
}

/// Tests with their roster: every second volunteer is of group B, the others of A.
pub fn simulated_tests(design: &PlannedDesign, spreads: &Spreads, effect: PlannedEffect, seed: u64) -> (Vec<Test>, Roster) {
    let mut rng = Rng::new(seed);
    let mut normal = |sd: f64| sd * rng.normal();
    let examiners: Vec<f64> = (0..design.examiners).map(|_| normal(spreads.examiner)).collect();
    let (mut tests, mut roster) = (Vec::new(), Roster::default());
    for subject in 0..design.subjects {
        let code = format!("V-{:03}", subject + 1);
        let own = normal(spreads.subject);
        let visits: Vec<f64> = (0..design.sessions).map(|_| normal(spreads.session)).collect();
        for (l, level) in PlannedDesign::LEVELS.iter().take(design.levels as usize).enumerate() {
            // Sides of a level differ by what is asked for alone: a natural asymmetry would be one to be found.
            let here = normal(spreads.place);
            for side in [Side::Left, Side::Right] {
                for session in 0..design.sessions {
                    let now = own + here + visits[session as usize] + normal(spreads.place_at_session);
                    for (e, habit) in examiners.iter().enumerate() {
                        for trial in 1..=design.trials {
                            let about = About {
                                subject: Some(code.clone()),
                                examiner: Some(format!("E-{}", e + 1)),
                                session: Some((session + 1).to_string()),
                                level: Some(*level),
                                side: Some(side),
                                trial: Some(trial),
                                ..About::default()
                            };
                            let log = now + habit + effect.at(subject, session, l, side) + normal(spreads.trial);
                            tests.push(test(about, 10.0 * log.exp()));
                        }
                    }
                }
            }
        }
        roster.people.push(Person {
            code,
            role: Role::Subject,
            group: Some(if subject % 2 == 1 { "B" } else { "A" }.to_owned()),
            remarks: None,
        });
    }
    (tests, roster)
}

fn test(about: About, value: f64) -> Test {
    let mut test = Test {
        about,
        test: 1,
        ..Test::default()
    };
    test.measures.set(MEASURE, Measured::new(value, []));
    test
}

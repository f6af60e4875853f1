//! A blind study's results without anything that would tell which side was measured stiffer.
//!
//! Sides are not given other names: the name of a recording, the order of a scan or a count of samples would soon give
//! them away. Instead no value measured on the left or the right leaves the analysis at all, but for the force of a
//! push over its ceiling, which is told without side and recording. Midline steps have no side and stay as they are.

use super::{PRECONDITIONING, Results};
use crate::compare::{ComparisonKind, Finding, UnpairedSide};
use crate::technique::{Remark, remarks};
use crate::terms::{Side, TestKey};
use crate::trace::{Curve, Knee, Measures, Phases, Spring, Test};

/// What a blinded report says at its top.
pub const BLINDED: &str = "Blinded: measured sides are hidden until `tautpoint open STUDY`.";
/// What stands where a reason would tell of a measured side.
pub const HIDDEN: &str = "blinded: hidden until `tautpoint open STUDY`";
/// Technique findings that tell nothing measured: how the plan was kept.
const OF_THE_PLAN: [&str; 3] = ["level_missed", "level_doubled", "level_out_of_order"];
const OVER_CEILING: &str = "over_ceiling";

/// Whether a blind study hides this test: all but those of the midline, also those whose side nobody named.
fn is_sided(test: &Test) -> bool {
    test.side() != Some(Side::Midline)
}

impl Results {
    /// Whether the values of this test are hidden.
    pub fn hides(&self, test: &Test) -> bool {
        self.blinded && is_sided(test)
    }

    /// Takes out what would tell which side was measured stiffer, and marks the results as blinded.
    pub fn hide_sides(&mut self) {
        self.blinded = true;
        self.remarks = self.told_remarks();
        // A target made of sided tests would tell their forces.
        self.reference.retain(|test| !is_sided(test));
        let tests = &self.tests;
        let count = |side, key: &TestKey| {
            let of_side = tests
                .iter()
                .filter(|t| t.side() == Some(side) && t.about.key() == *key);
            u32::try_from(of_side.count()).unwrap_or(u32::MAX)
        };
        for finding in &mut self.findings {
            if finding.comparison == ComparisonKind::LeftRight {
                hide_finding(finding);
                // Tests made, not tests that gave the measure: which side lacked it is hidden too.
                finding.left_trials = count(Side::Left, &finding.key);
                finding.right_trials = count(Side::Right, &finding.key);
            }
        }
        self.mats
            .retain(|m| m.hands.iter().all(|h| h.side == Some(Side::Midline)));
        for unpaired in &mut self.unpaired {
            // Both sides were tested: what one of them lacks may tell how it resisted.
            let tested = |side| {
                self.tests
                    .iter()
                    .any(|t| t.side() == Some(side) && t.about.key() == unpaired.key)
            };
            if tested(Side::Left) && tested(Side::Right) && unpaired.side != UnpairedSide::Midline {
                unpaired.side = UnpairedSide::Hidden;
                unpaired.reason = HIDDEN.to_owned();
            }
        }
        for test in self.tests.iter_mut().filter(|t| is_sided(t)) {
            hide_test(test);
        }
        for exclusion in &mut self.exclusions {
            let sided = exclusion.side.as_deref() != Some(Side::Midline.word());
            if exclusion.what == "spring" && sided && exclusion.reason != PRECONDITIONING {
                exclusion.reason = HIDDEN.to_owned();
            }
        }
    }

    /// Remarks on the midline and on the plan as they are; those over the ceiling without side and recording, in an
    /// order that tells neither; of the others none.
    fn told_remarks(&self) -> Vec<Remark> {
        let whole = self
            .remarks
            .iter()
            .filter(|r| OF_THE_PLAN.contains(&r.finding) || r.side == Some(Side::Midline));
        let mut told: Vec<Remark> = whole.cloned().collect();
        let mut sideless: Vec<Test> = self.tests.iter().filter(|t| is_sided(t)).cloned().collect();
        for test in &mut sideless {
            test.about.side = None;
        }
        let over = remarks(&sideless, &[], &self.settings).into_iter();
        let mut over: Vec<Remark> = over.filter(|r| r.finding == OVER_CEILING).collect();
        for remark in &mut over {
            remark.recording = None;
            remark.test = None;
        }
        over.sort_by(|a, b| {
            let key = |r: &Remark| (r.subject.clone(), r.examiner.clone(), r.session.clone(), r.level);
            let force = |r: &Remark| r.value.unwrap_or(0.0);
            key(a).cmp(&key(b)).then(force(a).total_cmp(&force(b)))
        });
        told.extend(over);
        told
    }
}

fn hide_finding(finding: &mut Finding) {
    finding.left = None;
    finding.right = None;
    finding.asymmetry_percent = None;
    finding.low_percent = None;
    finding.high_percent = None;
    finding.difference = None;
    finding.side_of_resistance = None;
    finding.trials_to_decide = None;
    finding.call_agrees = None;
}

/// Leaves who, where, when and how many; a table writes a number that is not finite as missing.
fn hide_test(test: &mut Test) {
    test.measures = Measures::default();
    test.knee = Knee::NotLooked;
    test.fit = None;
    test.samples = 0;
    test.total_peak_n = f64::NAN;
    test.drive_deg = None;
    test.notes = vec![HIDDEN.to_owned()];
    test.curve = Curve::default();
    test.phases = Phases::default();
    for spring in &mut test.springs {
        *spring = Spring {
            number: spring.number,
            counted: spring.counted,
            dropped: spring.dropped.as_ref().map(|_| HIDDEN.to_owned()),
            start_s: f64::NAN,
            peak_s: f64::NAN,
            end_s: f64::NAN,
            peak_n: f64::NAN,
            ..Spring::default()
        };
    }
}

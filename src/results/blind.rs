//! A blind study's results without anything that would tell which side was measured stiffer.
//!
//! Sides are not given other names: the name of a recording, the order of a scan or a count of samples would soon give
//! them away. Instead no value measured on the left or the right leaves the analysis at all, but for the force of a
//! push over its ceiling, which is told without side and recording. Midline steps have no side and stay as they are.
//!
//! Everything here takes apart what it hides field by field, so that a field that is added later does not compile until
//! somebody has decided whether it is told.

use super::{Excluded, Exclusion, ExclusionCause, Results};
use crate::compare::{Comparison, ComparisonKind, Unpaired, UnpairedSide};
use crate::technique::{TechniqueFinding, TechniqueRule, technique_findings};
use crate::trace::{Curve, DropCause, HIDDEN, Knee, Measures, Note, Phases, Spring, Test};
use crate::terms::{Side, TestKey};

/// What a blinded report says at its top.
pub const BLINDED: &str = "Blinded: measured sides are hidden until `tautpoint open STUDY`.";

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
        let told = told_findings(self);
        let Results {
            // What was given, and what the lab set and registered.
            title: _,
            site: _,
            ethics_ref: _,
            settings: _,
            plans: _,
            problems: _,
            inputs: _,
            recordings_given: _,
            registration: _,
            opened: _,
            // What was measured.
            tests,
            comparisons,
            unpaired,
            technique,
            reference,
            mats,
            exclusions,
            blinded,
        } = self;
        *blinded = true;
        *technique = told;
        // A target made of sided tests would tell their forces.
        reference.retain(|test| !is_sided(test));
        let count = |side, key: &TestKey| {
            let of_side = tests.iter().filter(|t| t.side() == Some(side) && t.about.key() == *key);
            u32::try_from(of_side.count()).unwrap_or(u32::MAX)
        };
        for comparison in comparisons {
            if comparison.kind == ComparisonKind::LeftRight {
                // Tests made, not tests that gave the measure: which side lacked it is hidden too.
                let made = [Side::Left, Side::Right].map(|side| count(side, &comparison.key));
                hide_comparison(comparison, made);
            }
        }
        mats.retain(|m| m.hands.iter().all(|h| h.side == Some(Side::Midline)));
        for unpaired in unpaired {
            // Both sides were tested: what one of them lacks may tell how it resisted.
            if count(Side::Left, &unpaired.key) > 0 && count(Side::Right, &unpaired.key) > 0 {
                hide_unpaired(unpaired);
            }
        }
        tests.iter_mut().filter(|t| is_sided(t)).for_each(hide_test);
        exclusions.iter_mut().for_each(hide_exclusion);
    }
}

/// Remarks on the midline and on the plan as they are; those over the ceiling without side and recording, in an order
/// that tells neither; of the others none.
fn told_findings(results: &Results) -> Vec<TechniqueFinding> {
    let whole = results
        .technique
        .iter()
        .filter(|r| r.rule.is_of_the_plan() || r.side == Some(Side::Midline));
    let mut told: Vec<TechniqueFinding> = whole.cloned().collect();
    let mut sideless: Vec<Test> = results.tests.iter().filter(|t| is_sided(t)).cloned().collect();
    for test in &mut sideless {
        test.about.side = None;
    }
    let over = technique_findings(&sideless, &[], &results.settings).into_iter();
    let mut over: Vec<TechniqueFinding> = over.filter(|r| r.rule == TechniqueRule::OverCeiling).collect();
    over.iter_mut().for_each(hide_recording);
    over.sort_by(|a, b| {
        let key = |r: &TechniqueFinding| {
            (r.subject.clone(), r.examiner.clone(), r.session.clone(), r.level)
        };
        let force = |r: &TechniqueFinding| r.value.unwrap_or(0.0);
        key(a).cmp(&key(b)).then(force(a).total_cmp(&force(b)))
    });
    told.extend(over);
    told
}

/// Leaves who was tested, and how many tests were `made` on the left and on the right.
fn hide_comparison(comparison: &mut Comparison, made: [u32; 2]) {
    let Comparison {
        key: _,
        kind: _,
        measure: _,
        threshold_percent: _,
        mdc_percent: _,
        spread_source: _,
        call: _,
        covers: _,
        left_trials,
        right_trials,
        left,
        right,
        asymmetry_percent,
        low_percent,
        high_percent,
        difference,
        side_of_resistance,
        trials_to_decide,
        call_agrees,
    } = comparison;
    [*left_trials, *right_trials] = made;
    for value in [left, right, asymmetry_percent, low_percent, high_percent] {
        *value = None;
    }
    *difference = None;
    *side_of_resistance = None;
    *trials_to_decide = None;
    *call_agrees = None;
}

fn hide_unpaired(unpaired: &mut Unpaired) {
    let Unpaired {
        key: _,
        trials: _,
        side,
        reason,
    } = unpaired;
    if *side != UnpairedSide::Midline {
        *side = UnpairedSide::Hidden;
        HIDDEN.clone_into(reason);
    }
}

/// Leaves the force and whose it was; the finding was made without a side.
fn hide_recording(finding: &mut TechniqueFinding) {
    let TechniqueFinding {
        recording,
        test,
        subject: _,
        examiner: _,
        session: _,
        level: _,
        side: _,
        rule: _,
        value: _,
        unit: _,
        low: _,
        high: _,
        observed: _,
        next_time: _,
    } = finding;
    *recording = None;
    *test = None;
}

/// Leaves who, where, when and how many; a table writes a number that is not finite as missing.
fn hide_test(test: &mut Test) {
    let Test {
        recording: _,
        test: _,
        about: _,
        rate_hz: _,
        window_n: _,
        samples,
        phases,
        springs,
        measures,
        knee,
        fit,
        total_peak_n,
        drive_deg,
        notes,
        curve,
    } = test;
    *samples = 0;
    *phases = Phases::default();
    springs.iter_mut().for_each(hide_spring);
    *measures = Measures::default();
    *knee = Knee::NotLooked;
    *fit = None;
    *total_peak_n = f64::NAN;
    *drive_deg = None;
    *notes = vec![Note::Blinded];
    *curve = Curve::default();
}

fn hide_spring(spring: &mut Spring) {
    let Spring {
        number: _,
        counted: _,
        dropped,
        start_s,
        peak_s,
        end_s,
        preload_n,
        peak_n,
        start_mm,
        peak_mm,
        end_mm,
        excursion_mm,
        end_feel_n_per_mm,
        secant_n_per_mm,
        loading_work_mj,
        loss_mj,
        loss_ratio,
        recoil_ratio,
        time_to_peak_s,
        loading_rate_n_per_s,
    } = spring;
    *dropped = dropped.map(|_| DropCause::Hidden);
    for value in [start_s, peak_s, end_s, peak_n] {
        *value = f64::NAN;
    }
    for value in [
        preload_n,
        start_mm,
        peak_mm,
        end_mm,
        excursion_mm,
        end_feel_n_per_mm,
        secant_n_per_mm,
        loading_work_mj,
        loss_mj,
        loss_ratio,
        recoil_ratio,
        time_to_peak_s,
        loading_rate_n_per_s,
    ] {
        *value = None;
    }
}

/// A spring that was dropped may tell how its side was pushed; that it was the first of its test tells nothing.
fn hide_exclusion(exclusion: &mut Exclusion) {
    let Exclusion {
        what,
        recording: _,
        test: _,
        side,
        spring: _,
        cause,
    } = exclusion;
    let sided = *side != Some(Side::Midline);
    if *what == Excluded::Spring && sided && *cause != ExclusionCause::Preconditioning {
        *cause = ExclusionCause::Hidden;
    }
}

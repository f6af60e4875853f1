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
use crate::format::number;
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
            not_looked_at: _,
            inputs: _,
            recordings_given: _,
            registration: _,
            opened: _,
            corrections,
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
        corrections.changed_words.clear();
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
    // Forces that no test holds stand there alone; their words name a time in the recording.
    let untold = results.technique.iter().filter(|r| {
        r.rule == TechniqueRule::OverCeiling && r.test.is_none() && r.side != Some(Side::Midline)
    });
    over.extend(untold.map(|r| TechniqueFinding {
        side: None,
        observed: format!("{} N over the ceiling, outside every test.", number(r.value.unwrap_or(0.0), 1)),
        ..r.clone()
    }));
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
        // How wide an interval is, and why, is the same whichever side is the stiffer one.
        spread_source: _,
        variance_rule: _,
        degrees_of_freedom: _,
        call: _,
        covers: _,
        corrections: _,
        mdc_percent,
        standard_error,
        raised_to_measurement,
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
        p_value,
        p_adjusted,
        call_agrees,
    } = comparison;
    if [*left_trials, *right_trials] != made {
        // Beside other levels' it would tell which side has fewer trials than tests.
        *mdc_percent = None;
        *standard_error = None;
        *raised_to_measurement = None;
    }
    [*left_trials, *right_trials] = made;
    // A p tells how far the sides are apart, and beside a call which way.
    for value in [
        left,
        right,
        asymmetry_percent,
        low_percent,
        high_percent,
        p_value,
        p_adjusted,
    ] {
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
        corrections: _,
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
        // That a test was put right, and by whom, tells nothing of how it resisted.
        corrections: _,
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::compare::{CompareContext, compare};
    use crate::compare::tests::stiff;
    use crate::settings::Settings;

    /// Blinded comparisons of a scan in which one test of one side has no end-feel.
    fn blinded(lacking: Side) -> Vec<Comparison> {
        let mut tests = Vec::new();
        for (side, force) in [(Side::Left, 10.0), (Side::Right, 14.0)] {
            for trial in 1..=4 {
                let value = force + 0.1 * f64::from(trial);
                let mut test = stiff("L3", side, trial, value);
                // Left has four tests and right three; each other level of a study would tell the spread.
                if side == Side::Right && trial == 4 {
                    continue;
                }
                if side == lacking && trial == 1 {
                    test.measures = Measures::default();
                }
                tests.push(test);
            }
        }
        let settings = Settings::default();
        let context = CompareContext {
            settings: &settings,
            calls: &[],
            agreement: None,
        };
        let mut results = Results {
            comparisons: compare(&tests, &context).comparisons,
            tests,
            ..Results::default()
        };
        results.hide_sides();
        results.comparisons
    }

    #[test]
    fn what_a_word_rests_on_is_hidden_where_it_would_tell_a_side() {
        for lacking in [Side::Left, Side::Right] {
            for row in blinded(lacking) {
                assert_eq!((row.p_value, row.p_adjusted), (None, None));
                assert_eq!((row.standard_error, row.mdc_percent), (None, None));
                assert!(row.variance_rule.is_some() && row.degrees_of_freedom.is_some());
            }
        }
        // Every test has its end-feel: the width of the interval is the same whichever side is the stiffer one.
        let even = blinded(Side::Midline);
        assert!(even.iter().all(|row| row.standard_error.is_some() && row.mdc_percent.is_some()));
        assert!(even.iter().all(|row| row.p_value.is_none()));
    }
}

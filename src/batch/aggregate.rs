//! Outcomes of single recordings to results.

use super::copies::leave_out_copies;
use super::units_apart::units_apart;
use super::{Job, RecordingOutcome, corrected, naming, reference, registered, sums};
use crate::agreement::registered::settings_hash;
use crate::agreement::spread;
use crate::compare::{CompareContext, compare};
use crate::error::{Problem, Severity};
use crate::results::{ChangedWord, CorrectionsUsed, Excluded, Results, spring_exclusions};
use crate::study::inputs::Study;
use crate::study::opened;
use crate::study::plan::Plan;
use crate::technique::{PlanCoverage, PlanStep, RuleInput, findings_of};
use crate::terms::SessionKey;
use crate::study::corrections::Correction;
use crate::trace::{Corrected, Curve, Test};
use std::collections::{BTreeMap, BTreeSet};

/// What needs the whole: trials, pairs, the correction for many levels, technique across a scan.
///
/// `given` is the number of recordings; `outcomes` one each, in the order of the recordings' names. `keep_hidden` as in
/// [`Options`](super::Options).
pub fn aggregate(job: &Job, given: usize, mut outcomes: Vec<RecordingOutcome>, keep_hidden: bool) -> Results {
    let study = &job.study;
    let mut results = Results {
        title: study.title.clone(),
        site: study.site.clone(),
        ethics_ref: study.ethics_ref.clone(),
        settings: job.settings.clone(),
        problems: job.inputs.problems.clone(),
        recordings_given: Some(given),
        ..Results::default()
    };
    good_practice(study, &outcomes, &mut results);
    leave_out_copies(&mut outcomes);
    let mut refused = BTreeSet::new();
    if !job.inputs.part_of_study {
        let there = outcomes.iter().filter_map(|o| o.path_in_study.clone()).collect();
        results.problems.extend(corrected::without_recording(&job.corrections, &there, &mut refused));
    }
    let plans = plans(job, &outcomes, &mut results.problems);
    let mut untold = Vec::new();
    let (mut detected, mut any_corrected) = (Vec::new(), false);
    let mut of_scans = corrected::OfScans::default();
    for outcome in outcomes {
        any_corrected |= outcome.detected.is_some();
        if let Some(before) = &outcome.detected {
            let own = job.corrections.iter().filter(|c| {
                let here = outcome.path_in_study.as_deref() == Some(&c.recording);
                here && !c.change.is_annotation() && outcome.refused_corrections.iter().all(|r| r.number != c.number)
            });
            let own: Vec<Corrected> = own.map(Correction::as_applied).collect();
            of_scans.add([before, &outcome.tests], &own);
        }
        detected.extend(outcome.detected.unwrap_or_else(|| match job.corrections.is_empty() {
            true => Vec::new(),
            false => outcome.tests.iter().map(without_curve).collect(),
        }));
        refused.extend(outcome.refused_corrections.iter().map(|r| r.number));
        untold.extend(outcome.untold);
        results.not_looked_at.extend(outcome.not_looked_at);
        results.tests.extend(outcome.tests);
        results.mats.extend(outcome.mats);
        results.problems.extend(outcome.problems);
        results.exclusions.extend(outcome.exclusions);
        results.inputs.push(outcome.input);
        results.inputs.extend(outcome.sidecar);
    }
    results.inputs.extend(job.beside.iter().cloned());
    results.inputs.sort_by(|a, b| a.file.cmp(&b.file));
    results.problems.extend(units_apart(&results.tests, job.hidden));
    naming::number_trials(&mut results.tests);
    // Without a study there is no root, and a file of that name in the working folder is nobody's.
    let (own_spread, problems) = match study.root.as_os_str().is_empty() {
        true => (None, Vec::new()),
        false => spread::read(&study.root.join(spread::FILE_NAME)),
    };
    results.problems.extend(problems);
    let context = CompareContext {
        settings: &results.settings,
        calls: &study.calls,
        agreement: own_spread.as_ref(),
    };
    let comparison = compare(&results.tests, &context);
    let mut corrections =
        CorrectionsUsed::of(&job.corrections, job.as_detected, job.corrections_faulty, &refused);
    if any_corrected {
        naming::number_trials(&mut detected);
        corrections.changed_words =
            ChangedWord::between(&compare(&detected, &context).comparisons, &comparison.comparisons);
    }
    let by_hand = results.exclusions.iter().filter(|e| e.what == Excluded::Test && e.is_by_person());
    corrections.count(&results.tests, by_hand.count());
    results.corrections = corrections;
    let coverage: Vec<PlanCoverage> = plans
        .into_iter()
        .map(|(scan, plan)| coverage(scan, &plan))
        .collect();
    results.technique = findings_of(&RuleInput {
        tests: &results.tests,
        plans: &coverage,
        untold: &untold,
        settings: &results.settings,
    });
    results.reference = reference::reference(study, &results.tests);
    results.plans = coverage;
    results.comparisons = comparison.comparisons;
    results.unpaired = comparison.unpaired;
    of_scans.mark(&mut results.comparisons, &mut results.technique);
    results.exclusions.extend(spring_exclusions(&results.tests));
    match (job.hidden, keep_hidden) {
        (true, false) => results.hide_sides(),
        (hidden, _) => results.blinded = hidden,
    }
    results
}

fn without_curve(test: &Test) -> Test {
    Test {
        curve: Curve::default(),
        ..test.clone()
    }
}

/// The plan that each scan was to follow: the one that one of its recordings names, and the study's default where none
/// does.
fn plans(
    job: &Job,
    outcomes: &[RecordingOutcome],
    problems: &mut Vec<Problem>,
) -> BTreeMap<SessionKey, Plan> {
    let study = &job.study;
    let mut plans: BTreeMap<SessionKey, Option<Plan>> = BTreeMap::new();
    let mut unknown: BTreeSet<&str> = BTreeSet::new();
    for outcome in outcomes {
        let Some(name) = outcome.plan.as_deref() else { continue };
        let given = job.plan.as_ref().filter(|p| p.name == name);
        let plan = study.plan(name).or_else(|| given.cloned());
        if plan.is_none() && unknown.insert(name) {
            let unknown = study.no_plan(name, &outcome.input.file);
            problems.push(Problem {
                severity: Severity::Warning,
                advice: format!("{}; until then these scans are held to no plan", unknown.advice),
                ..unknown
            });
        }
        for test in &outcome.tests {
            let named = plans.entry(test.about.session()).or_default();
            *named = named.take().or_else(|| plan.clone());
        }
    }
    for test in outcomes.iter().flat_map(|o| &o.tests) {
        plans
            .entry(test.about.session())
            .or_insert_with(|| study.default_plan.clone());
    }
    plans
        .into_iter()
        .filter_map(|(scan, plan)| Some((scan, plan?)))
        .collect()
}

/// How the settings stand to those registered and to those of the opening, and which recordings changed.
fn good_practice(study: &Study, outcomes: &[RecordingOutcome], results: &mut Results) {
    if study.root.as_os_str().is_empty() {
        return;
    }
    let (registered, problems) = registered(study);
    results.problems.extend(problems);
    results.registration = registered.map(|r| r.against(&results.settings));
    if let Some(opened) = study.opened.as_ref().filter(|_| study.blind) {
        results.opened = Some(opened.date.clone());
        if opened.settings_sha256 != settings_hash(&results.settings) {
            results.problems.push(Problem::warning(
                opened::FILE_NAME,
                "settings that were changed after the study was opened",
                "the settings of the opening",
                "say so where these results are used, or set back what was changed",
            ));
        }
    }
    let hashed = outcomes
        .iter()
        .filter_map(|o| Some((o.name_in_sums.as_deref()?, o.input.sha256.as_str())));
    results.problems.extend(sums::changed(&study.root, hashed));
}

fn coverage(scan: SessionKey, plan: &Plan) -> PlanCoverage {
    let steps = plan.ordered().into_iter();
    let steps = steps
        .map(|(_, s)| PlanStep {
            level: s.level,
            side: s.side,
        })
        .collect();
    PlanCoverage {
        plan: plan.name.clone(),
        scan,
        steps,
    }
}

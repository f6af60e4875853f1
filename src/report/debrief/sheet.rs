//! One scan against a plan, for an assessment. It reports what was measured; whoever teaches gives the marks.

use super::coverage::spot;
use crate::trace::order::{ScanTime, in_time, scan_time};
use crate::columns::Measure;
use crate::compare::{Comparison, ComparisonKind, DECIDED};
use crate::report::followed::words as comparison_words;
use crate::report::over::{OverCeilings, Whose};
use crate::results::Results;
use crate::settings::Ceiling;
use crate::study::call::Call;
use crate::study::plan::Plan;
use crate::technique::{PlanCoverage, PlanStep, TechniqueRule, ceiling_of, technique_findings};
use crate::terms::{Contact, Felt, Level, LineOfDrive, SessionKey, Side};
use crate::trace::{Estimate, Knee, Test};
use std::collections::{BTreeMap, BTreeSet};

/// Which scan, and what is known of the assessment.
#[derive(Debug, Clone, Default)]
pub struct Request {
    pub scan: SessionKey,
    pub plan: Option<Plan>,
    /// How the plan came about, in words.
    pub drawn: Option<String>,
    pub minutes_allowed: Option<f64>,
    pub attempt: Option<u32>,
}

/// The sheet of one scan.
#[derive(Debug, Clone, Default)]
pub struct Sheet {
    pub title: Option<String>,
    /// Pushes of the scan over the ceiling, in words.
    pub over_ceiling: Vec<String>,
    pub standing: Vec<String>,
    pub blinded: bool,
    pub request: Request,
    pub time: Option<ScanTime>,
    /// Kinds of feedback in the tests' sidecars.
    pub feedback: Vec<String>,
    /// One row a planned test, in the order of the plan, then the tests that the plan does not have.
    pub rows: Vec<SheetRow>,
    /// Level and side of the tests that stand elsewhere than in the plan; `None` when the order is not known.
    pub out_of_order: Option<Vec<String>>,
    /// Whether every test has the tilt of the push.
    pub tilted: bool,
    pub calls: Vec<SheetCall>,
    /// The ceilings in use, and whose each is.
    pub ceilings: Vec<Ceiling>,
}

/// A planned test, or one that the plan does not have.
#[derive(Debug, Clone, Default)]
pub struct SheetRow {
    /// The plan's step, from 1, in the order in which it was to be made; `None` for a test beyond the plan.
    pub step: Option<usize>,
    pub level: Option<Level>,
    pub side: Option<Side>,
    pub contact: Option<Contact>,
    /// `None` when there is no test.
    pub test: Option<SheetTest>,
}

/// What was measured in a test of the sheet.
#[derive(Debug, Clone, Default)]
pub struct SheetTest {
    pub recording: String,
    /// Place in the scan, from 1; both hands at once share one. `None` when the order is not known.
    pub place: Option<usize>,
    pub hidden: bool,
    /// Springs that began with the slack out, of all whose beginning is known.
    pub pre_tension: Option<[usize; 2]>,
    /// The push shows no knee: the slack is not shown to be out.
    pub no_knee: bool,
    pub excursion_mm: Option<Estimate>,
    pub excursion_band_mm: [f64; 2],
    pub hand_share_percent: Option<Estimate>,
    pub hand_share_band_percent: [f64; 2],
    pub total_peak_n: Option<f64>,
    pub ceiling_n: f64,
    /// Measured and planned.
    pub line_of_drive_deg: [Option<f64>; 2],
}

/// A level's call beside the measured side.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SheetCall {
    pub level: Level,
    /// The calls made of it, one after the other.
    pub calls: Vec<Felt>,
    /// In words; `None` when nothing was compared, or it is hidden.
    pub measured: Option<String>,
    pub agrees: Option<bool>,
}

impl Sheet {
    /// The sheet of the scan that is asked for. `calls` are the study's.
    pub fn of(results: &Results, calls: &[Call], request: Request) -> Sheet {
        let own: Vec<&Test> = results
            .tests
            .iter()
            .filter(|t| t.about.session() == request.scan)
            .collect();
        let ordered = in_time(&own);
        let hidden = own.iter().any(|t| results.hides(t));
        let feedback: BTreeSet<&str> = own
            .iter()
            .filter_map(|t| Some(t.about.feedback?.word()))
            .collect();
        let feedback = feedback.into_iter().map(str::to_owned).collect();
        let places = ordered.as_deref().map(places);
        let scan = &request.scan;
        Sheet {
            title: results.title.clone(),
            over_ceiling: OverCeilings::of(results, Whose::Scan(scan)).head(),
            standing: results.standing(),
            blinded: results.blinded,
            time: scan_time(&own, hidden),
            feedback,
            rows: rows(
                results,
                ordered.as_deref().unwrap_or(&own),
                places.as_ref(),
                request.plan.as_ref(),
            ),
            out_of_order: places
                .as_ref()
                .and(request.plan.as_ref())
                .map(|plan| out_of_order(results, &own, plan, &request.scan)),
            tilted: !own.is_empty() && own.iter().all(|t| t.drive_deg.is_some()),
            calls: calls_of_scan(results, calls, &request.scan),
            ceilings: results.settings.ceilings().collect(),
            request,
        }
    }
}

type Places<'a> = BTreeMap<(&'a str, u32), usize>;

/// Place in the scan of each episode of contact.
fn places<'a>(ordered: &[&'a Test]) -> Places<'a> {
    let mut places = Places::new();
    for test in ordered {
        let next = places.len() + 1;
        places.entry((&test.recording, test.test)).or_insert(next);
    }
    places
}

/// Tests beyond each other at one level and side go to the plan's tests there in turn.
fn rows(
    results: &Results,
    tests: &[&Test],
    places: Option<&Places<'_>>,
    plan: Option<&Plan>,
) -> Vec<SheetRow> {
    let mut left: Vec<&Test> = tests.to_vec();
    let mut rows = Vec::new();
    for (number, (_, step)) in plan.iter().flat_map(|p| p.ordered()).enumerate() {
        for _ in 0..step.trials {
            for side in step.side.sides() {
                let found = left
                    .iter()
                    .position(|t| t.about.level == Some(step.level) && t.side() == Some(*side));
                let test = found.map(|i| left.remove(i));
                rows.push(SheetRow {
                    step: Some(number + 1),
                    level: Some(step.level),
                    side: Some(*side),
                    contact: step.contact,
                    test: test.map(|t| sheet_test(results, t, places)),
                });
            }
        }
    }
    rows.extend(left.into_iter().map(|t| SheetRow {
        step: None,
        level: t.about.level,
        side: t.side(),
        contact: t.about.contact,
        test: Some(sheet_test(results, t, places)),
    }));
    rows
}

fn sheet_test(results: &Results, test: &Test, places: Option<&Places<'_>>) -> SheetTest {
    let bands = results
        .settings
        .technique
        .bands(test.about.level.map(Level::region));
    SheetTest {
        recording: test.recording.clone(),
        place: places.and_then(|p| p.get(&(test.recording.as_str(), test.test)).copied()),
        hidden: results.hides(test),
        pre_tension: pre_tension(test),
        no_knee: test.knee == Knee::None,
        excursion_mm: test.measures.get(Measure::Excursion),
        excursion_band_mm: bands.excursion_mm,
        hand_share_percent: test.measures.get(Measure::HandShare),
        hand_share_band_percent: bands.hand_share_percent,
        total_peak_n: Some(test.total_peak_n).filter(|n| n.is_finite()),
        ceiling_n: ceiling_of(test, &results.settings).newtons,
        line_of_drive_deg: [test.drive_deg, test.about.line_of_drive.map(LineOfDrive::degrees)],
    }
}

/// Springs that began no further short of the onset than its interval, of all springs whose beginning is known; `None`
/// without an onset.
pub fn pre_tension(test: &Test) -> Option<[usize; 2]> {
    let onset = test.measures.finding(Measure::Onset)?;
    let limit_mm = onset.value - onset.u95().unwrap_or(0.0);
    let starts: Vec<f64> = test.springs.iter().filter_map(|s| s.start_mm).collect();
    let out = starts.iter().filter(|mm| **mm >= limit_mm).count();
    (!starts.is_empty()).then_some([out, starts.len()])
}

/// The rule on order, held against the sheet's own plan.
fn out_of_order(results: &Results, own: &[&Test], plan: &Plan, scan: &SessionKey) -> Vec<String> {
    let tests: Vec<Test> = own.iter().map(|t| (*t).clone()).collect();
    let steps = plan.ordered().into_iter().map(|(_, s)| PlanStep {
        level: s.level,
        side: s.side,
    });
    let coverage = PlanCoverage {
        plan: plan.name.clone(),
        scan: scan.clone(),
        steps: steps.collect(),
    };
    let found = technique_findings(&tests, &[coverage], &results.settings);
    found
        .iter()
        .filter(|r| r.rule == TechniqueRule::LevelOutOfOrder)
        .map(|r| spot(r.level, r.side))
        .collect()
}

/// Every level that was called, or measured on both sides, from the neck down.
pub(super) fn calls_of_scan(results: &Results, calls: &[Call], scan: &SessionKey) -> Vec<SheetCall> {
    let comparisons: Vec<&Comparison> = results
        .comparisons
        .iter()
        .filter(|f| f.kind == ComparisonKind::LeftRight)
        .filter(|f| f.key.session() == *scan)
        .collect();
    let own: Vec<&Call> = calls
        .iter()
        .filter(|c| {
            [Some(&c.subject), Some(&c.examiner), Some(&c.session)]
                == [
                    scan.subject.as_ref(),
                    scan.examiner.as_ref(),
                    scan.session.as_ref(),
                ]
        })
        .collect();
    let mut levels: BTreeSet<Level> = comparisons.iter().filter_map(|f| f.key.level).collect();
    levels.extend(own.iter().map(|c| c.level));
    levels
        .into_iter()
        .map(|level| {
            let here = || comparisons.iter().filter(move |f| f.key.level == Some(level));
            let decided = DECIDED
                .iter()
                .find_map(|m| here().find(|f| f.measure == *m && f.asymmetry_percent.is_some()));
            SheetCall {
                level,
                calls: own.iter().filter(|c| c.level == level).map(|c| c.call).collect(),
                measured: decided.map(|f| comparison_words(f)),
                agrees: decided.and_then(|f| f.call_agrees),
            }
        })
        .collect()
}

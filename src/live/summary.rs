//! The last test as the page shows it: measures beside the teacher's reference, hints, and the curve.

use super::background::AnalysedTest;
use super::ended_test::{EndedTest, ProvisionalSide};
use super::strip::round;
use crate::columns::Measure;
use crate::format::NOT_DETERMINED;
use crate::trace::{Knee, Test};
use serde::Serialize;

/// Measures shown, in order.
const SHOWN: [Measure; 15] = [
    Measure::Preload,
    Measure::Peak,
    Measure::SpringPeak,
    Measure::ForceAmplitude,
    Measure::Excursion,
    Measure::Onset,
    Measure::OnsetForce,
    Measure::EndFeel,
    Measure::FittedEndFeel,
    Measure::RecoilRatio,
    Measure::LossRatio,
    Measure::TimeToPeak,
    Measure::SpringRate,
    Measure::Steadiness,
    Measure::HandShare,
];

/// What the teacher's own trace has, to stand beside the learner's.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ReferenceValues {
    /// Where it is from, in words (`teacher, L3 left`).
    pub name: String,
    pub preload_n: Option<f64>,
    pub spring_peak_n: Option<f64>,
    pub excursion_mm: Option<f64>,
    /// Rhythm.
    pub spring_rate_hz: Option<f64>,
}

impl ReferenceValues {
    fn value(&self, measure: Measure) -> Option<f64> {
        match measure {
            Measure::Preload => self.preload_n,
            Measure::SpringPeak => self.spring_peak_n,
            Measure::Excursion => self.excursion_mm,
            Measure::SpringRate => self.spring_rate_hz,
            _ => None,
        }
    }
}

/// The last test.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TestView {
    /// Counts from 1 through the session.
    pub number: u64,
    /// The full analysis has yet to replace these.
    pub provisional: bool,
    /// As a person reads it.
    pub level: Option<String>,
    /// Heading of the reference's column.
    pub reference: Option<String>,
    pub sides: Vec<SideSummary>,
    pub hints: Vec<Hint>,
    /// Feedback on several tests at once: all of them, the last one included. Empty otherwise.
    pub together: Vec<SummedTest>,
    /// Why measures are missing, and what else to know.
    pub notes: Vec<String>,
}

/// One of several tests that are shown together.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SummedTest {
    /// Counts the examiner's tests in this session from 1.
    pub number: u32,
    pub level: Option<String>,
    /// Without curves.
    pub sides: Vec<SideSummary>,
}

impl SummedTest {
    /// The test of that number without its curves.
    pub fn of(number: u32, view: &TestView) -> SummedTest {
        let bare = |side: &SideSummary| SideSummary {
            curve: None,
            ..side.clone()
        };
        SummedTest {
            number,
            level: view.level.clone(),
            sides: view.sides.iter().map(bare).collect(),
        }
    }
}

/// One side of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SideSummary {
    pub side: Option<&'static str>,
    pub springs: usize,
    pub rows: Vec<MeasureRow>,
    pub onset: Option<OnsetView>,
    pub curve: Option<CurveView>,
}

/// A measure.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MeasureRow {
    pub label: &'static str,
    pub unit: &'static str,
    /// As printed.
    pub value: String,
    /// Half-width of its interval, as printed.
    pub u95: Option<String>,
    pub reference: Option<String>,
}

/// Where pre-tension begins.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct OnsetView {
    pub displacement_mm: f64,
    pub force_n: f64,
    /// Half-width of the 95 % interval of the force, once it is known.
    pub force_u95_n: Option<f64>,
    pub provisional: bool,
}

/// A conditioned curve.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CurveView {
    pub time_s: Vec<f64>,
    pub force_n: Vec<f64>,
    pub displacement_mm: Vec<f64>,
}

/// What to try next time.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Hint {
    pub text: String,
    pub advice: String,
}

/// The test as the detector saw it.
pub fn provisional(ended: &EndedTest, reference: Option<&ReferenceValues>) -> TestView {
    let sides = ended.sides.iter().map(|s| SideSummary {
        side: s.side.map(|s| s.word()),
        springs: s.springs,
        rows: SHOWN
            .iter()
            .filter_map(|m| row(*m, provisional_value(s, *m)?, None, reference))
            .collect(),
        onset: None,
        curve: None,
    });
    TestView {
        number: ended.number,
        provisional: true,
        level: ended.about.level.map(|l| l.label().to_owned()),
        reference: reference.map(|r| r.name.clone()),
        sides: sides.collect(),
        hints: Vec::new(),
        together: Vec::new(),
        notes: Vec::new(),
    }
}

/// The test as the full analysis has it; without tests the provisional measures stay, and the notes say why.
pub fn full(analysed: &AnalysedTest, reference: Option<&ReferenceValues>) -> TestView {
    let mut view = provisional(&analysed.ended, reference);
    view.notes.extend(analysed.reason.clone());
    if analysed.tests.is_empty() {
        return view;
    }
    view.provisional = false;
    view.sides = analysed.tests.iter().map(|t| side(t, reference)).collect();
    view.hints = analysed
        .technique
        .iter()
        .map(|r| Hint {
            text: r.text(),
            advice: r.advice(),
        })
        .collect();
    let mut notes: Vec<String> = analysed
        .tests
        .iter()
        .flat_map(Test::remarks)
        .map(|note| note.to_string())
        .collect();
    notes.dedup();
    view.notes.extend(notes);
    view
}

fn side(test: &Test, reference: Option<&ReferenceValues>) -> SideSummary {
    let rows = SHOWN.iter().filter_map(|m| {
        let estimate = test.measures.get(*m)?;
        let row = row(*m, estimate.value, estimate.u95(), reference)?;
        Some(match test.measures.finding(*m) {
            Some(_) => row,
            None => MeasureRow {
                value: NOT_DETERMINED.to_owned(),
                u95: None,
                ..row
            },
        })
    });
    let curve = &test.curve;
    let list = |values: &[f32], parts: f64| values.iter().map(|v| round(f64::from(*v), parts)).collect();
    SideSummary {
        side: test.side().map(|s| s.word()),
        springs: test.springs.len(),
        rows: rows.collect(),
        onset: onset(test),
        curve: (!curve.time_s.is_empty()).then(|| CurveView {
            time_s: list(&curve.time_s, 1e3),
            force_n: list(&curve.force_n, 1e2),
            displacement_mm: list(&curve.displacement_mm, 1e3),
        }),
    }
}

/// Onset of an analysed test, when it has one.
pub fn onset(test: &Test) -> Option<OnsetView> {
    let at = test.measures.finding(Measure::Onset)?.value;
    let force = test.measures.finding(Measure::OnsetForce)?;
    (test.knee != Knee::None).then_some(OnsetView {
        displacement_mm: round(at, 1e3),
        force_n: round(force.value, 1e2),
        force_u95_n: force.u95().map(|u| round(u, 1e2)),
        provisional: false,
    })
}

fn provisional_value(side: &ProvisionalSide, measure: Measure) -> Option<f64> {
    match measure {
        Measure::Preload => side.preload_n,
        Measure::Peak => side.peak_n,
        Measure::SpringPeak => side.spring_peak_n,
        Measure::Excursion => side.excursion_mm,
        Measure::SpringRate => side.spring_rate_hz,
        _ => None,
    }
}

fn row(
    measure: Measure,
    value: f64,
    u95: Option<f64>,
    reference: Option<&ReferenceValues>,
) -> Option<MeasureRow> {
    let info = measure.info();
    let shows = |u: &f64, decimals: usize| *u >= 0.5 * 0.1_f64.powi(decimals as i32);
    let u95 = u95.filter(|u| u.is_finite() && shows(u, info.decimals + 1));
    // An interval that would print as nothing takes a decimal more, and its value with it.
    let finer = u95.is_some_and(|u| !shows(&u, info.decimals));
    let print = |v: f64| format!("{v:.*}", info.decimals + usize::from(finer));
    value.is_finite().then(|| MeasureRow {
        label: info.label,
        unit: info.unit,
        value: print(value),
        u95: u95.map(print),
        reference: reference
            .and_then(|r| r.value(measure))
            .map(|v| format!("{v:.*}", info.decimals)),
    })
}

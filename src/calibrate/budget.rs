//! What the calibration adds to the uncertainty of a test's measures.
//!
//! The lines of the force and the displacement calibration come from the curve: every reading of that sensor shares
//! them, so they cancel when left and right were measured with the same one. The scatter about the curve does not.

use super::Calibration;
use crate::columns::Measure;
use crate::trace::{BudgetLine, Test, UncertaintySource as Source};

/// Which calibrations one test was measured with.
#[derive(Debug, Clone, Copy, Default)]
pub struct Used<'a> {
    pub force: Option<&'a Calibration>,
    pub displacement: Option<&'a Calibration>,
}

/// Adds the calibrations' lines to the budgets of a test and widens its intervals.
///
/// The force zero is set anew on every trace and stiffness looks at differences, so each line takes the uncertainty of
/// the difference that its measure is made of, not of the single reading.
pub fn add_to_test(test: &mut Test, used: Used<'_>) {
    if used.force.is_none() && used.displacement.is_none() {
        return;
    }
    let spans = Spans::of(test);
    for measure in Measure::ALL {
        if let Some(value) = test.value(measure) {
            test.measures.widen(measure, lines(measure, value, &spans, used));
        }
    }
}

/// From where to where the test pressed.
struct Spans {
    force_n: Option<[f64; 2]>,
    displacement_mm: Option<[f64; 2]>,
    onset_n: Option<f64>,
    onset_mm: Option<f64>,
    window_n: [f64; 2],
    end_feel: Option<f64>,
    take_up: Option<f64>,
}

impl Spans {
    fn of(test: &Test) -> Spans {
        let mean = |of: &dyn Fn(&crate::trace::Spring) -> Option<f64>| {
            let values: Vec<f64> = test.counted_springs().filter_map(of).collect();
            crate::stats::moments::mean(&values).ok()
        };
        let peak = test.value(Measure::SpringPeak).or(test.value(Measure::Peak));
        let preload = test.value(Measure::Preload).unwrap_or(0.0);
        let x = mean(&|s| s.start_mm).zip(mean(&|s| s.peak_mm));
        Spans {
            force_n: peak.map(|peak| [preload, peak]),
            displacement_mm: x.map(|(start, peak)| [start, peak]),
            onset_n: test.value(Measure::OnsetForce),
            onset_mm: test.value(Measure::Onset),
            window_n: test.window_n,
            end_feel: test.value(Measure::EndFeel),
            take_up: test.value(Measure::TakeUp),
        }
    }
}

/// Curve and scatter parts of one measure, in its unit.
#[derive(Default)]
struct MeasureParts {
    force: f64,
    displacement: f64,
    scatter: f64,
}

fn lines(measure: Measure, value: f64, spans: &Spans, used: Used<'_>) -> [BudgetLine; 3] {
    use Measure as M;
    let parts = match measure {
        M::Preload | M::Peak | M::SpringPeak | M::OnsetForce | M::BetweenSprings => force(value, used),
        M::Steadiness | M::ZeroDrift => {
            let to = spans.force_n.map_or(value, |f| f[1]);
            relative(value, used, Some([0.0, to]), None)
        }
        M::EndFeel | M::FittedEndFeel | M::Secant | M::Loss | M::Damping => {
            relative(value, used, spans.force_n, spans.displacement_mm)
        }
        M::ForceAmplitude => relative(value, used, spans.force_n, None),
        M::Window => relative(value, used, Some(spans.window_n), spans.displacement_mm),
        M::TakeUp => {
            let x = spans
                .onset_mm
                .zip(spans.displacement_mm)
                .map(|(onset, x)| [onset.min(x[0]), x[1]]);
            relative(value, used, spans.onset_n.map(|n| [0.0, n]), x)
        }
        M::Excursion => spans
            .displacement_mm
            .map_or_else(MeasureParts::default, |x| displacement(x, used)),
        M::Onset => MeasureParts {
            displacement: used.displacement.map_or(0.0, |c| c.curve_u(value)),
            scatter: used.displacement.map_or(0.0, |c| c.scatter(value)),
            ..MeasureParts::default()
        },
        M::OnsetTravel | M::DisplacementAt30N => {
            let end = spans.displacement_mm.map_or(value, |x| x[1]);
            let mut parts = displacement([end - value, end], used);
            if let (M::DisplacementAt30N, Some(c), Some(k)) =
                (measure, used.force, spans.take_up.or(spans.end_feel))
                && k > 0.0
            {
                parts.force = c.difference_u(0.0, 30.0) / k;
            }
            parts
        }
        // Ratios of like to like, and times: a common gain does not touch them.
        M::LossRatio | M::RecoilRatio | M::TimeToPeak | M::SpringRate | M::HandShare => {
            MeasureParts::default()
        }
        // A pressure mat's own: no load cell and no displacement in them.
        M::PeakPressure | M::LoadedArea | M::CentrePath => MeasureParts::default(),
    };
    let df = |c: Option<&Calibration>| c.map_or(f64::INFINITY, |c| c.curve.degrees_of_freedom as f64);
    [
        Source::ForceCalibration.line(parts.force, df(used.force)),
        Source::DisplacementCalibration.line(parts.displacement, df(used.displacement)),
        Source::CalibrationScatter.line(parts.scatter, df(used.force.or(used.displacement))),
    ]
}

fn force(value: f64, used: Used<'_>) -> MeasureParts {
    MeasureParts {
        force: used.force.map_or(0.0, |c| c.difference_u(0.0, value)),
        scatter: used.force.map_or(0.0, |c| c.scatter(value)),
        ..MeasureParts::default()
    }
}

fn displacement(x: [f64; 2], used: Used<'_>) -> MeasureParts {
    MeasureParts {
        displacement: used.displacement.map_or(0.0, |c| c.difference_u(x[0], x[1])),
        scatter: used.displacement.map_or(0.0, |c| c.scatter(x[1]) * 2f64.sqrt()),
        ..MeasureParts::default()
    }
}

/// A measure that grows with the gain of force and falls (or grows) with that of displacement.
fn relative(
    value: f64,
    used: Used<'_>,
    force: Option<[f64; 2]>,
    displacement: Option<[f64; 2]>,
) -> MeasureParts {
    let share = |c: Option<&Calibration>, span: Option<[f64; 2]>| -> (f64, f64) {
        match (c, span) {
            (Some(c), Some([from, to])) if to != from => {
                let width = (to - from).abs();
                let scatter = c.scatter(from).hypot(c.scatter(to));
                (c.difference_u(from, to) / width, scatter / width)
            }
            _ => (0.0, 0.0),
        }
    };
    let (f, f_scatter) = share(used.force, force);
    let (x, x_scatter) = share(used.displacement, displacement);
    MeasureParts {
        force: f * value.abs(),
        displacement: x * value.abs(),
        scatter: f_scatter.hypot(x_scatter) * value.abs(),
    }
}

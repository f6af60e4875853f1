//! Tissue, examiner and sensor models with known truth (METHODS.md §10).
//!
//! Pure: a specification and a seed give a trace, the same signals without any sensor, and the truth. The same
//! seed gives the same numbers on every machine.
//!
//! ```
//! use tautpoint::simulate::{TraceSpec, simulate};
//! let made = simulate(&TraceSpec::default(), 1);
//! assert_eq!(made.trace.time_s.len(), made.noise_free.time_s.len());
//! assert_eq!(made.truth.onset_mm, Some(8.2));
//! ```

mod cohort;
mod condition;
mod rng;
mod examiner;
mod files;
mod levels;
mod mat;
mod movement;
mod recording;
mod resting_curve;
mod sample;
mod sensor;
mod study;
mod tissue;
mod truth;
mod unmodelled;
mod unmodelled_press;

pub use cohort::{Cohort, CohortSpread, PlannedRecording};
pub use condition::Condition;
pub use examiner::{Examiner, ExaminerFault};
pub use files::{sidecar_text, trace_text};
pub use levels::{LevelModel, log_ratio, usual_end_feel_n_per_mm, usual_onset_mm};
pub use mat::{BadFrame, MatSensor, Pad, PadTruth, SimulatedMat, simulate_mat};
pub use rng::Rng;
pub use sample::{SAMPLE_SEED, sample_study};
pub use sensor::{Dropped, Sensor, quantise};
pub use study::StudyFolder;
pub use tissue::{Elastic, Maxwell, Tissue};
pub use truth::{SpringTruth, Truth};
pub use unmodelled::{PressChange, UnmodelledLaw};

use crate::terms::Side;
use crate::trace::Trace;
use movement::SampledMovement;
use recording::{ExtraColumns, FineSide, record};

/// What to simulate; the default is a plain clean test.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TraceSpec {
    /// What is pressed on.
    pub tissue: Tissue,
    /// How the hand moves.
    pub examiner: Examiner,
    /// What reads it.
    pub sensor: Sensor,
}

/// A simulated test.
#[derive(Debug, Clone)]
pub struct Simulated {
    /// As the sensors read it.
    pub trace: Trace,
    /// The same samples without noise, rounding, spikes, drift, offset, lag, gain error or saturation. Tremor and
    /// breathing stay: they are real movement.
    pub noise_free: Trace,
    /// What a perfect measurement would find.
    pub truth: Truth,
}

/// A simulated recording of several tests or of both sides.
#[derive(Debug, Clone)]
pub struct SimulatedTests {
    /// As the sensors read it.
    pub trace: Trace,
    /// The same samples without any sensor.
    pub noise_free: Trace,
    /// One for each test; with both sides, left then right.
    pub truths: Vec<Truth>,
}

/// How two hands work together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoHands {
    /// One displacement sensor for both: both sides move alike and the share follows from the tissues.
    pub shared_displacement: bool,
    /// Share of the preload that the left hand carries, when each hand has its own displacement.
    pub left_share: f64,
}

impl Default for TwoHands {
    fn default() -> Self {
        TwoHands {
            shared_displacement: true,
            left_share: 0.5,
        }
    }
}

/// Stream of a seed that movements are drawn from; the sensor has its own.
const MOVEMENT: u64 = 1;

/// Simulates one test of one side.
pub fn simulate(spec: &TraceSpec, seed: u64) -> Simulated {
    let mut made = simulate_scan(std::slice::from_ref(spec), false, seed);
    let truth = made.truths.remove(0);
    Simulated {
        trace: made.trace,
        noise_free: made.noise_free,
        truth,
    }
}

/// Simulates several tests of one side in one recording, each with its own unloaded ends; the first one's sensor
/// reads them all. With `marker` a column steps up at each test. The tilt is recorded when every examiner has one. No tests give an empty trace.
pub fn simulate_scan(specs: &[TraceSpec], marker: bool, seed: u64) -> SimulatedTests {
    let sensor = specs.first().map_or_else(Sensor::default, |s| s.sensor.clone());
    let step_s = sensor.fine_step_s();
    let mut rng = Rng::stream(seed, MOVEMENT);
    let mut side = FineSide::default();
    let mut truths = Vec::new();
    let mut markers = Vec::new();
    let mut tilts = Vec::new();
    for (i, spec) in specs.iter().enumerate() {
        let onset = spec.tissue.elastic.onset_mm().unwrap_or(0.0);
        let path = spec.examiner.movement(onset, &mut rng).sample(step_s);
        let force = spec.tissue.forces_n(&path.x_mm, &path.v_mm_per_s, step_s);
        let mut truth = Truth::of(&spec.tissue, &path, &force, step_s).later(side.x_mm.len() as f64 * step_s);
        truth.test = i as u32 + 1;
        truths.push(truth);
        markers.resize(markers.len() + path.x_mm.len(), i as i64 + 1);
        tilts.resize(markers.len(), spec.examiner.drive_deg);
        side.x_mm.extend(path.x_mm);
        side.force_n.extend(force);
    }
    let steps = sensor.fine_steps();
    let beside = ExtraColumns {
        marker: marker.then(|| markers.into_iter().step_by(steps).collect()),
        drive_deg: tilts.into_iter().step_by(steps).collect(),
    };
    let (trace, noise_free) = record(&[side], false, &sensor, beside, seed);
    SimulatedTests {
        trace,
        noise_free,
        truths,
    }
}

/// Simulates both hands on at once. The preload is counted from the deeper of the two onsets.
pub fn simulate_bilateral(
    left: &Tissue,
    right: &Tissue,
    examiner: &Examiner,
    sensor: &Sensor,
    hands: TwoHands,
    seed: u64,
) -> SimulatedTests {
    let hands = examiner.left_hand_share.map_or(hands, |left_share| TwoHands {
        shared_displacement: false,
        left_share,
    });
    let step_s = sensor.fine_step_s();
    let deepest = [left, right]
        .iter()
        .filter_map(|t| t.elastic.onset_mm())
        .fold(0.0, f64::max);
    let movement = examiner.movement(deepest, &mut Rng::stream(seed, MOVEMENT));
    let path = movement.sample(step_s);
    let preload_mm = (deepest + examiner.preload_beyond_onset_mm).max(0.2);
    let total_n = left.elastic.force_n(preload_mm, 0.0) + right.elastic.force_n(preload_mm, 0.0);
    let mut sides = Vec::new();
    let mut truths = Vec::new();
    for (tissue, side, share) in [
        (left, Side::Left, hands.left_share),
        (right, Side::Right, 1.0 - hands.left_share),
    ] {
        let own = if hands.shared_displacement {
            path.clone()
        } else {
            shifted(
                &path,
                tissue.elastic.displacement_at_mm(share * total_n) / preload_mm,
            )
        };
        let force = tissue.forces_n(&own.x_mm, &own.v_mm_per_s, step_s);
        let mut truth = Truth::of(tissue, &own, &force, step_s);
        truth.side = Some(side);
        truths.push(truth);
        sides.push(FineSide {
            x_mm: own.x_mm,
            force_n: force,
        });
    }
    let count = path.x_mm.len().div_ceil(sensor.fine_steps());
    let beside = ExtraColumns {
        marker: None,
        drive_deg: examiner.drive_deg.map(|degrees| vec![degrees; count]),
    };
    let (trace, noise_free) = record(&sides, hands.shared_displacement, sensor, beside, seed);
    SimulatedTests {
        trace,
        noise_free,
        truths,
    }
}

/// The same movement, larger or smaller.
fn shifted(path: &SampledMovement, factor: f64) -> SampledMovement {
    let scale = |values: &[f64]| values.iter().map(|x| x * factor).collect();
    SampledMovement {
        x_mm: scale(&path.x_mm),
        v_mm_per_s: scale(&path.v_mm_per_s),
        ..path.clone()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_same_seed_gives_the_same_trace_and_another_does_not() {
        let spec = TraceSpec::default();
        let (a, b, c) = (simulate(&spec, 5), simulate(&spec, 5), simulate(&spec, 6));
        assert_eq!(a.trace, b.trace);
        assert_ne!(a.trace, c.trace);
    }

    #[test]
    fn a_change_of_sensor_leaves_the_movement_alone() {
        let spec = TraceSpec::default();
        let mut noisy = spec.clone();
        noisy.sensor.force_noise_n = 2.0;
        noisy.sensor.spikes = 10;
        assert_eq!(simulate(&spec, 5).noise_free, simulate(&noisy, 5).noise_free);
    }

    #[test]
    fn the_onset_is_passed_where_the_law_says() {
        let made = simulate(&TraceSpec::default(), 2);
        let truth = &made.truth;
        // Resting force at the knee, k1·xk + (k2 − k1)·w·ln 2, plus c·v of a lean that is still moving.
        let at_rest = 1.6 * 8.2 + (11.0 - 1.6) * 0.15 * std::f64::consts::LN_2;
        let onset_n = truth.onset_n.unwrap();
        assert!(
            onset_n > at_rest && onset_n < at_rest + 2.0,
            "{onset_n} {at_rest}"
        );
        assert_eq!(truth.springs.len(), 3);
        assert!(truth.preload_mm.unwrap() > 9.6 && truth.preload_mm.unwrap() < 10.0);
    }
}

//! A simulated hand: one test after another, as counts of each channel.

use super::spec::{DEG_PER_COUNT, DeviceSpec, MM_PER_COUNT, N_PER_COUNT, ScanPosition, Sensors};
use crate::simulate::{
    Examiner, LevelModel, Rng, Sensor, TraceSpec, TwoHands, log_ratio, simulate, simulate_bilateral,
    usual_end_feel_n_per_mm, usual_onset_mm,
};
use crate::study::usual::UsualContact;
use crate::terms::{Level, Side};
use crate::trace::{Channel, Trace};

/// Stream of the seed that the hand is drawn from.
const HAND: u64 = 20;

/// The samples of a scan, one after the other, for ever or once.
#[derive(Debug, Clone)]
pub(super) struct SimulatedScan {
    spec: DeviceSpec,
    rng: Rng,
    /// Steps that are to be sprung, in order; with two hands one for each level.
    positions: Vec<ScanPosition>,
    /// Tests made.
    made: usize,
    test: Vec<Vec<i32>>,
    at: usize,
}

impl SimulatedScan {
    pub fn new(spec: &DeviceSpec) -> Self {
        let mut positions = spec.steps.clone();
        if spec.both_hands() {
            // Left and right are pressed at once.
            positions.dedup_by(|b, a| a.level == b.level && a.side == Side::Left && b.side == Side::Right);
        }
        SimulatedScan {
            rng: Rng::stream(spec.seed, HAND),
            positions,
            made: 0,
            test: Vec::new(),
            at: 0,
            spec: spec.clone(),
        }
    }

    /// Counts of every channel at the next sample; `None` at the end.
    pub fn next(&mut self) -> Option<Vec<i32>> {
        while self.at >= self.test.first().map_or(0, Vec::len) {
            if self.spec.once && self.made >= self.positions.len() {
                return None;
            }
            self.make_test()?;
        }
        let sample = self.test.iter().map(|channel| channel[self.at]).collect();
        self.at += 1;
        Some(sample)
    }

    fn make_test(&mut self) -> Option<()> {
        let position = self
            .positions
            .get(self.made % self.positions.len().max(1))?
            .clone();
        let model = self.level(position.level);
        let mut examiner = Examiner::drawn(&mut self.rng);
        let factor = 0.04 * self.rng.normal_within_3();
        let shift_mm = 0.15 * self.rng.normal_within_3();
        let tissue = |side| model.tissue(side, factor, shift_mm);
        examiner.drive_deg = self
            .spec
            .tilt
            .then(|| UsualContact::at(position.level).line_of_drive.degrees());
        let fault_now = self.made % 2 == 1 && !self.spec.faults.is_empty();
        if fault_now {
            let fault = self.spec.faults[self.made / 2 % self.spec.faults.len()];
            examiner = examiner.with(fault, &tissue(position.side).elastic);
        }
        examiner.unloaded_after_s += self.spec.rest_s;
        let sensor = Sensor {
            rate_hz: self.spec.rate_hz,
            force_resolution_n: 0.0,
            displacement_resolution_mm: 0.0,
            has_displacement: self.spec.sensors != Sensors::ForceOnly,
            ..Sensor::default()
        };
        let seed = self.rng.seed();
        let trace = if self.spec.both_hands() {
            let hands = TwoHands {
                shared_displacement: self.spec.sensors == Sensors::TwoHanded,
                ..TwoHands::default()
            };
            let (left, right) = match position.side {
                Side::Midline => (tissue(Side::Midline), tissue(Side::Midline)),
                _ => (tissue(Side::Left), tissue(Side::Right)),
            };
            simulate_bilateral(&left, &right, &examiner, &sensor, hands, seed).trace
        } else {
            let spec = TraceSpec {
                tissue: tissue(position.side),
                examiner,
                sensor,
            };
            simulate(&spec, seed).trace
        };
        self.test = counts(&trace, self.spec.sensors, self.spec.tilt);
        self.at = 0;
        self.made += 1;
        Some(())
    }

    /// The same level is the same every time it is come to.
    fn level(&self, level: Level) -> LevelModel {
        let mut own = Rng::stream(self.spec.seed, HAND + 1 + level.rank() as u64);
        LevelModel {
            level,
            end_feel_n_per_mm: usual_end_feel_n_per_mm(level) * libm::exp(0.08 * own.normal_within_3()),
            onset_mm: usual_onset_mm(level.region()),
            log_ratio: log_ratio(self.spec.asymmetry_percent).unwrap_or(0.0),
        }
    }
}

impl DeviceSpec {
    pub(super) fn both_hands(&self) -> bool {
        matches!(
            self.sensors,
            Sensors::TwoHanded | Sensors::TwoHandedTwoDisplacements
        )
    }
}

/// Forces first, then displacements, then the tilt, as the hello says.
fn counts(trace: &Trace, sensors: Sensors, tilt: bool) -> Vec<Vec<i32>> {
    let in_counts = |values: &[f64], per_count: f64| -> Vec<i32> {
        // The lowest count stands for a missing sample.
        let lowest = f64::from(i32::MIN + 1);
        let count = |v: &f64| (v / per_count).round().clamp(lowest, f64::from(i32::MAX)) as i32;
        values.iter().map(count).collect()
    };
    let force = |c: &Channel| in_counts(&c.force_n, N_PER_COUNT);
    let displacement = |c: &Channel| c.displacement_mm.as_ref().map(|x| in_counts(x, MM_PER_COUNT));
    let mut all: Vec<Vec<i32>> = trace.channels.iter().map(force).collect();
    let shared = sensors == Sensors::TwoHanded;
    let sides = if shared { 1 } else { trace.channels.len() };
    all.extend(trace.channels.iter().take(sides).filter_map(displacement));
    if tilt {
        all.extend(trace.drive_deg.as_ref().map(|deg| in_counts(deg, DEG_PER_COUNT)));
    }
    all
}

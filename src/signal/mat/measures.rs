//! What only a pressure mat can say of a test, and what a mat's readings add to the uncertainty of the rest.

use super::super::filter::LowPass;
use crate::columns::Measure;
use crate::mat::MatRecord;
use crate::mat::hands::Hand;
use crate::stats::moments::median_in_place;
use crate::trace::{Measured, Note, Test, UncertaintySource as Source};
use std::ops::Range;

/// How far the force on filled cells may be off, as a standard uncertainty relative to itself (simulated hands over a dead
/// row: 8 to 15 % too little).
const FILLED_SHARE: f64 = 0.12;
/// Degrees of freedom of what a mat's data sheet says.
const KNOWN: f64 = f64::INFINITY;
/// Cut-off of the centre of pressure before its way is measured, in Hz.
const CENTRE_HZ: f64 = 5.0;
/// The way is measured in steps of this, in s, so that it does not grow with the frame rate.
const CENTRE_STEP_S: f64 = 0.02;
/// Creep is told from this time under load on, in s.
const CREEP_FROM_S: f64 = 1.0;
/// Standard deviation of the area of a disc counted in cells by where it lies on them, over the root of its radius in
/// cells (lattice points in a random circle: Kendall 1948, Quart J Math 19:1-26, from memory; a test counts discs).
const COUNTED_DISC: f64 = 0.676_497;

/// Sets the mat's measures of tests and adds its lines to the budgets of all measures that hold a force.
///
/// # Formula
/// With g the gain's, n the cells' relative standard uncertainty: a force spread over the cells with forces fᵢ has
/// u = F·√(g² + n²·Σfᵢ²/F²); a share s of two hands has s(1 − s)·n·√(Σf²/F² of both added); a force held for t > 1 s adds
/// c·log₁₀(t/1 s)/√3 of itself, c the creep a decade of time (a rise between none and all of it, JCGM 100:2008, 4.3.7).
pub fn add_mat(record: &MatRecord, tests: &mut [Test]) {
    let spreads: Vec<Option<CellSpread>> = tests.iter().map(|t| CellSpread::of(record, t)).collect();
    for k in 0..tests.len() {
        let partner = (0..tests.len()).find(|i| *i != k && tests[*i].test == tests[k].test);
        let partner = partner.and_then(|p| spreads[p]);
        let test = &mut tests[k];
        own_measures(record, test);
        lines_of_force(
            record,
            test,
            spreads[k].unwrap_or_default(),
            partner.unwrap_or_default(),
        );
    }
}

/// The hand of a test; none for a mat under the subject.
pub fn hand_of<'a>(record: &'a MatRecord, test: &Test) -> Option<&'a Hand> {
    match record.hands.as_slice() {
        [only] => Some(only),
        many => many.iter().find(|h| h.side.is_some() && h.side == test.side()),
    }
}

/// Frames of a test's contact.
fn contact(record: &MatRecord, test: &Test) -> Range<usize> {
    record.frames_between(test.phases.contact_begin_s, test.phases.contact_end_s)
}

/// Frame of a test's highest force.
fn highest(record: &MatRecord, hand: &Hand, test: &Test) -> Option<usize> {
    contact(record, test)
        .filter(|i| hand.frames[*i].is_some() && hand.force_n[*i].is_finite())
        .max_by(|a, b| hand.force_n[*a].total_cmp(&hand.force_n[*b]))
}

/// How a hand's force lies on the cells when it is highest.
#[derive(Debug, Clone, Copy, Default)]
struct CellSpread {
    /// √Σfᵢ²/F: one over the root of how many cells the force is spread over.
    cells: f64,
    /// Share of the force on filled cells.
    filled: f64,
}

impl CellSpread {
    fn of(record: &MatRecord, test: &Test) -> Option<CellSpread> {
        let hand = hand_of(record, test)?;
        let frame = hand.frames[highest(record, hand, test)?]?;
        (frame.force_n > 0.0).then(|| CellSpread {
            cells: f64::from(frame.sum_of_squares_n2).sqrt() / frame.force_n,
            filled: f64::from(frame.filled_n).max(0.0) / frame.force_n,
        })
    }

    /// Relative standard uncertainties: of uneven cells, of filled ones.
    fn relative(self, record: &MatRecord) -> (f64, f64) {
        (
            record.readings.non_uniformity_percent / 100.0 * self.cells,
            FILLED_SHARE * self.filled,
        )
    }
}

fn own_measures(record: &MatRecord, test: &mut Test) {
    let Some(hand) = hand_of(record, test) else { return };
    let range = contact(record, test);
    let clipped = record.clipped.iter().any(|i| range.contains(i));
    if clipped {
        test.notes.push(Note::MatCellsAtFullScale);
    } else if let Some(peak) = peak_pressure(hand, range.clone()) {
        let of = |percent: f64| peak * percent / 100.0;
        let lines = [
            Source::MatCellNoise.line(record.noise_kpa, KNOWN),
            Source::MatGain.line(of(record.readings.gain_u_percent), KNOWN),
            Source::MatNonUniformity.line(of(record.readings.non_uniformity_percent), KNOWN),
        ];
        test.measures
            .set(Measure::PeakPressure, Measured::new(peak, lines));
    }
    if let Some(area) = loaded_area(record, hand, test) {
        let cell = record.geometry.cell_area_mm2();
        let radius = (area / cell / std::f64::consts::PI).sqrt();
        let u = cell * COUNTED_DISC * radius.sqrt();
        let counting = Source::MatCellCount.line(u, KNOWN);
        test.measures
            .set(Measure::LoadedArea, Measured::new(area, [counting]));
    }
    if let Some(path) = centre_path(record, hand, test) {
        test.measures.set(Measure::CentrePath, Measured::new(path, []));
    }
}

/// Highest of the medians of three frames.
fn peak_pressure(hand: &Hand, range: Range<usize>) -> Option<f64> {
    let peaks: Vec<f64> = hand.frames[range]
        .iter()
        .flatten()
        .map(|f| f64::from(f.peak_kpa))
        .collect();
    peaks
        .windows(3)
        .filter_map(|w| median_in_place(&mut w.to_vec()))
        .max_by(f64::total_cmp)
}

/// Median of the areas of the five frames around the highest force.
fn loaded_area(record: &MatRecord, hand: &Hand, test: &Test) -> Option<f64> {
    let at = highest(record, hand, test)?;
    let near = at.saturating_sub(2)..(at + 3).min(hand.frames.len());
    let mut areas: Vec<f64> = hand.frames[near]
        .iter()
        .flatten()
        .map(|f| f64::from(f.area_mm2))
        .collect();
    median_in_place(&mut areas)
}

/// Length of the way of the centre over the springs.
fn centre_path(record: &MatRecord, hand: &Hand, test: &Test) -> Option<f64> {
    let (first, last) = (test.springs.first()?, test.springs.last()?);
    let range = record.frames_between(first.start_s, last.end_s);
    let on: Vec<(f64, f64, f64)> = range
        .clone()
        .filter_map(|i| hand.frames[i].map(|f| (record.time_s[i], f.across_mm, f.along_mm)))
        .collect();
    if on.len() < 8 || 2 * on.len() < range.len() {
        return None;
    }
    let span = on.last()?.0 - on[0].0;
    let steps = (span / CENTRE_STEP_S).floor().max(1.0) as usize;
    let resampled = |of: fn(&(f64, f64, f64)) -> f64| -> Vec<f64> {
        let mut k = 0;
        (0..=steps)
            .map(|i| {
                let t = on[0].0 + i as f64 * CENTRE_STEP_S;
                while k + 2 < on.len() && on[k + 1].0 <= t {
                    k += 1;
                }
                let (a, b) = (&on[k], &on[k + 1]);
                let share = ((t - a.0) / (b.0 - a.0)).clamp(0.0, 1.0);
                of(a) + share * (of(b) - of(a))
            })
            .collect()
    };
    let low_pass = LowPass::zero_phase(CENTRE_HZ, 1.0 / CENTRE_STEP_S).ok()?;
    let x = low_pass.apply(&resampled(|p| p.1));
    let y = low_pass.apply(&resampled(|p| p.2));
    let steps = x.windows(2).zip(y.windows(2));
    Some(steps.map(|(x, y)| (x[1] - x[0]).hypot(y[1] - y[0])).sum())
}

/// The mat's share in the uncertainty of every measure that holds a force.
fn lines_of_force(record: &MatRecord, test: &mut Test, spread: CellSpread, partner: CellSpread) {
    use Measure as M;
    let readings = &record.readings;
    let gain = readings.gain_u_percent / 100.0;
    let (cells, filled) = spread.relative(record);
    let (their_cells, their_filled) = partner.relative(record);
    let held = |until_s: f64| {
        let t = (until_s - test.phases.contact_begin_s) / CREEP_FROM_S;
        readings.creep_percent / 100.0 * t.max(1.0).log10() / 3f64.sqrt()
    };
    let to_springs = held(test.phases.lean_end_s);
    let to_end = held(test.phases.springs_end_s.unwrap_or(test.phases.lean_end_s));
    let relative = |value: f64, creep: f64| {
        vec![
            Source::MatGain.line(gain * value, KNOWN),
            Source::MatNonUniformity.line(cells * value, KNOWN),
            Source::MatFilledCells.line(filled * value, KNOWN),
            Source::MatCreep.line(creep * value, KNOWN),
        ]
    };
    for measure in Measure::ALL {
        let Some(estimate) = test.measures.get(measure) else {
            continue;
        };
        let value = estimate.value.abs();
        let lines = match measure {
            M::Preload | M::OnsetForce => relative(value, to_springs),
            M::Peak | M::SpringPeak => relative(value, to_end),
            M::Steadiness
            | M::TakeUp
            | M::EndFeel
            | M::FittedEndFeel
            | M::Window
            | M::Secant
            | M::Damping
            | M::Loss
            | M::ZeroDrift => relative(value, 0.0),
            M::DisplacementAt30N => match test.value(M::TakeUp).or(test.value(M::EndFeel)) {
                Some(k) if k > 0.0 => relative(30.0 / k, 0.0),
                _ => Vec::new(),
            },
            M::HandShare => {
                let s = estimate.value / 100.0;
                let of = |a: f64, b: f64| 100.0 * s * (1.0 - s) * a.hypot(b);
                vec![
                    Source::MatNonUniformity.line(of(cells, their_cells), KNOWN),
                    Source::MatFilledCells.line(of(filled, their_filled), KNOWN),
                ]
            }
            _ => Vec::new(),
        };
        test.measures.widen(measure, lines);
    }
}

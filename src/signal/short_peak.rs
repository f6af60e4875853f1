//! Peaks that are over before the low pass follows them (METHODS.md §3.2).

use super::contact::ZeroedSide;
use crate::stats::moments::median_in_place;
use std::ops::Range;

/// Samples of the running median that the unfiltered force is read through; fewer at low rates.
const MEDIAN: usize = 5;
const MEDIAN_OF_SLOW: usize = 3;
const SLOW_HZ: f64 = 200.0;
/// The unfiltered force shows a peak that the filtered one has lost when it is higher by so much: in standard deviations of
/// a raw sample's noise, as a share of the peak, and in N. A longer peak that noise rides on stays what it is.
const NOISE_SDS: f64 = 4.5;
const LEAST_SHARE: f64 = 0.05;
const LEAST_N: f64 = 2.0;

/// A peak of the unfiltered force, spikes taken out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShortPeak {
    pub value_n: f64,
    /// Standard deviation of noise in it.
    pub sd_n: f64,
}

/// The highest of the unfiltered forces of some sides, added up, within a range, when that is clearly higher than the peak of
/// the filtered ones.
pub fn short_peak(
    sides: &[&ZeroedSide],
    within: Range<usize>,
    rate_hz: f64,
    filtered_n: f64,
) -> Option<ShortPeak> {
    let width = if rate_hz < SLOW_HZ { MEDIAN_OF_SLOW } else { MEDIAN };
    let at = |i: usize| -> f64 { sides.iter().filter_map(|side| unfiltered(side, i)).sum() };
    let forces: Vec<f64> = within.map(at).collect();
    let mut window = Vec::with_capacity(width);
    let mut highest = f64::NEG_INFINITY;
    for around in forces.windows(width) {
        // Nearly every window lies below the highest so far as a whole.
        if around.iter().all(|n| *n <= highest) {
            continue;
        }
        window.clear();
        window.extend_from_slice(around);
        highest = median_in_place(&mut window).map_or(highest, |n| n.max(highest));
    }
    let noise_n = sides.iter().map(|s| s.signals.force.noise_sd.powi(2)).sum::<f64>().sqrt();
    let least_n = (NOISE_SDS * noise_n).max(LEAST_SHARE * highest).max(LEAST_N);
    (highest.is_finite() && highest > filtered_n + least_n).then(|| ShortPeak {
        value_n: highest,
        // Of a median of so many samples, in the limit of many.
        sd_n: noise_n * (std::f64::consts::FRAC_PI_2 / width as f64).sqrt(),
    })
}

/// A raw sample less the zero that was taken off the filtered one.
fn unfiltered(side: &ZeroedSide, i: usize) -> Option<f64> {
    let force = &side.signals.force;
    Some(force.raw.get(i)? - (force.y.get(i)? - side.force_n.get(i)?))
}

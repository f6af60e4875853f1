//! Peaks that are over before the low pass follows them (METHODS.md §3.2).

use super::contact::ZeroedSide;
use super::pushes::pushes;
use std::ops::Range;

/// The unfiltered force shows a peak that the filtered one has lost when it is higher by so much: in standard deviations of
/// a raw sample's noise, as a share of the peak, and in N. A longer peak that noise rides on stays what it is.
const NOISE_SDS: f64 = 6.0;
const LEAST_SHARE: f64 = 0.05;
const LEAST_N: f64 = 2.0;

/// A peak of the unfiltered force, lone samples taken out.
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
    let mut total = vec![0.0; within.len()];
    for side in sides {
        for (sum, n) in total.iter_mut().zip(unfiltered(side, &within, rate_hz)) {
            *sum += n;
        }
    }
    let highest = total.into_iter().fold(f64::NEG_INFINITY, f64::max);
    let noise_n = sides.iter().map(|s| s.signals.force.noise_sd.powi(2)).sum::<f64>().sqrt();
    let least_n = (NOISE_SDS * noise_n).max(LEAST_SHARE * highest).max(LEAST_N);
    (highest.is_finite() && highest > filtered_n + least_n).then_some(ShortPeak {
        value_n: highest,
        sd_n: noise_n,
    })
}

/// Raw samples less the zero that was taken off the filtered ones. What was taken out as spikes is put back first: over a window
/// in which a short push fills less than half, its samples look like some.
fn unfiltered(side: &ZeroedSide, within: &Range<usize>, rate_hz: f64) -> Vec<f64> {
    let force = &side.signals.force;
    let (from, to) = (within.start.saturating_sub(2), (within.end + 2).min(force.raw.len()));
    let mut raw = force.raw[from.min(to)..to].to_vec();
    for (i, value) in &force.spikes {
        if let Some(sample) = i.checked_sub(from).and_then(|k| raw.get_mut(k)) {
            *sample = *value;
        }
    }
    let clean = pushes(&raw, rate_hz);
    let of = |i: usize| Some(clean.get(i - from)? - (force.y.get(i)? - side.force_n.get(i)?));
    within.clone().map(|i| of(i).unwrap_or_default()).collect()
}

#[cfg(test)]
mod tests {
    use super::super::condition::{SideSignals, Signal};
    use super::*;
    use crate::signal::unloaded::ChannelNoise;
    use crate::signal::zero::ForceZero;

    /// Zeroed by 3 N; a push of 8 samples that the low pass flattened.
    #[test]
    fn a_short_push_counts_by_its_raw_samples_less_the_zero() {
        let mut raw = vec![23.0; 200];
        raw[100..108].fill(63.0);
        let signals = |noise_sd: f64| SideSignals {
            side: None,
            force: Signal { y: vec![23.0; 200], raw: raw.clone(), noise_sd, gaps: Vec::new(), spikes: Vec::new(), filled: 0, lost: Vec::new() },
            displacement: None,
            displacement_shared: false,
            displacement_stuck: false,
            saturated: Vec::new(),
            stopped: Vec::new(),
            tared: None,
        };
        let quiet = signals(0.1);
        let loud = signals(7.0);
        let side = |signals| ZeroedSide {
            signals,
            force_n: vec![20.0; 200],
            zero: ForceZero::default(),
            force_noise: ChannelNoise { sd: 0.1, df: None, times_white: 1.0 },
            displacement_noise: None,
            zero_known: true,
        };
        let found = short_peak(&[&side(&quiet)], 50..150, 1000.0, 20.0).unwrap();
        assert_eq!((found.value_n, found.sd_n), (60.0, 0.1));
        // 40 N more than the filtered peak are under six standard deviations of noise, and 3 N under a twentieth of the peak.
        assert_eq!(short_peak(&[&side(&loud)], 50..150, 1000.0, 20.0), None);
        assert_eq!(short_peak(&[&side(&quiet)], 50..150, 1000.0, 57.5), None);
        assert!(short_peak(&[&side(&quiet)], 50..150, 1000.0, 56.5).is_some());
    }
}

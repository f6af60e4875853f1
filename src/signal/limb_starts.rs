//! Where a spring begins, peaks and ends on the zero-phase signals (METHODS.md §2.6).

use crate::stats::moments::{extremes, median_in_place};

/// Seconds before (after) a peak within which its limb start is looked for.
const REACH_S: f64 = 0.75;
/// Share of the rise that marks the limb start's time.
const LIMB_START_SHARE: f64 = 0.05;
/// The rest before the limb start that its level is the median of, in s beyond the limb start's time.
const REST_S: [f64; 2] = [0.05, 0.25];
/// Stretch that speed is taken over, in s.
const SPEED_S: f64 = 0.1;
/// Slower than this share of the fastest so far, the limb has come to rest.
const REST_SPEED_SHARE: f64 = 0.15;
/// A rest that itself moves by more than this share of the rise is none; the lowest point then counts.
const PLATEAU_SHARE: f64 = 0.15;
/// Peaks are read on a grid at least this fine.
const PEAK_GRID_HZ: f64 = 1000.0;

/// A peak read between samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Peak {
    /// Highest sample.
    pub index: usize,
    /// Position of the peak, in samples.
    pub at: f64,
    pub value: f64,
}

/// The highest point within a range of samples, on a grid of at least 1 kHz (natural cubic spline when sampled
/// slower). `None` for an empty range.
pub fn read_peak(y: &[f64], from: usize, to: usize, rate_hz: f64) -> Option<Peak> {
    let to = to.min(y.len());
    let index = (from..to).max_by(|a, b| y[*a].total_cmp(&y[*b]))?;
    let plain = Peak {
        index,
        at: index as f64,
        value: y[index],
    };
    let steps = (PEAK_GRID_HZ / rate_hz).ceil() as usize;
    if steps <= 1 || index == 0 || index + 1 >= y.len() {
        return Some(plain);
    }
    let (a, b) = (index.saturating_sub(8), (index + 9).min(y.len()));
    let spline = NaturalSpline::new(&y[a..b]);
    let mut best = plain;
    for k in 1..2 * steps {
        let at = (index - 1) as f64 + k as f64 / steps as f64;
        let value = spline.at(at - a as f64);
        if value > best.value {
            best = Peak { index, at, value };
        }
    }
    Some(best)
}

/// A natural cubic spline through equally spaced values.
struct NaturalSpline<'a> {
    y: &'a [f64],
    second: Vec<f64>,
}

impl<'a> NaturalSpline<'a> {
    fn new(y: &'a [f64]) -> Self {
        let n = y.len();
        let (mut second, mut c) = (vec![0.0; n], vec![0.0; n]);
        for i in 1..n.saturating_sub(1) {
            let p = 4.0 - c[i - 1];
            c[i] = 1.0 / p;
            second[i] = (6.0 * (y[i + 1] - 2.0 * y[i] + y[i - 1]) - second[i - 1]) / p;
        }
        for i in (1..n.saturating_sub(1)).rev() {
            second[i] -= c[i] * second[i + 1];
        }
        NaturalSpline { y, second }
    }

    fn at(&self, x: f64) -> f64 {
        let i = (x.floor().max(0.0) as usize).min(self.y.len() - 2);
        let b = x - i as f64;
        let a = 1.0 - b;
        let bend = (a * a * a - a) * self.second[i] + (b * b * b - b) * self.second[i + 1];
        a * self.y[i] + b * self.y[i + 1] + bend / 6.0
    }
}

/// Where the loading limb starts or the recoil limb ends.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimbStart {
    /// Where the signal passes 5 % of the rise, in samples.
    pub at: f64,
    /// Level of the rest: its median, or the lowest point where there is no rest.
    pub level: f64,
    /// Samples of the rest; `None` when the lowest point counts.
    pub rest: Option<(usize, usize)>,
    /// Sample of the lowest point.
    pub lowest: usize,
}

/// Before the peak, or after it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Limb {
    Loading,
    Recoil,
}

/// The start of the limb before the peak, or the end of the one after it.
///
/// `bound` is the farthest sample that may be looked at (the neighbouring spring's peak, or where contact begins
/// or ends); `least` the drop from the peak after which a rest may count, in the signal's unit.
///
/// # Formula
/// METHODS.md §2.6: the passage of 5 % of the rise nearest the peak, then the median from 0.05 to 0.25 s beyond it, the
/// two steps applied twice. The rise is first taken from the lowest point within 0.75 s, not beyond the first
/// rest: else a lean or a release close by would be taken for the spring's own foot.
pub fn limb_start(
    y: &[f64],
    peak: Peak,
    bound: usize,
    limb: Limb,
    rate_hz: f64,
    least: f64,
) -> Option<LimbStart> {
    let samples = |s: f64| ((s * rate_hz).round() as usize).max(1);
    let room = match limb {
        Limb::Loading => peak.index.checked_sub(bound)?,
        Limb::Recoil => bound.min(y.len() - 1).checked_sub(peak.index)?,
    };
    let index = |k: usize| match limb {
        Limb::Loading => peak.index - k,
        Limb::Recoil => peak.index + k,
    };
    let at = |k: usize| y[index(k)];
    // Beyond a higher point lies another push.
    let room = (1..=room).find(|k| at(*k) > at(0)).map_or(room, |k| k - 1);
    let reach = room.min(samples(REACH_S));
    let reach =
        reach.min(first_rest(&at, reach, room, peak.value, least, samples(SPEED_S)) + samples(REST_S[0]));
    let mut level = (0..=reach).map(at).fold(f64::INFINITY, f64::min);
    let mut result = None;
    for _ in 0..2 {
        let rise = peak.value - level;
        if rise <= 0.0 {
            return None;
        }
        let mark = level + LIMB_START_SHARE * rise;
        let k = (1..=reach).find(|k| at(*k) <= mark)?;
        let position = (k - 1) as f64 + ((at(k - 1) - mark) / (at(k - 1) - at(k))).clamp(0.0, 1.0);
        let from = k + samples(REST_S[0]);
        let to = (k + samples(REST_S[1])).min(room);
        let lowest = (0..=reach.max(k)).min_by(|a, b| at(*a).total_cmp(&at(*b)))?;
        let mut rest: Vec<f64> = (from..=to).map(at).collect();
        let (low, high) = extremes(&rest);
        let flat = rest.len() >= samples(0.1) && high - low <= PLATEAU_SHARE * rise;
        let median = median_in_place(&mut rest).filter(|_| flat);
        level = median.unwrap_or_else(|| at(lowest));
        let ends = (index(from.min(room)), index(to.max(from).min(room)));
        let position = match limb {
            Limb::Loading => peak.index as f64 - position,
            Limb::Recoil => peak.index as f64 + position,
        };
        let rest = flat.then_some((ends.0.min(ends.1), ends.0.max(ends.1)));
        result = Some(LimbStart {
            at: position,
            level,
            rest,
            lowest: index(lowest),
        });
    }
    result
}

/// Samples from the peak to where the limb first comes to rest, or the whole reach.
fn first_rest(
    at: &dyn Fn(usize) -> f64,
    reach: usize,
    room: usize,
    peak: f64,
    least: f64,
    span: usize,
) -> usize {
    let half = (span / 2).max(1);
    let mut fastest = 0.0_f64;
    for k in half..=reach {
        let far = (k + half).min(room);
        if far == k {
            break;
        }
        // Towards the rest the signal falls; a stretch that rises again has turned, which is a rest too.
        let speed = (at(k - half) - at(far)) / (far + half - k) as f64;
        fastest = fastest.max(speed);
        if peak - at(k) >= least && speed < REST_SPEED_SHARE * fastest {
            return k;
        }
    }
    reach
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Lean to 9 mm until 2 s, springs of 3.2 mm and 0.5 s at 2.4 s and 3.2 s, release at once after the second.
    fn push(rate_hz: f64) -> Vec<f64> {
        (0..(5.0 * rate_hz) as usize)
            .map(|i| {
                let t = i as f64 / rate_hz;
                let lean = 4.5 * (1.0 - (std::f64::consts::PI * (t / 2.0).clamp(0.0, 1.0)).cos());
                let off = 4.5 * (1.0 - (std::f64::consts::PI * ((t - 3.85) / 0.5).clamp(0.0, 1.0)).cos());
                let spring: f64 = [2.4, 3.2]
                    .iter()
                    .map(|s| (t - s) / 0.5)
                    .filter(|s| (0.0..1.0).contains(s))
                    .map(|s| 1.6 * (1.0 - (s * std::f64::consts::TAU).cos()))
                    .sum();
                lean - off + spring
            })
            .collect()
    }

    #[test]
    fn feet_stand_on_the_rest_even_next_to_a_lean_and_a_release() {
        for rate in [80.0, 200.0, 1000.0] {
            let y = push(rate);
            let p1 = read_peak(&y, (2.5 * rate) as usize, (2.8 * rate) as usize, rate).unwrap();
            let p2 = read_peak(&y, (3.3 * rate) as usize, (3.6 * rate) as usize, rate).unwrap();
            assert!(
                (p1.value - 12.2).abs() < 2e-3 && (p1.at / rate - 2.65).abs() < 1.5e-3,
                "{rate} {p1:?}"
            );
            for (peak, bounds) in [(p1, [0, p2.index]), (p2, [p1.index, y.len() - 1])] {
                for (limb, bound) in [(Limb::Loading, bounds[0]), (Limb::Recoil, bounds[1])] {
                    let f = limb_start(&y, peak, bound, limb, rate, 0.3).unwrap();
                    assert!((f.level - 9.0).abs() < 0.03, "{rate} {limb:?} {f:?}");
                    // A haversine of 0.5 s passes 5 % of its height 0.0359 s after it starts (closed form).
                    let off = (f.at - peak.at).abs() / rate;
                    assert!((off - (0.25 - 0.0359)).abs() < 2e-3, "{rate} {limb:?} {off}");
                }
            }
        }
    }

    #[test]
    fn a_slow_recording_reads_peaks_between_its_samples() {
        // A peak of 10 that falls halfway between samples at 50 Hz; the spline must not lose its height.
        let y: Vec<f64> = (0..100)
            .map(|i| 5.0 * (1.0 - (i as f64 * 0.02 * std::f64::consts::TAU * 2.0).cos()))
            .collect();
        assert!(y.iter().all(|v| *v < 9.97));
        let p = read_peak(&y, 5, 20, 50.0).unwrap();
        assert!((p.value - 10.0).abs() < 1e-3, "{p:?}");
        assert!((p.at - 12.5).abs() < 0.06, "{p:?}");
    }

    #[test]
    fn a_peak_of_two_equal_samples_has_both_its_limbs() {
        // A haversine of 0.5 s at 50 Hz, its turn halfway between samples 32 and 33.
        let spring = |i: i32| 5.0 * (1.0 - (f64::from(i) * 0.04 * std::f64::consts::TAU).cos());
        let y: Vec<f64> = (-20..45)
            .map(|i| if (0..=25).contains(&i) { (1e4 * spring(i)).round() / 1e4 } else { 0.0 })
            .collect();
        assert_eq!(y[32], y[33]);
        let peak = read_peak(&y, 20, 45, 50.0).unwrap();
        for (limb, bound) in [(Limb::Loading, 0), (Limb::Recoil, y.len() - 1)] {
            for index in [32, 33] {
                let foot = limb_start(&y, Peak { index, ..peak }, bound, limb, 50.0, 0.3).unwrap();
                assert_eq!(foot.level, 0.0, "{limb:?}");
            }
        }
    }

    #[test]
    fn a_peak_at_either_end_is_the_sample_itself() {
        let rising: Vec<f64> = (0..20).map(|i| f64::from(i * i)).collect();
        let falling: Vec<f64> = rising.iter().rev().copied().collect();
        for (y, index) in [(rising, 19), (falling, 0)] {
            let plain = Peak {
                index,
                at: index as f64,
                value: 361.0,
            };
            for rate_hz in [50.0, 2000.0] {
                assert_eq!(read_peak(&y, 0, 20, rate_hz), Some(plain));
            }
        }
    }
}

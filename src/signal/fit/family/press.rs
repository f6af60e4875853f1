//! One test as the family of laws sees it: samples, weights, and the columns that no law searches.

use super::super::super::noise::FilteredNoise;
use super::super::misfit::cells;
use super::super::series::{Series, speed_of_five};
use crate::stats::moments::extremes;
use crate::stats::sums::dot;
use std::ops::Range;

/// Residuals are taken at about this many samples a second: the low pass leaves no more that are independent.
const RESIDUAL_HZ: f64 = 50.0;
/// The first samples after first contact are left out: the low pass smears what begins there over them …
const BEGINNING_S: f64 = 0.03;
/// … and over more of them the step of damping that a hand meets which lands at speed: at this share of the lean's fastest, or more.
const LANDING_S: f64 = 0.07;
const LANDING_SHARE: f64 = 0.6;
/// Samples of a test with what all laws share.
pub struct Press<'s> {
    pub series: &'s Series,
    /// Samples of the series at which residuals are taken.
    pub kept: Vec<usize>,
    /// Grid samples from one kept sample to the next.
    pub every: usize,
    /// Of each kept sample; the largest is 1.
    pub weight: Vec<f64>,
    /// Force at the kept samples, by their weights.
    pub weighted_force_n: Vec<f64>,
    /// Standard deviation that noise gives a residual of weight 1.
    pub sd_n: f64,
    /// Correlation of noise from one kept sample to the next ones.
    pub correlation: Vec<f64>,
    pub touch_mm: f64,
    pub top_mm: f64,
    /// Stretch of displacement and way of each kept sample.
    pub cell: Vec<usize>,
    /// Springs done so far.
    pub done: Vec<f64>,
    /// As smooth as the speed of what bends.
    pub speed_mm_per_s: Vec<f64>,
    /// Speed times depth.
    pub deep: Vec<f64>,
    /// Its mean over the loading limbs.
    pub mean_done: f64,
    /// Since first contact.
    pub first_spring_done_s: f64,
    /// From each spring's start to its peak.
    loading: Vec<Range<usize>>,
}

/// Speed through the low pass once more, as what bends goes through it: by a column with less of the same noise, a law would be
/// chosen for that alone, and damping of the knee would stand for all damping.
pub fn smooth_speed(x: &[f64], series: &Series) -> Vec<f64> {
    series.low_pass.apply(&speed_of_five(x, series.rate_hz))
}

impl<'s> Press<'s> {
    /// `expected` is the variance that noise gives each sample's residual; `springs` are ranges of the series.
    pub fn new(
        series: &'s Series,
        expected: &[f64],
        springs: &[Range<usize>],
        noise: &FilteredNoise,
    ) -> Press<'s> {
        let stride = ((series.rate_hz / RESIDUAL_HZ).round() as usize).max(1);
        let lean = &series.speed_mm_per_s[..springs.first().map_or(series.len(), |s| s.start.min(series.len()))];
        let (_, fastest) = extremes(lean);
        let lands = lean.first().is_some_and(|v| *v > LANDING_SHARE * fastest);
        let first = (if lands { LANDING_S } else { BEGINNING_S } * series.rate_hz).ceil() as usize;
        let kept: Vec<usize> = (first..series.len()).step_by(stride).collect();
        let sds: Vec<f64> = kept.iter().map(|i| expected[*i].sqrt()).collect();
        let (least, _) = extremes(&sds);
        let sd_n = least.max(1e-9);
        let weight: Vec<f64> = sds.iter().map(|sd| sd_n / sd.max(sd_n)).collect();
        let every = series.every * stride;
        let lags = noise.autocovariance();
        let r0 = lags.first().copied().unwrap_or(1.0);
        let x = &series.displacement_mm;
        let (_, top_mm) = extremes(x);
        let touch_mm = x.first().copied().unwrap_or(0.0);
        let speed_mm_per_s = smooth_speed(x, series);
        let deep = x.iter().zip(&speed_mm_per_s);
        let limbs: Vec<(Range<usize>, usize)> = springs.iter().map(|s| (s.clone(), highest(x, s))).collect();
        // A spring softens the tissue on its way back.
        let done_by = |i: usize, (spring, peak): &(Range<usize>, usize)| {
            let back = spring.end.saturating_sub(*peak).max(1);
            (i.saturating_sub(*peak) as f64 / back as f64).min(1.0)
        };
        let done: Vec<f64> = (0..x.len()).map(|i| limbs.iter().map(|l| done_by(i, l)).sum()).collect();
        let loading: Vec<Range<usize>> = limbs.iter().map(|(spring, peak)| spring.start..*peak).collect();
        let first_end = springs.first().map_or(x.len(), |s| s.end);
        let cell = cells(series);
        Press {
            series,
            every,
            cell: kept.iter().map(|i| cell[*i]).collect(),
            weighted_force_n: picked(&series.force_n, &kept, &weight),
            weight,
            sd_n,
            correlation: lags.iter().step_by(every).map(|r| r / r0).collect(),
            touch_mm,
            top_mm,
            deep: deep.map(|(x, v)| v * (x - touch_mm).max(0.0)).collect(),
            mean_done: mean_over(&done, &loading),
            speed_mm_per_s,
            first_spring_done_s: first_end as f64 / series.rate_hz,
            loading,
            done,
            kept,
        }
    }

    /// Mean over the loading limbs.
    pub fn mean_loading(&self, y: &[f64]) -> f64 {
        mean_over(y, &self.loading)
    }

    /// Mean square speed of the lean, in mm²/s²; of the whole press where it has no springs.
    pub fn lean_speed_squared(&self) -> f64 {
        let speed = &self.series.speed_mm_per_s;
        let end = self.loading.first().map_or(speed.len(), |l| l.start.clamp(1, speed.len()));
        dot(&speed[..end], &speed[..end]) / end as f64
    }

    /// Range of displacement.
    pub fn range_mm(&self) -> f64 {
        self.top_mm - self.touch_mm
    }

    /// How long it took.
    pub fn last_s(&self) -> f64 {
        self.series.len() as f64 / self.series.rate_hz
    }

    /// A column at the kept samples, by their weights.
    pub fn weighted(&self, column: &[f64]) -> Vec<f64> {
        picked(column, &self.kept, &self.weight)
    }

    /// Independent samples.
    pub fn independent(&self) -> f64 {
        self.kept.len() as f64 * self.independent_share()
    }

    /// Share of kept samples worth an independent one where noise is white through the low pass.
    pub fn independent_share(&self) -> f64 {
        let beside: f64 = self.correlation.iter().skip(1).map(|r| r * r).sum();
        1.0 / (1.0 + 2.0 * beside)
    }
}

/// Counted for the same reason as the loops of [`crate::stats::sums`].
fn picked(column: &[f64], kept: &[usize], weight: &[f64]) -> Vec<f64> {
    let mut all = vec![0.0; kept.len()];
    let out = all.as_mut_slice();
    let mut i = 0;
    while i < out.len() {
        out[i] = weight[i] * column[kept[i]];
        i += 1;
    }
    all
}

fn highest(x: &[f64], within: &Range<usize>) -> usize {
    let end = within.end.min(x.len());
    (within.start.min(end)..end)
        .max_by(|a, b| x[*a].total_cmp(&x[*b]))
        .unwrap_or(within.start)
}

fn mean_over(y: &[f64], springs: &[Range<usize>]) -> f64 {
    let (mut sum, mut n) = (0.0, 0_usize);
    for spring in springs {
        for v in y.get(spring.start..spring.end.min(y.len())).unwrap_or_default() {
            sum += v;
            n += 1;
        }
    }
    sum / n.max(1) as f64
}

#[cfg(test)]
mod tests {
    use super::super::super::made::{noise, press, series};
    use super::*;

    #[test]
    fn a_press_keeps_its_samples_by_their_weights_and_counts_what_they_are_worth() {
        let (x, springs) = press(100.0, 2);
        let n = x.len();
        let made = series(x, (0..n).map(|i| i as f64).collect(), 100.0);
        // Noise of the later half is twice as large.
        let expected: Vec<f64> = (0..n).map(|i| if i < n / 2 { 0.04 } else { 0.16 }).collect();
        let filtered = noise(100.0);
        let of = Press::new(&made, &expected, &springs, &filtered);
        assert_eq!((of.every, of.kept[0], of.kept[1]), (2, 3, 5));
        assert!((of.sd_n - 0.2).abs() < 1e-12);
        let last = of.kept.len() - 1;
        assert_eq!((of.weight[0], of.weight[last]), (1.0, 0.5));
        assert_eq!((of.weighted_force_n[0], of.weighted_force_n[last]), (3.0, 0.5 * of.kept[last] as f64));
        // Independent samples to a mean square: n/Σρ² over both signs of the lag.
        let r = filtered.autocovariance();
        let both: f64 = (-40_i32..=40).map(|k| r.get(2 * k.unsigned_abs() as usize).map_or(0.0, |v| (v / r[0]).powi(2))).sum();
        assert!((of.independent() / (of.kept.len() as f64 / both) - 1.0).abs() < 1e-9, "{}", of.independent());
        // A spring's top is half way: the mean of sample numbers over both loading limbs is that of their middles.
        let numbers: Vec<f64> = (0..n).map(|i| i as f64).collect();
        let middle: f64 = springs.iter().map(|s| s.start as f64 + 14.5).sum::<f64>() / 2.0;
        assert!((of.mean_loading(&numbers) - middle).abs() < 0.6, "{} {middle}", of.mean_loading(&numbers));
        assert_eq!((of.done[0], of.done[n - 1]), (0.0, 2.0));
        assert!((of.mean_done - 0.5).abs() < 1e-9, "{}", of.mean_done);
    }
}

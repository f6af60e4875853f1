//! A test that has just ended: its provisional measures, and the samples that the full analysis runs on.

use crate::signal::events::SpringMark;
use crate::stats::moments::upper_median_in_place;
use crate::terms::Side;
use crate::trace::{About, Trace};

/// Half of the stretch that a peak or a rest is read over, in s.
const PEAK_S: f64 = 0.005;
const REST_S: f64 = 0.025;
/// Stretch before the first loading limb that the preload is the median of, in s (METHODS.md §2.7).
const PRELOAD_S: f64 = 0.3;

/// A test as the detector saw it, before the full analysis.
#[derive(Debug, Clone, PartialEq)]
pub struct EndedTest {
    /// Counts from 1 through the session.
    pub number: u64,
    /// Counts the tests of its examiner in this session from 1, those of recordings that were cut off included.
    pub of_examiner: u32,
    pub about: About,
    /// Device time of the touch and of the release.
    pub begin_s: f64,
    pub end_s: f64,
    pub sides: Vec<ProvisionalSide>,
    /// Highest sum of all contacts, spikes taken out.
    pub total_peak_n: f64,
    /// From before the touch to after the release, in N and mm, zero not taken off; `None` when the touch was longer
    /// than what is kept.
    pub trace: Option<Trace>,
}

/// Provisional measures of one side.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ProvisionalSide {
    pub side: Option<Side>,
    pub springs: usize,
    pub preload_n: Option<f64>,
    pub peak_n: Option<f64>,
    /// Mean over springs; without the first when there are at least three, as in the full analysis.
    pub spring_peak_n: Option<f64>,
    pub excursion_mm: Option<f64>,
    pub spring_rate_hz: Option<f64>,
}

/// What [`ProvisionalSide`] is read from: one channel of the kept trace.
pub struct Provisional<'a> {
    pub trace: &'a Trace,
    pub channel: usize,
    /// Peak and rest of each spring, in device time.
    pub springs_s: &'a [(f64, f64)],
    pub contact_s: [f64; 2],
    pub zero_n: f64,
}

impl Provisional<'_> {
    pub fn measure(&self) -> ProvisionalSide {
        let Some(channel) = self.trace.channels.get(self.channel) else {
            return ProvisionalSide::default();
        };
        let force = |from: f64, to: f64| self.stretch(&channel.force_n, from, to);
        let peak_of = |t: f64| mean(force(t - PEAK_S, t + PEAK_S)).map(|f| f - self.zero_n);
        let skip = usize::from(self.springs_s.len() >= 3);
        let counted = &self.springs_s[skip..];
        let excursions = counted.iter().map(|(peak, rest)| {
            let x = channel.displacement_mm.as_deref()?;
            let high = mean(self.stretch(x, peak - PEAK_S, peak + PEAK_S))?;
            Some(high - mean(self.stretch(x, rest - REST_S, rest + REST_S))?)
        });
        let preload = self.springs_s.first().and_then(|(_, rest)| {
            let held = force((rest - PRELOAD_S).max(self.contact_s[0]), *rest);
            median(held).map(|f| f - self.zero_n)
        });
        let highest = force(self.contact_s[0], self.contact_s[1]);
        ProvisionalSide {
            side: channel.side.or(self.trace.about.side),
            springs: self.springs_s.len(),
            preload_n: preload,
            peak_n: highest_of(highest).map(|f| f - self.zero_n),
            spring_peak_n: mean_of(counted.iter().map(|(peak, _)| peak_of(*peak))),
            excursion_mm: mean_of(excursions),
            spring_rate_hz: rate(self.springs_s),
        }
    }

    fn stretch<'v>(&self, values: &'v [f64], from: f64, to: f64) -> &'v [f64] {
        let begin = self.trace.time_s.partition_point(|t| *t < from);
        let end = self.trace.time_s.partition_point(|t| *t <= to).max(begin);
        values.get(begin..end).unwrap_or(&[])
    }
}

/// Peak and rest of springs in device time.
pub fn springs_s(marks: &[SpringMark], time_s: impl Fn(usize) -> f64) -> Vec<(f64, f64)> {
    marks.iter().map(|m| (time_s(m.peak), time_s(m.rest))).collect()
}

fn rate(springs: &[(f64, f64)]) -> Option<f64> {
    let ((first, _), (last, _)) = (springs.first()?, springs.last()?);
    (springs.len() > 1 && last > first).then(|| (springs.len() - 1) as f64 / (last - first))
}

fn mean(values: &[f64]) -> Option<f64> {
    mean_of(values.iter().map(|v| Some(*v).filter(|v| v.is_finite())))
}

fn mean_of(values: impl Iterator<Item = Option<f64>>) -> Option<f64> {
    let (sum, n) = values.flatten().fold((0.0, 0_usize), |(s, n), v| (s + v, n + 1));
    (n > 0).then(|| sum / n as f64)
}

fn median(values: &[f64]) -> Option<f64> {
    let mut valid: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    upper_median_in_place(&mut valid)
}

/// Highest of the means over five samples, so that one wrong sample is no peak.
fn highest_of(values: &[f64]) -> Option<f64> {
    let medians = values.windows(5).filter_map(median);
    medians.max_by(f64::total_cmp).or_else(|| median(values))
}

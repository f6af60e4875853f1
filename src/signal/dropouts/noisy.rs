//! Stretches without a reading of the sensor's own that are no single value: a fall to a noisy zero, and bursts of noise.

use super::{BESIDE, ChannelLook, Gave, LEAST_FALL_MM, LEAST_FALL_N, LONGEST_S, LONGEST_SLOW_S, RESOLUTION_STEPS, SLOW_HZ, TIMES_OWN_STEPS};
use crate::stats::moments::{extremes, median_in_place};
use std::ops::Range;

/// Fewest samples of a fall: fewer are spikes.
const FEWEST_FALLEN: usize = 3;
/// A fall goes at least so many standard deviations of the channel's noise, and what it falls to spans no more than this share of it.
const FALL_SDS: f64 = 20.0;
const SPAN_SHARE: f64 = 0.3;
/// Fewest samples of a burst: fewer are spikes.
const FEWEST_IN_BURST: usize = 8;
/// Third differences in a burst stand out from the channel's noise, and from what they are around it, so many times.
const BURST_TIMES: f64 = 8.0;
/// So many of them do, and follow each other with turned sign.
const BURST_SHARE: f64 = 0.75;
const TURNS_SHARE: f64 = 0.4;
/// A burst is over after so many samples that are quiet.
const QUIET: usize = 3;
/// How far around a burst third differences are looked at, in samples.
const AROUND: usize = 250;

impl ChannelLook<'_> {
    /// Falls within a sample or two to a level with noise on it, and back as quickly; in order.
    pub(super) fn noisy_falls(&self) -> Vec<(Range<usize>, Gave)> {
        let mut found: Vec<(Range<usize>, Gave)> = Vec::new();
        let mut i = BESIDE;
        while i + 1 < self.y.len() {
            match self.noisy_fall(i) {
                Some((samples, gave)) => {
                    i = samples.end + 1;
                    found.push((samples, gave));
                }
                None => i += 1,
            }
        }
        found
    }

    /// The fall that begins at a sample.
    fn noisy_fall(&self, start: usize) -> Option<(Range<usize>, Gave)> {
        let least = if self.of_displacement { LEAST_FALL_MM } else { LEAST_FALL_N };
        let least = least.max(RESOLUTION_STEPS * self.step).max(FALL_SDS * self.sd);
        let before = self.y[start - 1];
        let first = self.y[start] - before;
        // What rises may be a push; on the way down one sample may lie between.
        if first.abs() < 0.25 * least || (!self.of_displacement && first > 0.0) {
            return None;
        }
        let fall = (self.y[start + 1] - before) * first.signum();
        if fall < least {
            return None;
        }
        let longest_s = if self.rate_hz < SLOW_HZ { LONGEST_SLOW_S } else { LONGEST_S };
        let within = |i: &usize| self.time_s[*i] - self.time_s[start] <= longest_s;
        let back = |i: &usize| (self.y[*i] - before) * first.signum() < 0.5 * fall;
        let end = (start + 1..self.y.len()).take_while(within).find(back)?;
        let inner = self.y.get(start + 1..end - usize::from(self.between(end - 1, before, fall)))?;
        if inner.len() < FEWEST_FALLEN {
            return None;
        }
        let (low, high) = extremes(inner);
        let value = median_in_place(&mut inner.to_vec())?;
        let end = end + usize::from(self.between(end, before, fall));
        let after = *self.y.get(end)?;
        let (a, b) = (before - value, after - value);
        let fall = a.abs().min(b.abs());
        let own = self.own_step(start, end)?;
        let found = a * b > 0.0 && fall >= least && fall >= TIMES_OWN_STEPS * own && high - low <= SPAN_SHARE * fall;
        found.then_some((start..end, Gave::Near(value)))
    }

    /// Whether a sample is on the way between a level and one that lies by `fall` away.
    fn between(&self, i: usize, level: f64, fall: f64) -> bool {
        let away = self.y.get(i).map_or(0.0, |y| (y - level).abs() / fall);
        (0.25..0.75).contains(&away)
    }

    /// Stretches in which the channel is many times as noisy as around them.
    pub(super) fn bursts(&self) -> Vec<(Range<usize>, Gave)> {
        let limit = BURST_TIMES * 20.0_f64.sqrt() * self.sd.max(0.5 * self.step);
        if self.rate_hz < SLOW_HZ || limit <= 0.0 {
            return Vec::new();
        }
        let third: Vec<f64> = self.y.array_windows().map(|[a, b, c, d]| d - 3.0 * c + 3.0 * b - a).collect();
        let loud: Vec<usize> = (0..third.len()).filter(|i| third[*i].abs() > limit).collect();
        let groups = loud.chunk_by(|a, b| b - a <= QUIET);
        groups.filter_map(|group| self.burst(&third, group)).collect()
    }

    fn burst(&self, third: &[f64], loud: &[usize]) -> Option<(Range<usize>, Gave)> {
        let (first, last) = (*loud.first()?, *loud.last()?);
        // A difference reaches over four samples: the first and the last one hold one sample each of the burst.
        let samples = first + 3..last + 1;
        if samples.len() < FEWEST_IN_BURST || self.seconds(&samples) > LONGEST_S {
            return None;
        }
        let all = &third[first..=last];
        let turns = all.array_windows().filter(|[a, b]| a * b < 0.0).count() as f64;
        let often = loud.len() as f64 >= BURST_SHARE * all.len() as f64 && turns >= TURNS_SHARE * all.len() as f64;
        let mut around: Vec<f64> = third[first.saturating_sub(AROUND)..first]
            .iter()
            .chain(&third[last + 1..(last + 1 + AROUND).min(third.len())])
            .map(|d| d.abs())
            .collect();
        let usual = 1.4826 * median_in_place(&mut around)?;
        let within = median_in_place(&mut all.iter().map(|d| d.abs()).collect::<Vec<f64>>())?;
        if !often || within < BURST_TIMES * usual {
            return None;
        }
        let (low, high) = extremes(self.y.get(samples.clone())?);
        Some((samples, Gave::Noise { low, high }))
    }
}

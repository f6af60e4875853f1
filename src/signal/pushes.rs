//! What a force channel shows of pushes: a sample that stands alone is a spike of the sensor, what several show is a push,
//! however short (METHODS.md §9.3). Ceilings are held against this, live and in files alike.

use crate::stats::moments::{median_in_place, median_of_five};

/// Samples that are looked at; the middle one is given.
const SPAN: usize = 5;
/// From this rate on five samples take less time than any push, and two wrong ones in a row are none.
const MEDIAN_FROM_HZ: f64 = 750.0;
/// A sample stands alone when it rises above its better neighbour by more than so many times what that one rose itself.
const TIMES_ITS_RISE: f64 = 3.0;

/// Takes lone samples out of a stream; what it gives is [`PushFilter::DELAY`] samples old.
#[derive(Debug, Clone)]
pub struct PushFilter {
    last: [f64; SPAN],
    seen: usize,
    by_median: bool,
}

impl PushFilter {
    /// Samples by which it lags.
    pub const DELAY: usize = SPAN / 2;

    /// For a stream of so many samples a second.
    pub fn new(rate_hz: f64) -> Self {
        PushFilter {
            last: [f64::NAN; SPAN],
            seen: 0,
            by_median: rate_hz >= MEDIAN_FROM_HZ,
        }
    }

    /// Takes a sample; a missing one changes nothing. `None` before the first.
    pub fn push(&mut self, value: f64) -> Option<f64> {
        if value.is_finite() {
            self.last.rotate_left(1);
            self.last[SPAN - 1] = value;
            self.seen = (self.seen + 1).min(SPAN);
        }
        match self.seen {
            SPAN => Some(self.middle()),
            _ => median_in_place(&mut self.last[SPAN - self.seen..].to_vec()),
        }
    }

    fn middle(&self) -> f64 {
        clean(self.last, self.by_median)
    }
}

/// The middle of five samples as it is given.
fn clean(five: [f64; SPAN], by_median: bool) -> f64 {
    if by_median { median_of_five(five) } else { supported(five) }
}

/// The middle of five samples, no further up or down than one of its neighbours is on its way to.
fn supported([a, b, middle, d, e]: [f64; SPAN]) -> f64 {
    let up = |near: f64, far: f64| near + TIMES_ITS_RISE * (near - far).max(0.0);
    let down = |near: f64, far: f64| near - TIMES_ITS_RISE * (far - near).max(0.0);
    let (lowest, highest) = (down(b, a).min(down(d, e)), up(b, a).max(up(d, e)));
    middle.max(lowest).min(highest)
}

/// The same over a whole channel, without the lag. Its first and last two valid samples stay as they are, as do missing ones.
pub fn pushes(values: &[f64], rate_hz: f64) -> Vec<f64> {
    let mut out = values.to_vec();
    if values.iter().all(|v| v.is_finite()) {
        let by_median = rate_hz >= MEDIAN_FROM_HZ;
        let whole = values.array_windows().map(|five| clean(*five, by_median));
        out.iter_mut().skip(PushFilter::DELAY).zip(whole).for_each(|(out, clean)| *out = clean);
        return out;
    }
    let mut filter = PushFilter::new(rate_hz);
    let mut behind = [0; PushFilter::DELAY + 1];
    let mut taken = 0;
    for (i, value) in values.iter().enumerate().filter(|(_, v)| v.is_finite()) {
        behind.rotate_left(1);
        behind[PushFilter::DELAY] = i;
        taken += 1;
        if let (Some(clean), true) = (filter.push(*value), taken >= SPAN) {
            out[behind[0]] = clean;
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two seconds of nothing with a half-sine of so many N and ms, the samples shifted against it by a share of a step.
    fn jab(rate_hz: f64, peak_n: f64, ms: f64, phase: f64) -> Vec<f64> {
        let at = |i: u32| (f64::from(i) + phase) / rate_hz - 1.0;
        let force = |t: f64| match (0.0..ms / 1e3).contains(&t) {
            true => peak_n * (t / (ms / 1e3) * std::f64::consts::PI).sin(),
            false => 0.0,
        };
        (0..(2.0 * rate_hz) as u32).map(|i| force(at(i))).collect()
    }

    fn highest(values: &[f64]) -> f64 {
        values.iter().copied().fold(f64::NEG_INFINITY, f64::max)
    }

    #[test]
    fn a_jab_of_thirty_milliseconds_keeps_what_its_samples_show_at_any_rate() {
        for rate_hz in [100.0, 125.0, 200.0, 250.0, 500.0, 1000.0, 2000.0] {
            for k in 0..20 {
                let raw = jab(rate_hz, 100.0, 30.0, f64::from(k) / 20.0);
                let shown = highest(&pushes(&raw, rate_hz));
                assert!(shown > 0.97 * highest(&raw), "{rate_hz} Hz, phase {k}: {shown}");
            }
        }
    }

    #[test]
    fn a_lone_sample_is_none_and_two_are_one_below_the_rate_at_which_five_are_too_short() {
        for (rate_hz, wrong, shown) in [(50.0, 1, 0), (200.0, 1, 0), (200.0, 2, 1), (500.0, 2, 1), (1000.0, 2, 0), (1000.0, 3, 1)] {
            for slope in [0.0, 0.5] {
                let mut y: Vec<f64> = (0..200).map(|i| slope * f64::from(i.min(100))).collect();
                y[60..60 + wrong].fill(400.0);
                let seen = highest(&pushes(&y, rate_hz)) > 300.0;
                assert_eq!(seen, shown == 1, "{rate_hz} Hz, {wrong} samples, slope {slope}");
                // A wrong sample downward is no more a release.
                let down: Vec<f64> = y.iter().map(|v| -v).collect();
                let lowest = -highest(&pushes(&down, rate_hz).iter().map(|v| -v).collect::<Vec<_>>());
                assert_eq!(lowest < -300.0, shown == 1, "{rate_hz} Hz, {wrong} samples");
            }
        }
    }

    #[test]
    fn the_stream_gives_what_the_file_gives_two_samples_later() {
        let y: Vec<f64> = (0..500_u32).map(|i| f64::from(i * 7919 % 1000) / 10.0).collect();
        for rate_hz in [100.0, 1000.0] {
            let (whole, mut filter) = (pushes(&y, rate_hz), PushFilter::new(rate_hz));
            let live: Vec<f64> = y.iter().filter_map(|v| filter.push(*v)).collect();
            assert_eq!(live[4..], whole[2..y.len() - 2]);
        }
    }
}

//! What is just detected: a logistic psychometric curve by maximum likelihood.

use super::Interval;
use super::search::highest;
use crate::stats::quantile::{chi_square_quantile, normal_quantile};
use crate::stats::{StatsResult, StatsError, check_values};

/// Largest lapse rate that is looked at; more is no lapse but another curve.
const MOST_LAPSES: f64 = 0.25;
/// Twice the gain in log-likelihood that shows a lapse rate: on the edge of its range, so half of chi-square with
/// one degree of freedom, at 5 % (Self & Liang 1987, J Am Stat Assoc 82:605–610; from memory).
const LAPSE_GAIN: f64 = 2.705_543_454_095_404;
/// How far beyond the sizes shown the just-detected size and its interval are looked for, in ranges of the sizes.
const BEYOND: f64 = 5.0;

/// A fitted curve: share detected = (1 − lapse)·logistic(slope·(size − just_detected) − ln(1 − 2·lapse)).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Psychometric {
    pub n: usize,
    pub detected: usize,
    /// The size detected half of the time, with its profile-likelihood interval; an end is `None` where the data do
    /// not bound it.
    pub just_detected: Interval,
    /// Per unit of size; `None` when every size above was detected and none below, so that no slope is too steep.
    pub slope: Option<f64>,
    /// Share missed however large the size; 0 unless the data show one.
    pub lapse: f64,
    pub log_likelihood: f64,
}

impl Psychometric {
    /// Share detected at a size.
    pub fn share(&self, size: f64) -> f64 {
        let away = size - self.just_detected.value;
        match self.slope {
            Some(slope) => share(slope, away, self.lapse),
            None if away == 0.0 => 0.5,
            None => f64::from(away > 0.0),
        }
    }
}

fn share(slope: f64, away: f64, lapse: f64) -> f64 {
    (1.0 - lapse) / (1.0 + (-(slope * away - (1.0 - 2.0 * lapse).ln())).exp())
}

/// How finely a line is searched: even steps, then golden sections.
#[derive(Debug, Clone, Copy)]
struct Care {
    parts: usize,
    sections: usize,
}

/// For what is reported.
const FINE: Care = Care {
    parts: 44,
    sections: 40,
};
/// Inside the search for a lapse rate: off by 1e-4 of a step, hence by 1e-8 in height.
const ROUGH: Care = Care {
    parts: 18,
    sections: 20,
};

/// Sizes in their own unit and whether each was detected.
struct Data<'a> {
    size: &'a [f64],
    detected: &'a [bool],
    range: f64,
}

impl Data<'_> {
    fn log_likelihood(&self, half: f64, slope: f64, lapse: f64) -> f64 {
        let one = |(size, detected): (&f64, &bool)| {
            let away = size - half;
            if *detected {
                return share(slope, away, lapse).max(f64::MIN_POSITIVE).ln();
            }
            // 1 − share without cancellation: (1 + (lapse)·e^η)/(1 + e^η), η = slope·away − ln(1 − 2·lapse).
            let e = (-(slope * away - (1.0 - 2.0 * lapse).ln())).exp();
            let missed = if e.is_finite() {
                (e + lapse) / (e + 1.0)
            } else {
                1.0
            };
            missed.max(f64::MIN_POSITIVE).ln()
        };
        self.size.iter().zip(self.detected).map(one).sum()
    }

    /// The best slope for a just-detected size, and its log-likelihood.
    fn best_slope(&self, half: f64, lapse: f64, care: Care) -> (f64, f64) {
        let log_range = self.range.ln();
        let (low, high) = (-5.0 - log_range, 8.0 - log_range);
        let (log_slope, height) = highest(low, high, care.parts, care.sections, |l| {
            self.log_likelihood(half, l.exp(), lapse)
        });
        (log_slope.exp(), height)
    }

    fn ends(&self) -> [f64; 2] {
        let low = self.size.iter().copied().fold(f64::INFINITY, f64::min);
        [low - BEYOND * self.range, low + (1.0 + BEYOND) * self.range]
    }

    fn best_half(&self, lapse: f64, care: Care) -> (f64, f64) {
        let [low, high] = self.ends();
        highest(low, high, care.parts, care.sections, |half| {
            self.best_slope(half, lapse, care).1
        })
    }

    fn best_lapse(&self) -> (f64, f64) {
        highest(0.0, MOST_LAPSES, 10, 14, |lapse| self.best_half(lapse, ROUGH).1)
    }

    /// Height of the profile at a just-detected size.
    fn profile(&self, half: f64, with_lapse: bool) -> f64 {
        let plain = self.best_slope(half, 0.0, FINE).1;
        if !with_lapse {
            return plain;
        }
        let lapsing = highest(0.0, MOST_LAPSES, 10, 14, |lapse| {
            self.best_slope(half, lapse, ROUGH).1
        })
        .1;
        plain.max(lapsing)
    }

    /// Where the profile falls through `level` between a place above it and an end; `None` when it does not.
    fn crossing(&self, inside: f64, end: f64, level: f64, with_lapse: bool) -> Option<f64> {
        let (mut inside, mut outside) = (inside, end);
        if self.profile(outside, with_lapse) > level {
            return None;
        }
        for _ in 0..45 {
            let middle = 0.5 * (inside + outside);
            if self.profile(middle, with_lapse) > level {
                inside = middle;
            } else {
                outside = middle;
            }
        }
        Some(0.5 * (inside + outside))
    }
}

/// Fits the curve to `size` (any unit, not below 0 when it is the size of an asymmetry) and whether each was
/// `detected`, and gives the size that is detected half of the time.
///
/// # Formula
/// Maximum likelihood of the curve of [`Psychometric`]; the lapse rate is free between 0 and 0.25 and kept only when
/// twice the gain in log-likelihood exceeds 2.71 (5 %). Interval: sizes whose profile log-likelihood lies within
/// χ²(1)/2 of the maximum.
///
/// # Errors
/// Fewer than six sizes, all detected, none detected, sizes that do not differ, or detection that does not rise with
/// size: there is then no size that is just detected.
///
/// # Source
/// Wichmann & Hill 2001, Percept Psychophys 63:1293–1313 (lapses; from memory); checked against logistic regression.
pub fn psychometric(size: &[f64], detected: &[bool], confidence: f64) -> StatsResult<Psychometric> {
    const WHAT: &str = "a psychometric curve";
    if size.len() != detected.len() {
        return Err(StatsError::Lengths {
            what: WHAT,
            left: size.len(),
            right: detected.len(),
        });
    }
    check_values(WHAT, size, 6)?;
    let undetermined = |why| Err(StatsError::Undetermined { what: WHAT, why });
    let hits = detected.iter().filter(|d| **d).count();
    if hits == 0 {
        return undetermined("none was detected; larger differences are needed");
    }
    if hits == size.len() {
        return undetermined("all were detected; smaller differences are needed");
    }
    let of = |seen: bool| {
        size.iter()
            .zip(detected)
            .filter(move |(_, d)| **d == seen)
            .map(|(s, _)| *s)
    };
    let mean = |seen: bool| of(seen).sum::<f64>() / of(seen).count() as f64;
    if mean(true) <= mean(false) {
        // The likelihood's slope at a flat curve has this sign, and it has one peak.
        return undetermined("detection does not rise with the size of the difference");
    }
    let low = size.iter().copied().fold(f64::INFINITY, f64::min);
    let high = size.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let data = Data {
        size,
        detected,
        range: high - low,
    };
    let cut = chi_square_quantile(confidence, 1.0)? / 2.0;
    let largest_missed = of(false).fold(f64::NEG_INFINITY, f64::max);
    let smallest_seen = of(true).fold(f64::INFINITY, f64::min);
    let separated = largest_missed <= smallest_seen;
    let (mut half, mut top) = data.best_half(0.0, FINE);
    if separated {
        half = 0.5 * (largest_missed + smallest_seen);
        top = data.best_slope(half, 0.0, FINE).1;
    }
    let mut lapse = 0.0;
    if !separated {
        let (rate, height) = data.best_lapse();
        if 2.0 * (height - top) > LAPSE_GAIN {
            lapse = rate;
            (half, top) = data.best_half(rate, FINE);
        }
    }
    let with_lapse = lapse > 0.0;
    let [first, last] = data.ends();
    Ok(Psychometric {
        n: size.len(),
        detected: hits,
        just_detected: Interval {
            value: half,
            low: data.crossing(half, first, top - cut, with_lapse),
            high: data.crossing(half, last, top - cut, with_lapse),
        },
        slope: (!separated).then(|| data.best_slope(half, lapse, FINE).0),
        lapse,
        log_likelihood: top,
    })
}

/// The size detected half of the time at a lapse rate that is known, without its interval; `None` where there is none.
/// For looking at many parts of the same answers.
pub fn just_detected(size: &[f64], detected: &[bool], lapse: f64) -> Option<f64> {
    let of = |seen: bool| size.iter().zip(detected).filter(move |(_, d)| **d == seen).map(|(s, _)| *s);
    let (hits, misses) = (of(true).count() as f64, of(false).count() as f64);
    if hits == 0.0 || misses == 0.0 || of(true).sum::<f64>() / hits <= of(false).sum::<f64>() / misses {
        return None;
    }
    let largest_missed = of(false).fold(f64::NEG_INFINITY, f64::max);
    let smallest_seen = of(true).fold(f64::INFINITY, f64::min);
    if largest_missed <= smallest_seen {
        return Some(0.5 * (largest_missed + smallest_seen));
    }
    let low = size.iter().copied().fold(f64::INFINITY, f64::min);
    let high = size.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let data = Data {
        size,
        detected,
        range: high - low,
    };
    Some(data.best_half(lapse, ROUGH).0)
}

/// A share with its score interval; `None` of none.
///
/// # Formula
/// (p + z²/2n ± z√(p(1 − p)/n + z²/4n²))/(1 + z²/n).
///
/// # Errors
/// A confidence that cannot be meant.
///
/// # Source
/// Wilson 1927, J Am Stat Assoc 22:209–212.
pub fn share_interval(hits: usize, n: usize, confidence: f64) -> StatsResult<Option<Interval>> {
    let z = normal_quantile(0.5 + confidence / 2.0)?;
    if n == 0 || hits > n {
        return Ok(None);
    }
    let nf = n as f64;
    let p = hits as f64 / nf;
    let z2 = z * z / nf;
    let half = z * (p * (1.0 - p) / nf + z2 / (4.0 * nf)).sqrt();
    Ok(Some(Interval {
        value: p,
        low: Some(((p + z2 / 2.0 - half) / (1.0 + z2)).max(0.0)),
        high: Some(((p + z2 / 2.0 + half) / (1.0 + z2)).min(1.0)),
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn mirrored_answers_put_the_half_in_the_middle() {
        // Symmetric about 10, so the size detected half of the time is 10, whatever the slope.
        let size = [2.0, 4.0, 8.0, 9.0, 11.0, 12.0, 16.0, 18.0];
        let seen = [false, false, true, false, true, false, true, true];
        let p = psychometric(&size, &seen, 0.95).unwrap();
        assert!((p.just_detected.value - 10.0).abs() < 1e-5, "{p:?}");
        let (low, high) = (p.just_detected.low.unwrap(), p.just_detected.high.unwrap());
        assert!((low + high - 20.0).abs() < 1e-4 && low < 9.0, "{p:?}");
        assert_eq!(p.lapse, 0.0);
        assert!((p.share(10.0) - 0.5).abs() < 1e-6);
        assert!((just_detected(&size, &seen, 0.0).unwrap() - 10.0).abs() < 1e-3);
        assert_eq!(just_detected(&size, &[true; 8], 0.0), None);
    }

    #[test]
    fn answers_without_overlap_have_a_half_between_but_no_slope() {
        let size = [1.0, 2.0, 3.0, 4.0, 9.0, 10.0, 11.0, 12.0];
        let seen = [false, false, false, false, true, true, true, true];
        let p = psychometric(&size, &seen, 0.95).unwrap();
        assert_eq!((p.just_detected.value, p.slope), (6.5, None));
        let (low, high) = (p.just_detected.low.unwrap(), p.just_detected.high.unwrap());
        assert!(low < 4.0 && 9.0 < high, "{p:?}");
    }

    #[test]
    fn detection_that_does_not_rise_has_no_half() {
        let size = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0];
        let said = |seen: [bool; 6]| psychometric(&size, &seen, 0.95).unwrap_err().to_string();
        assert!(said([true; 6]).contains("all were detected"));
        assert!(said([false; 6]).contains("none was detected"));
        assert!(said([true, true, true, false, false, false]).contains("does not rise"));
        assert!(psychometric(&[2.0; 6], &[true, false, true, true, false, true], 0.95).is_err());
        assert!(psychometric(&size[..5], &[true; 5], 0.95).is_err());
    }

    #[test]
    fn a_share_of_none_has_no_interval_and_one_of_all_ends_at_one() {
        assert_eq!(share_interval(0, 0, 0.95).unwrap(), None);
        let all = share_interval(10, 10, 0.95).unwrap().unwrap();
        // Closed form at p = 1: low = n/(n + z²).
        let z = normal_quantile(0.975).unwrap();
        assert_eq!(all.high, Some(1.0));
        assert!((all.low.unwrap() - 10.0 / (10.0 + z * z)).abs() < 1e-12);
        // And its mirror at p = 0.
        let none = share_interval(0, 10, 0.95).unwrap().unwrap();
        assert_eq!(none.low, Some(0.0));
        assert!((none.high.unwrap() - z * z / (10.0 + z * z)).abs() < 1e-12);
    }

    #[test]
    fn detected_and_missed_share_out_one() {
        for lapse in [0.0, 0.02, 0.3] {
            for away in [-3.0, -0.1, 0.0, 0.5, 4.0] {
                let probability = |detected: bool| {
                    let data = Data { size: &[10.0 + away], detected: &[detected], range: 1.0 };
                    data.log_likelihood(10.0, 1.7, lapse).exp()
                };
                let both = probability(true) + probability(false);
                assert!((both - 1.0).abs() < 1e-12, "{lapse} {away}: {both}");
            }
        }
    }
}

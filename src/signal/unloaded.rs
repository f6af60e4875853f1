//! What a channel does while nothing presses on it: noise that is not white, and steps of its resolution (METHODS.md §1.11).

use super::condition::{Conditioned, SideSignals, Signal};
use super::noise::FilteredNoise;
use crate::stats::moments::resolution;
use crate::stats::quantile::chi_square_quantile;
use std::ops::Range;

/// Kept clear before a hand comes and after it has gone, in s. Where a displacement tells when it comes, it is from there; a slow
/// lean begins so softly that the force tells of it only seconds later.
pub const BEFORE_S: f64 = 0.45;
pub const AFTER_S: f64 = 0.2;
/// Shortest stretch that is looked at, in s.
const SHORTEST_S: f64 = 0.3;
/// Length of the means whose steps show slow noise, in s: about a limb of a spring.
const BLOCK_S: f64 = 0.1;
/// Noise counts as more than white when chance alone shows as much in one recording in a thousand.
const CHANCE: f64 = 0.999;
/// A displacement further than this from its rest, beyond what noise does, is a hand that comes or goes, in mm.
pub const AT_REST_MM: f64 = 0.05;
/// What noise does to a resting displacement, in standard deviations of a conditioned sample.
pub const AT_REST_SD: f64 = 4.0;

/// Noise of a channel as measures use it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChannelNoise {
    /// Standard deviation of white noise that would do to measures what this noise does, in the channel's unit.
    pub sd: f64,
    /// Degrees of freedom of that estimate, where it is not that of white noise.
    pub df: Option<f64>,
    /// How many times what white noise alone explains; 1 where it explains all.
    pub times_white: f64,
}

/// Noise of one side's force and displacement: what the unloaded stretches show in which its displacement rests, where that is
/// more than their white noise.
pub fn noise_of(
    c: &Conditioned,
    side: &SideSignals,
    contacts: &[Range<usize>],
) -> (ChannelNoise, Option<ChannelNoise>) {
    let len = side.force.y.len();
    let begins = std::iter::once(0).chain(contacts.iter().map(|r| r.end.min(len)));
    let ends = contacts.iter().map(|r| r.start).chain([len]);
    let between = begins.zip(ends).map(|(begin, end)| begin..end.max(begin));
    let displacement = side.displacement.as_ref().map(|x| (x, with_resolution(&c.noise, x)));
    let resting = between.map(|s| match displacement {
        Some((x, sd)) => at_rest(&x.y, &s, AT_REST_MM + AT_REST_SD * c.noise.sample_sd(sd)),
        None => s,
    });
    let clear = resting.map(|s| {
        let after = if s.start > 0 { c.grid.samples(AFTER_S) } else { 0 };
        let before = if s.end < len { c.grid.samples(BEFORE_S) } else { 0 };
        s.start + after..s.end.saturating_sub(before)
    });
    let stretches: Vec<Range<usize>> = clear.filter(|s| s.len() >= c.grid.samples(SHORTEST_S)).collect();
    let of = |(signal, sd): (&Signal, f64)| beyond_white(c, &signal.y, sd, &stretches);
    (of((&side.force, with_resolution(&c.noise, &side.force))), displacement.map(of))
}

/// The longest part of a stretch in which a displacement is no further than `limit` from where it mostly is at its lowest.
fn at_rest(x: &[f64], stretch: &Range<usize>, limit: f64) -> Range<usize> {
    let mut sorted = x[stretch.clone()].to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let rest = sorted.get(sorted.len() / 5).copied().unwrap_or_default();
    let (mut longest, mut begin) = (stretch.start..stretch.start, stretch.start);
    for i in stretch.clone() {
        if (x[i] - rest).abs() > limit {
            begin = i + 1;
        } else if i + 1 - begin > longest.len() {
            longest = begin..i + 1;
        }
    }
    longest
}

/// White noise, or the rounding error of a step that noise does not blur: neighbouring samples then share it, so that the low
/// pass takes nothing of it away.
fn with_resolution(noise: &FilteredNoise, signal: &Signal) -> f64 {
    let step = resolution(&signal.raw);
    let kept = noise.sample_sd(1.0);
    if signal.noise_sd < 0.5 * step && kept > 0.0 {
        signal.noise_sd.max(step / 12.0_f64.sqrt() / kept)
    } else {
        signal.noise_sd
    }
}

fn beyond_white(c: &Conditioned, y: &[f64], sd: f64, stretches: &[Range<usize>]) -> ChannelNoise {
    let white = ChannelNoise {
        sd,
        df: None,
        times_white: 1.0,
    };
    if sd <= 0.0 {
        return white;
    }
    let shown = [
        of_samples(&c.noise, y, sd, stretches),
        of_blocks(c, y, sd, stretches),
    ];
    let more = shown.into_iter().flatten().filter(|s| s.beyond_chance());
    match more.max_by(|a, b| a.ratio.total_cmp(&b.ratio)) {
        Some(most) => {
            let times = most.ratio.sqrt();
            ChannelNoise {
                sd: sd * times,
                df: Some(most.df.max(3.0)),
                times_white: times,
            }
        }
        None => white,
    }
}

/// A variance over the one that white noise explains.
struct VarianceRatio {
    ratio: f64,
    df: f64,
}

impl VarianceRatio {
    fn of(sum: f64, expected: f64, df: f64) -> Option<Self> {
        let ratio = sum / expected;
        (df >= 2.0 && ratio.is_finite()).then_some(VarianceRatio { ratio, df })
    }

    fn beyond_chance(&self) -> bool {
        chi_square_quantile(CHANCE, self.df).is_ok_and(|limit| self.ratio * self.df > limit)
    }
}

/// Conditioned samples about the mean of their stretch.
fn of_samples(noise: &FilteredNoise, y: &[f64], sd: f64, stretches: &[Range<usize>]) -> Option<VarianceRatio> {
    let (mut sum, mut n) = (0.0, 0.0);
    for stretch in stretches {
        let part = &y[stretch.clone()];
        let mean = part.iter().sum::<f64>() / part.len() as f64;
        sum += part.iter().map(|v| (v - mean).powi(2)).sum::<f64>();
        n += part.len() as f64;
    }
    let means = stretches.len() as f64 * noise.mean_variance_factor(1);
    let df = noise.independent_share(1) * n - stretches.len() as f64;
    VarianceRatio::of(sum, noise.sample_sd(sd).powi(2) * (n - means).max(1.0), df)
}

/// Steps between the means of neighbouring blocks: noise as slow as a spring.
fn of_blocks(c: &Conditioned, y: &[f64], sd: f64, stretches: &[Range<usize>]) -> Option<VarianceRatio> {
    let block = c.grid.samples(BLOCK_S);
    let (mut sum, mut n) = (0.0, 0usize);
    for stretch in stretches {
        let means: Vec<f64> = y[stretch.clone()]
            .chunks_exact(block)
            .map(|part| part.iter().sum::<f64>() / block as f64)
            .collect();
        sum += means.array_windows().map(|[a, b]| (b - a).powi(2)).sum::<f64>();
        n += means.len().saturating_sub(1);
    }
    let mut weights = vec![-1.0 / block as f64; 2 * block];
    weights[block..].fill(1.0 / block as f64);
    let expected = c.noise.combination_sd(sd, &weights).powi(2) * n as f64;
    // Steps that share a block are correlated by −1/2: 1/(1 + 2·(1/4)) of them are worth an independent one.
    VarianceRatio::of(sum, expected, n as f64 / 1.5)
}

#[cfg(test)]
mod tests {
    use super::super::fit::made::noise;
    use super::*;

    fn signal(raw: Vec<f64>, noise_sd: f64) -> Signal {
        Signal { y: raw.clone(), raw, noise_sd, gaps: Vec::new(), spikes: Vec::new(), filled: 0, lost: Vec::new() }
    }

    /// A step's rounding error is even over it: step/√12, and the low pass takes nothing of it.
    #[test]
    fn a_step_that_noise_does_not_blur_counts_by_its_rounding_error() {
        let steps: Vec<f64> = (0..100).map(|i| 0.1 * f64::from(i / 10)).collect();
        let filtered = noise(100.0);
        let rounding = 0.1 / 12.0_f64.sqrt() / filtered.sample_sd(1.0);
        assert!((with_resolution(&filtered, &signal(steps.clone(), 0.02)) / rounding - 1.0).abs() < 1e-9);
        assert_eq!(with_resolution(&filtered, &signal(steps, 0.06)), 0.06);
    }

    #[test]
    fn more_than_white_is_what_chance_shows_once_in_a_thousand() {
        // The 99.9 % point of chi-square with 100 degrees of freedom is 149.449 (tables).
        for (ratio, beyond) in [(1.0, false), (1.49, false), (1.5, true), (1.6, true)] {
            assert_eq!(VarianceRatio { ratio, df: 100.0 }.beyond_chance(), beyond, "{ratio}");
        }
    }

    #[test]
    fn what_a_hand_leaves_behind_for_a_moment_is_no_noise() {
        let rate_hz = 200.0;
        let low_pass = super::super::filter::LowPass::zero_phase(8.0, rate_hz).unwrap();
        let c = Conditioned {
            grid: super::super::grid::Grid { start_s: 0.0, step_s: 1.0 / rate_hz, len: 4000, as_recorded: true },
            cutoff_hz: 8.0,
            noise: FilteredNoise::new(&low_pass, rate_hz, 8.0),
            low_pass,
            sides: Vec::new(),
            marker: None,
            drive_deg: None,
            notes: Vec::new(),
        };
        let mut force: Vec<f64> = (0..4000_u32).map(|i| 0.001 * f64::from(i * 7 % 11)).collect();
        force[2000..2030].fill(2.0);
        let side = |raw: Vec<f64>| SideSignals {
            side: None,
            force: signal(raw, 0.05),
            displacement: None,
            displacement_shared: false,
            displacement_stuck: false,
            saturated: Vec::new(),
            stopped: Vec::new(),
            tared: None,
        };
        let contact = std::slice::from_ref(&(1000..2000));
        let (quiet, _) = noise_of(&c, &side(force.clone()), contact);
        assert_eq!(quiet.times_white, 1.0);
        // Half a second later it is.
        force[2100..2130].fill(2.0);
        let (noisy, _) = noise_of(&c, &side(force), contact);
        assert!(noisy.times_white > 2.0, "{noisy:?}");
    }
}

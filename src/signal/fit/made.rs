//! Presses made of a law's own columns, for the tests of the fit: what was put in must come out.

use super::super::filter::LowPass;
use super::super::noise::FilteredNoise;
use super::super::view::SideView;
use super::law::{KneeShape, columns};
use super::series::{Series, speed_of_five};
use rand::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use std::ops::Range;

/// Cut-off of the low pass that made presses are taken to have been through.
pub const CUTOFF_HZ: f64 = 8.0;

/// A lean from 0 to 7 mm and springs to 10 mm and back: displacement, and the springs as ranges of it.
pub fn press(rate_hz: f64, springs: usize) -> (Vec<f64>, Vec<Range<usize>>) {
    let eased = |share: f64| 0.5 - 0.5 * (std::f64::consts::PI * share).cos();
    let [lean, hold, spring] = [1.0, 0.2, 0.6].map(|s| (s * rate_hz) as usize);
    let mut x: Vec<f64> = (0..lean).map(|i| 7.0 * eased(i as f64 / lean as f64)).collect();
    x.extend(std::iter::repeat_n(7.0, hold));
    let mut ranges = Vec::new();
    for _ in 0..springs {
        let from = x.len();
        x.extend((0..spring).map(|i| 7.0 + 3.0 * eased(2.0 * i as f64 / spring as f64)));
        ranges.push(from..x.len());
    }
    x.extend(std::iter::repeat_n(7.0, hold));
    (x, ranges)
}

/// A series of that displacement and this force, every sample of it kept.
pub fn series(displacement_mm: Vec<f64>, force_n: Vec<f64>, rate_hz: f64) -> Series {
    Series {
        rate_hz,
        every: 1,
        force_n,
        speed_mm_per_s: speed_of_five(&displacement_mm, rate_hz),
        displacement_mm,
        low_pass: LowPass::zero_phase(CUTOFF_HZ, rate_hz).unwrap(),
    }
}

/// What the low pass leaves of white noise at this rate.
pub fn noise(rate_hz: f64) -> FilteredNoise {
    FilteredNoise::new(&LowPass::zero_phase(CUTOFF_HZ, rate_hz).unwrap(), rate_hz, CUTOFF_HZ)
}

/// White noise through the low pass, from a generator's seed.
pub fn low_passed_noise(series: &Series, sd: f64, seed: u64) -> Vec<f64> {
    let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
    let white: Vec<f64> = (0..series.len()).map(|_| StandardNormal.sample(&mut rng)).map(|z: f64| sd * z).collect();
    series.low_pass.apply(&white)
}

/// A press that follows the plain law exactly, with these coefficients of its columns.
pub fn by_the_law(rate_hz: f64, springs: usize, shape: &KneeShape, constant: f64, k: &[f64]) -> (Series, Vec<Range<usize>>) {
    let (x, ranges) = press(rate_hz, springs);
    let n = x.len();
    let mut series = series(x, vec![constant; n], rate_hz);
    let force: Vec<f64> = {
        let c = columns(&series, shape, false);
        (0..n).map(|i| constant + c.linear.iter().zip(k).map(|(c, k)| c[i] * k).sum::<f64>()).collect()
    };
    series.force_n = force;
    (series, ranges)
}

/// Each single raw sample of white noise as the low pass smears it over `len` conditioned ones: noise is a sum of these.
pub fn smears(series: &Series) -> Vec<Vec<f64>> {
    let (n, margin) = (series.displacement_mm.len(), (2.0 * series.rate_hz / CUTOFF_HZ) as usize);
    (0..n + 2 * margin)
        .map(|k| {
            let mut raw = vec![0.0; n + 4 * margin];
            raw[k + margin] = 1.0;
            series.low_pass.apply(&raw)[2 * margin..2 * margin + n].to_vec()
        })
        .collect()
}

/// Both signals of one side at 100 Hz, with noise of 0.1 N and 0.02 mm.
pub fn view<'a>(force_n: &'a [f64], x: &'a [f64], noise: &'a FilteredNoise) -> SideView<'a> {
    SideView {
        rate_hz: 100.0,
        force_n,
        displacement_mm: Some(x),
        force_noise_n: 0.1,
        displacement_noise_mm: 0.02,
        force_times_white: 1.0,
        displacement_times_white: 1.0,
        noise,
    }
}

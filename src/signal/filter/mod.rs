//! Butterworth low pass: causal sections, and the zero-phase pass that every measure is taken from.
//!
//! Coefficients come from the analogue prototype by the pre-warped bilinear transform. Each second-order section
//! has unit gain at zero frequency, so its steady state for a constant input is that constant.

use crate::error::{Error, Result};
use crate::stats::sums::dot;
use nalgebra::{Matrix4, Vector4};

/// Longest impulse response that is followed; beyond it the cut-off is absurdly low for the rate.
const MAX_RESPONSE: usize = 1 << 20;
/// The impulse response is followed until its envelope has fallen to this.
const RESPONSE_FLOOR: f64 = 1e-17;

/// Up to so many lags, each is summed up by itself.
const KNOWN_LAGS: usize = 4;

/// One section, H(z) = (b0 + b1 z⁻¹ + b2 z⁻²) / (1 + a1 z⁻¹ + a2 z⁻²), with unit gain at zero frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FilterSection {
    pub b: [f64; 3],
    /// a1 and a2; a0 is 1.
    pub a: [f64; 2],
    /// 2, or 1 for the odd section of an odd order.
    pub order: usize,
}

/// Memory of one section (transposed direct form II).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct SectionState {
    z: [f64; 2],
}

impl SectionState {
    /// The state in which a constant input `x` has been there for ever.
    pub fn steady(section: &FilterSection, x: f64) -> Self {
        let z1 = section.b[2] - section.a[1];
        let z0 = section.b[1] - section.a[0] + z1;
        SectionState { z: [z0 * x, z1 * x] }
    }

    /// Takes one sample, gives one sample.
    #[inline]
    pub fn step(&mut self, section: &FilterSection, x: f64) -> f64 {
        let y = section.b[0] * x + self.z[0];
        self.z[0] = section.b[1] * x - section.a[0] * y + self.z[1];
        self.z[1] = section.b[2] * x - section.a[1] * y;
        y
    }
}

/// A causal Butterworth low pass of any order, as a cascade of sections.
///
/// Source of the design: Butterworth S (1930), Wireless Engineer 7:536–541; bilinear transform with pre-warping as
/// in every textbook of digital filters. Checked against scipy.signal 1.17.1.
#[derive(Debug, Clone, PartialEq)]
pub struct Butterworth {
    sections: Vec<FilterSection>,
}

impl Butterworth {
    /// Low pass of `order` 1 to 12 that is −3 dB at `cutoff_hz` in one pass; `rate_hz` is the sampling rate.
    ///
    /// # Formula
    /// K = tan(π fc/fs); a pole pair at angle θ gives b = K²/D·[1, 2, 1], a = [2(K² − 1), 1 − 2K cos θ + K²]/D with
    /// D = 1 + 2K cos θ + K²; an odd order has one section of first order.
    ///
    /// # Errors
    /// [`Error::Setting`] when the order is out of range or the cut-off does not lie between 0 and half the rate.
    pub fn low_pass(order: usize, cutoff_hz: f64, rate_hz: f64) -> Result<Butterworth> {
        if !(1..=12).contains(&order) {
            return Err(Error::Setting {
                what: "order of the low pass".into(),
                found: order.to_string(),
                expected: "a whole number from 1 to 12".into(),
            });
        }
        check(cutoff_hz, rate_hz)?;
        let k = (std::f64::consts::PI * cutoff_hz / rate_hz).tan();
        let mut sections = Vec::with_capacity(order.div_ceil(2));
        if order % 2 == 1 {
            let d = 1.0 + k;
            sections.push(FilterSection {
                b: [k / d, k / d, 0.0],
                a: [(k - 1.0) / d, 0.0],
                order: 1,
            });
        }
        // Well damped pairs first, so that the sharp resonance sees an input that is already smooth.
        for pair in (0..order / 2).rev() {
            let theta = std::f64::consts::FRAC_PI_2
                - std::f64::consts::PI * (2 * pair + 1) as f64 / (2 * order) as f64;
            let damping = 2.0 * k * theta.cos();
            let d = 1.0 + damping + k * k;
            let g = k * k / d;
            sections.push(FilterSection {
                b: [g, 2.0 * g, g],
                a: [2.0 * (k * k - 1.0) / d, (1.0 - damping + k * k) / d],
                order: 2,
            });
        }
        Ok(Butterworth { sections })
    }

    /// The sections in the order they are run.
    pub fn sections(&self) -> &[FilterSection] {
        &self.sections
    }

    /// One causal pass from rest (all memory zero).
    pub fn filter(&self, y: &[f64]) -> Vec<f64> {
        let mut out = y.to_vec();
        for section in &self.sections {
            run(section, SectionState::default(), &mut out);
        }
        out
    }

    /// One causal pass that begins as if the first sample had been there for ever.
    pub fn filter_steady(&self, y: &[f64]) -> Vec<f64> {
        let mut out = y.to_vec();
        self.steady_pass(&mut out);
        out
    }

    /// Forward and backward pass (no phase shift), with odd reflection at both ends.
    ///
    /// The reflection is 3·(order + 1) samples, or all but one of a shorter input. The squared response is −6 dB at the
    /// stated cut-off: see [`LowPass`] for the corrected one.
    pub fn zero_phase(&self, y: &[f64]) -> Vec<f64> {
        let order: usize = self.sections.iter().map(|s| s.order).sum();
        let pad = padding(order, y.len());
        let mut ext = Vec::with_capacity(y.len() + 2 * pad);
        extend_odd(y, pad, &mut ext);
        self.steady_pass(&mut ext);
        ext.reverse();
        self.steady_pass(&mut ext);
        ext.reverse();
        ext[pad..pad + y.len()].to_vec()
    }

    fn steady_pass(&self, y: &mut [f64]) {
        let Some(&first) = y.first() else { return };
        for section in &self.sections {
            run(section, SectionState::steady(section, first), y);
        }
    }
}

fn run(section: &FilterSection, mut state: SectionState, y: &mut [f64]) {
    for v in y {
        *v = state.step(section, *v);
    }
}

fn check(cutoff_hz: f64, rate_hz: f64) -> Result<()> {
    if cutoff_hz > 0.0 && cutoff_hz < rate_hz / 2.0 && rate_hz.is_finite() {
        return Ok(());
    }
    Err(Error::Setting {
        what: "cut-off of the low pass".into(),
        found: format!("{cutoff_hz} Hz at a rate of {rate_hz} Hz"),
        expected: "more than 0 and less than half the rate".into(),
    })
}

fn padding(order: usize, len: usize) -> usize {
    (3 * (order + 1)).min(len.saturating_sub(1))
}

/// Continues `y` by `pad` samples on either side, turned about its end points: 2·y₀ − y_k. Needs `pad` < length.
fn extend_odd(y: &[f64], pad: usize, out: &mut Vec<f64>) {
    out.clear();
    let (Some(&first), Some(&last)) = (y.first(), y.last()) else {
        return;
    };
    out.extend(y[1..=pad].iter().rev().map(|v| 2.0 * first - v));
    out.extend_from_slice(y);
    out.extend(
        y[y.len() - 1 - pad..y.len() - 1]
            .iter()
            .rev()
            .map(|v| 2.0 * last - v),
    );
}

/// Second-order Butterworth run forward and backward, corrected so that **the pair** is −3 dB at the stated cut-off.
///
/// # Formula
/// C = (√2 − 1)^(1/4) = 0.8022432629, U = tan(π fc/fs)/C, f_design = (fs/π)·atan U; the pair's gain at f is
/// 1 / (1 + (tan(π f/fs)/U)⁴).
///
/// # Source
/// Winter DA, Biomechanics and Motor Control of Human Movement, 4th ed. (2009), p. 69.
///
/// ```
/// use tautpoint::signal::filter::LowPass;
/// let low_pass = LowPass::zero_phase(10.0, 1000.0)?;
/// assert!((low_pass.design_hz() - 12.4627772837).abs() < 1e-9);
/// assert!((low_pass.gain(10.0) - 0.5_f64.sqrt()).abs() < 1e-12);
/// # Ok::<(), tautpoint::error::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct LowPass {
    section: FilterSection,
    cutoff_hz: f64,
    rate_hz: f64,
}

impl LowPass {
    /// Designs the pair for a cut-off and a sampling rate, both in Hz.
    ///
    /// # Errors
    /// [`Error::Setting`] when the cut-off does not lie between 0 and half the rate.
    pub fn zero_phase(cutoff_hz: f64, rate_hz: f64) -> Result<LowPass> {
        check(cutoff_hz, rate_hz)?;
        let design = design_hz(cutoff_hz, rate_hz);
        let single = Butterworth::low_pass(2, design, rate_hz)?;
        Ok(LowPass {
            section: single.sections[0],
            cutoff_hz,
            rate_hz,
        })
    }

    /// Sampling rate it was designed for, in Hz.
    pub fn rate_hz(&self) -> f64 {
        self.rate_hz
    }

    /// The −3 dB frequency of one pass, in Hz.
    pub fn design_hz(&self) -> f64 {
        design_hz(self.cutoff_hz, self.rate_hz)
    }

    /// The section that is run both ways.
    pub fn section(&self) -> &FilterSection {
        &self.section
    }

    /// Gain of the pair at a frequency in Hz (0 to half the rate).
    pub fn gain(&self, frequency_hz: f64) -> f64 {
        let u = (std::f64::consts::PI * self.design_hz() / self.rate_hz).tan();
        let r = (std::f64::consts::PI * frequency_hz / self.rate_hz).tan() / u;
        1.0 / (1.0 + r.powi(4))
    }

    /// Filters a series; the result is as long as `y`. Every sample must be finite: one NaN spoils all.
    pub fn apply(&self, y: &[f64]) -> Vec<f64> {
        let mut out = Vec::new();
        self.apply_into(y, &mut out, &mut Vec::new());
        out
    }

    /// As [`LowPass::apply`] for several series of one length at once, with the same bits: each sample waits for the one
    /// before it, and meanwhile the others can be worked on.
    pub fn apply_all<const N: usize>(&self, series: [&[f64]; N]) -> [Vec<f64>; N] {
        let len = series.first().map_or(0, |y| y.len());
        if series.iter().any(|y| y.len() != len) {
            return series.map(|y| self.apply(y));
        }
        let pad = padding(2, len);
        let mut all = vec![[0.0; N]; if len == 0 { 0 } else { len + 2 * pad }];
        let mut one = Vec::new();
        for (k, y) in series.into_iter().enumerate() {
            extend_odd(y, pad, &mut one);
            for (each, v) in all.iter_mut().zip(&one) {
                each[k] = *v;
            }
        }
        self.pass_all(&mut all, Way::Forward);
        self.pass_all(&mut all, Way::Backward);
        let inner = all.get(pad..pad + len).unwrap_or_default();
        std::array::from_fn(|k| inner.iter().map(|each| each[k]).collect())
    }

    /// Both passes count for themselves: tests are built with little optimisation, where each step of an iterator is a call.
    fn pass_all<const N: usize>(&self, samples: &mut [[f64; N]], way: Way) {
        let FilterSection {
            b: [b0, b1, b2],
            a: [a1, a2],
            ..
        } = self.section;
        let n = samples.len();
        if n == 0 {
            return;
        }
        let x0 = samples[way.place(0, n)];
        let (mut x1, mut x2, mut y1, mut y2) = (x0, x0, x0, x0);
        let mut i = 0;
        while i < n {
            let at = way.place(i, n);
            let x = samples[at];
            let mut y = x;
            let mut k = 0;
            while k < N {
                y[k] = (b0 * x[k] + b1 * x1[k] + b2 * x2[k] - a2 * y2[k]) - a1 * y1[k];
                k += 1;
            }
            samples[at] = y;
            (x2, x1, y2, y1) = (x1, x, y1, y);
            i += 1;
        }
    }

    /// As [`LowPass::apply`], into vectors whose memory is used again.
    ///
    /// The ends are continued by odd reflection over 9 samples, or all but one of a shorter input.
    pub fn apply_into(&self, y: &[f64], out: &mut Vec<f64>, scratch: &mut Vec<f64>) {
        out.clear();
        let pad = padding(2, y.len());
        extend_odd(y, pad, scratch);
        self.pass(scratch, Way::Forward);
        self.pass(scratch, Way::Backward);
        out.extend_from_slice(&scratch[pad..pad + y.len()]);
    }

    /// One pass in direct form I: its chain of dependent operations is a third shorter than the transposed form's.
    fn pass(&self, samples: &mut [f64], way: Way) {
        let FilterSection {
            b: [b0, b1, b2],
            a: [a1, a2],
            ..
        } = self.section;
        let n = samples.len();
        if n == 0 {
            return;
        }
        // Before its first sample the input is that sample, and so is the output: the steady state.
        let x0 = samples[way.place(0, n)];
        let (mut x1, mut x2, mut y1, mut y2) = (x0, x0, x0, x0);
        let mut i = 0;
        while i < n {
            let at = way.place(i, n);
            let x = samples[at];
            let y = (b0 * x + b1 * x1 + b2 * x2 - a2 * y2) - a1 * y1;
            (x2, x1, y2, y1) = (x1, x, y1, y);
            samples[at] = y;
            i += 1;
        }
    }

    /// The right half of the pair's impulse response, h₀ first; the left half mirrors it.
    pub fn impulse_response(&self) -> Vec<f64> {
        let radius = self.section.a[1].max(0.0).sqrt();
        let len = if radius < 1e-4 {
            8
        } else {
            ((RESPONSE_FLOOR.ln() / radius.ln()).ceil() as usize + 8).min(MAX_RESPONSE)
        };
        let mut y = vec![0.0; len];
        y[0] = 1.0;
        run(&self.section, SectionState::default(), &mut y);
        // Backward pass from far right, where the forward response has died; it goes on left of zero, but symmetric.
        y.reverse();
        run(&self.section, SectionState::default(), &mut y);
        y.reverse();
        y
    }

    /// Standard deviation out over standard deviation in, for white noise: √(Σ h²).
    pub fn noise_gain(&self) -> f64 {
        let h = self.impulse_response();
        let side: f64 = h.iter().skip(1).map(|v| v * v).sum();
        (h.first().map_or(0.0, |v| v * v) + 2.0 * side).sqrt()
    }

    /// Autocovariance of filtered white noise of variance 1, at lags 0 to `lags` samples (`lags` + 1 values).
    ///
    /// # Formula
    /// r(0) is the sum over the impulse response. From lag 1 on the pair's poles ρ·e^(±iθ), each of them twice, ring on by themselves:
    /// r(k) = ρᵏ·[(A + B·k)·cos kθ + (C + D·k)·sin kθ], through the sums at four lags half a radian apart.
    pub fn autocovariance(&self, lags: usize) -> Vec<f64> {
        let right = self.impulse_response();
        let whole: Vec<f64> = right.iter().skip(1).rev().chain(&right).copied().collect();
        let at = |lag: usize| dot(&whole, whole.get(lag..).unwrap_or_default());
        let [a1, a2] = self.section.a;
        let radius = a2.max(0.0).sqrt();
        let angle = (-0.5 * a1 / radius).acos();
        let apart = (0.5 / angle).round().max(1.0);
        if lags <= KNOWN_LAGS || !apart.is_finite() {
            return (0..=lags).map(at).collect();
        }
        let ringing = |k: f64| {
            let (sin, cos) = (k * angle).sin_cos();
            Vector4::new(cos, k / apart * cos, sin, k / apart * sin) * radius.powf(k)
        };
        let known = [1.0, 2.0, 3.0, 4.0].map(|n| n * apart);
        let system = Matrix4::from_rows(&known.map(|k| ringing(k).transpose()));
        let right = Vector4::from(known.map(|k| at(k as usize)));
        match system.lu().solve(&right) {
            Some(shares) => std::iter::once(at(0)).chain((1..=lags).map(|k| ringing(k as f64).dot(&shares))).collect(),
            None => (0..=lags).map(at).collect(),
        }
    }
}

/// Which way a pass goes.
#[derive(Clone, Copy)]
enum Way {
    Forward,
    Backward,
}

impl Way {
    /// Where the `i`-th of `n` samples stands.
    #[inline(always)]
    fn place(self, i: usize, n: usize) -> usize {
        match self {
            Way::Forward => i,
            Way::Backward => n - 1 - i,
        }
    }
}

fn design_hz(cutoff_hz: f64, rate_hz: f64) -> f64 {
    let c = (std::f64::consts::SQRT_2 - 1.0).powf(0.25);
    let u = (std::f64::consts::PI * cutoff_hz / rate_hz).tan() / c;
    rate_hz / std::f64::consts::PI * u.atan()
}

#[cfg(test)]
mod tests;

//! Tissue, hands and sensors that the law of the whole-trace fit (METHODS.md §4.2) does not describe, with known truth.
//!
//! Kept apart from the fit: nothing here is used by it, and the curves are written anew, so that a slip in one does not
//! hide in the other. Ranges are invented to be plausible for a back under a hand; sources of the laws stand with them.

use super::recording::{ExtraColumns, FineSide, record};
use super::resting_curve::RestingCurve;
use super::unmodelled_press::UnmodelledPress;
use super::{Elastic, Examiner, Rng, Simulated, Tissue, Truth, quantise};

/// Streams of a seed: what is drawn, how the hand moves, and noise that is not white.
const DRAW: u64 = 21;
const MOVEMENT: u64 = 22;
const COLOURED: u64 = 23;

/// A way in which a press can differ from the fitted law.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum UnmodelledLaw {
    /// The toe is a·x^1.5, then a line of the same slope.
    PowerToe,
    /// The toe is a·x², then a line of the same slope.
    SquareToe,
    /// The toe is an exponential, then a line of the same slope.
    ExponentialToe,
    /// The toe is two lines, the second twice as steep.
    BentToe,
    /// Three lines: toe, a middle region, end.
    TwoKnees,
    /// Beyond the onset the slope goes on rising.
    StiffeningEnd,
    /// Quasi-linear viscoelasticity with an even spectrum of relaxation times (Fung 1993, Biomechanics, section 7.6).
    QuasiLinear,
    /// Two relaxation times.
    TwoTimes,
    /// Hysteresis that does not hang on speed (Dahl 1976, AIAA J 14:1675-1682).
    RateFreeHysteresis,
    /// Damping that grows with depth.
    DeepeningDamping,
    /// Every spring leaves the tissue softer.
    SofteningSprings,
    /// Something that gives lies between sensor and tissue.
    SeriesCompliance,
    /// The contact slides by about a millimetre while it is held.
    Slip,
    /// Muscle tightens after the first spring.
    Guarding,
    /// The trunk rises and falls under the hand.
    Breathing,
    /// The pulse is felt in the force.
    HeartBeat,
    /// 1/f noise and mains hum on both sensors.
    PinkNoise,
    /// Sensors that resolve half a newton and a tenth of a millimetre.
    CoarseSensors,
    /// The hand comes down from above and lands at speed.
    Landing,
    /// A lean of some ten seconds.
    SlowLean,
    /// Springs of half a millimetre.
    SmallSprings,
}

impl UnmodelledLaw {
    /// Every one.
    pub const ALL: [UnmodelledLaw; 21] = [
        UnmodelledLaw::PowerToe,
        UnmodelledLaw::SquareToe,
        UnmodelledLaw::ExponentialToe,
        UnmodelledLaw::BentToe,
        UnmodelledLaw::TwoKnees,
        UnmodelledLaw::StiffeningEnd,
        UnmodelledLaw::QuasiLinear,
        UnmodelledLaw::TwoTimes,
        UnmodelledLaw::RateFreeHysteresis,
        UnmodelledLaw::DeepeningDamping,
        UnmodelledLaw::SofteningSprings,
        UnmodelledLaw::SeriesCompliance,
        UnmodelledLaw::Slip,
        UnmodelledLaw::Guarding,
        UnmodelledLaw::Breathing,
        UnmodelledLaw::HeartBeat,
        UnmodelledLaw::PinkNoise,
        UnmodelledLaw::CoarseSensors,
        UnmodelledLaw::Landing,
        UnmodelledLaw::SlowLean,
        UnmodelledLaw::SmallSprings,
    ];

    /// What tables call it.
    pub fn word(self) -> &'static str {
        match self {
            UnmodelledLaw::PowerToe => "power-toe",
            UnmodelledLaw::SquareToe => "square-toe",
            UnmodelledLaw::ExponentialToe => "exponential-toe",
            UnmodelledLaw::BentToe => "bent-toe",
            UnmodelledLaw::TwoKnees => "two-knees",
            UnmodelledLaw::StiffeningEnd => "stiffening-end",
            UnmodelledLaw::QuasiLinear => "quasi-linear",
            UnmodelledLaw::TwoTimes => "two-times",
            UnmodelledLaw::RateFreeHysteresis => "rate-free-hysteresis",
            UnmodelledLaw::DeepeningDamping => "deepening-damping",
            UnmodelledLaw::SofteningSprings => "softening-springs",
            UnmodelledLaw::SeriesCompliance => "series-compliance",
            UnmodelledLaw::Slip => "slip",
            UnmodelledLaw::Guarding => "guarding",
            UnmodelledLaw::Breathing => "breathing-trunk",
            UnmodelledLaw::HeartBeat => "heart-beat",
            UnmodelledLaw::PinkNoise => "pink-noise",
            UnmodelledLaw::CoarseSensors => "coarse-sensors",
            UnmodelledLaw::Landing => "landing",
            UnmodelledLaw::SlowLean => "slow-lean",
            UnmodelledLaw::SmallSprings => "small-springs",
        }
    }

    /// Whether the take-up is a line with damping from first contact on, so that first contact is where the tissue begins.
    pub fn begins_as_a_line(self) -> bool {
        match self {
            UnmodelledLaw::TwoKnees
            | UnmodelledLaw::StiffeningEnd
            | UnmodelledLaw::SofteningSprings
            | UnmodelledLaw::Slip
            | UnmodelledLaw::Guarding
            | UnmodelledLaw::PinkNoise
            | UnmodelledLaw::CoarseSensors
            | UnmodelledLaw::Landing
            | UnmodelledLaw::SlowLean
            | UnmodelledLaw::SmallSprings => true,
            UnmodelledLaw::PowerToe
            | UnmodelledLaw::SquareToe
            | UnmodelledLaw::ExponentialToe
            | UnmodelledLaw::BentToe
            | UnmodelledLaw::QuasiLinear
            | UnmodelledLaw::TwoTimes
            | UnmodelledLaw::RateFreeHysteresis
            | UnmodelledLaw::DeepeningDamping
            | UnmodelledLaw::SeriesCompliance
            | UnmodelledLaw::Breathing
            | UnmodelledLaw::HeartBeat => false,
        }
    }

    /// One trace of this kind with its truth: onset, slopes and damping by METHODS.md §4.2 from the curve at rest.
    pub fn simulate(self, seed: u64) -> Simulated {
        self.simulate_again(seed, seed, PressChange::default())
    }

    /// Another press on the tissue and by the hand that one seed draws, changed; the other seed draws movement and noise.
    pub fn simulate_again(self, drawn_by: u64, seed: u64, change: PressChange) -> Simulated {
        let mut press = self.draw(&mut Rng::stream(drawn_by, DRAW), change.times_as_stiff);
        press.examiner.preload_beyond_onset_mm += change.deeper_mm;
        let step_s = press.sensor.fine_step_s();
        let reached = press.gap_mm + press.known.onset_mm;
        let movement = press.examiner.movement(reached, &mut Rng::stream(seed, MOVEMENT));
        let mut path = movement.sample(step_s);
        let force_n = press.forces_n(&mut path, step_s);
        let known = &press.known;
        let as_lines = Tissue {
            elastic: Elastic::Knee {
                take_up_n_per_mm: known.toe_n_per_mm,
                end_feel_n_per_mm: known.end_n_per_mm,
                onset_mm: reached,
                width_mm: 0.0,
            },
            damping_n_s_per_mm: press.damping,
            ..Tissue::default()
        };
        let truth = Truth::of(&as_lines, &path, &force_n, step_s);
        let side = FineSide {
            x_mm: path.x_mm,
            force_n,
        };
        let (mut trace, noise_free) = record(&[side], false, &press.sensor, ExtraColumns::default(), seed);
        if self == UnmodelledLaw::PinkNoise {
            let mut noise = Rng::stream(seed, COLOURED);
            for channel in &mut trace.channels {
                let rate_hz = press.sensor.rate_hz;
                add_coloured(&mut channel.force_n, [0.3, 0.3], rate_hz, 0.01, &mut noise);
                if let Some(x) = &mut channel.displacement_mm {
                    add_coloured(x, [0.015, 0.01], rate_hz, 0.001, &mut noise);
                }
            }
        }
        Simulated {
            trace,
            noise_free,
            truth,
        }
    }

    fn draw(self, rng: &mut Rng, stiffer: f64) -> UnmodelledPress {
        let (toe, end) = (stiffer * rng.between(0.8, 3.0), stiffer * rng.between(7.0, 16.0));
        let (onset_mm, width_mm) = (rng.between(5.0, 11.0), rng.between(0.08, 0.25));
        let mut press = UnmodelledPress::plain(toe, end, onset_mm, width_mm);
        press.damping = stiffer * rng.between(0.08, 0.25);
        press.examiner = Examiner::drawn(rng);
        match self {
            UnmodelledLaw::PowerToe => press.set_curve(RestingCurve::power(1.5, onset_mm, end)),
            UnmodelledLaw::SquareToe => press.set_curve(RestingCurve::power(2.0, onset_mm, end)),
            UnmodelledLaw::ExponentialToe => press.set_curve(RestingCurve::Exponential {
                rate_per_mm: rng.between(0.25, 0.5),
                end_mm: onset_mm,
                slope: end,
            }),
            UnmodelledLaw::BentToe => press.set_curve(RestingCurve::Lines {
                slopes: [0.7 * toe, 1.4 * toe, end],
                bends_mm: [rng.between(0.4, 0.6) * onset_mm, onset_mm],
                toe_is_first: false,
            }),
            UnmodelledLaw::TwoKnees => press.set_curve(RestingCurve::Lines {
                slopes: [toe, rng.between(0.35, 0.6) * end + 0.3 * toe, end],
                bends_mm: [onset_mm, onset_mm + rng.between(0.6, 1.4)],
                toe_is_first: true,
            }),
            UnmodelledLaw::StiffeningEnd => press.stiffening_per_mm = rng.between(0.03, 0.1),
            UnmodelledLaw::QuasiLinear => {
                let strength = rng.between(0.04, 0.1);
                press.relaxation = [0.05, 0.125, 0.3, 0.8, 2.0, 5.0].map(|t| (t, strength)).to_vec();
            }
            UnmodelledLaw::TwoTimes => {
                press.relaxation = vec![(rng.between(0.1, 0.3), 0.15), (rng.between(1.0, 3.0), 0.15)];
            }
            UnmodelledLaw::RateFreeHysteresis => {
                press.hysteresis = Some((rng.between(1.0, 4.0), rng.between(0.15, 0.4)));
            }
            UnmodelledLaw::DeepeningDamping => press.damping_deepens = true,
            UnmodelledLaw::SofteningSprings => {
                press.softening = rng.between(0.03, 0.08);
                // Springs share the loss evenly: what a fit over all of them can find is their mean.
                let mean = 1.0 - press.softening * (f64::from(press.examiner.springs) - 1.0) / 2.0;
                press.known.end_n_per_mm *= mean;
            }
            UnmodelledLaw::SeriesCompliance => press.in_series(rng.between(15.0, 40.0)),
            UnmodelledLaw::Slip => press.slip_mm = rng.between(0.5, 1.5),
            UnmodelledLaw::Guarding => {
                let share = rng.between(0.1, 0.25);
                press.guarding = Some((rng.between(4.0, 10.0), share));
                // All springs but the first meet the tightened tissue.
                let springs = f64::from(press.examiner.springs);
                press.known.end_n_per_mm *= 1.0 + share * (springs - 1.0) / springs;
            }
            UnmodelledLaw::Breathing => press.breathing_mm = rng.between(0.3, 0.8),
            UnmodelledLaw::HeartBeat => press.pulse_n = rng.between(0.5, 1.5),
            UnmodelledLaw::PinkNoise => {
                press.sensor.force_noise_n = 0.1;
                press.sensor.displacement_noise_mm = 0.005;
            }
            UnmodelledLaw::CoarseSensors => {
                press.sensor.force_resolution_n = 0.5;
                press.sensor.displacement_resolution_mm = 0.1;
                press.sensor.force_noise_n = 0.1;
                press.sensor.displacement_noise_mm = 0.01;
            }
            UnmodelledLaw::Landing => {
                press.gap_mm = rng.between(5.0, 12.0);
                press.examiner.lean_s = rng.between(0.7, 1.2);
            }
            UnmodelledLaw::SlowLean => press.examiner.lean_s = rng.between(8.0, 12.0),
            UnmodelledLaw::SmallSprings => press.examiner.excursion_mm = rng.between(0.45, 0.6),
        }
        press
    }
}

/// How a press differs from another one on the same tissue.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PressChange {
    /// Slopes and damping of the tissue are so many times as high.
    pub times_as_stiff: f64,
    /// The hand goes so much deeper, springs and all.
    pub deeper_mm: f64,
}

impl Default for PressChange {
    fn default() -> Self {
        PressChange { times_as_stiff: 1.0, deeper_mm: 0.0 }
    }
}

/// Adds noise whose power falls as 1/f from 0.1 Hz to a quarter of the rate, as a sum of first-order noises an octave apart
/// (van der Ziel 1950, Physica 16:359-372), and mains hum; `sizes` are the standard deviation and the hum's amplitude.
fn add_coloured(values: &mut [f64], sizes: [f64; 2], rate_hz: f64, resolution: f64, rng: &mut Rng) {
    let octaves = (libm::log2(0.25 * rate_hz / 0.1)).max(1.0) as i32;
    let each = sizes[0] / f64::from(octaves).sqrt();
    let turn = 2.0 * std::f64::consts::PI;
    let keep: Vec<f64> = (0..octaves)
        .map(|k| libm::exp(-turn * 0.1 * libm::pow(2.0, f64::from(k)) / rate_hz))
        .collect();
    let mut now: Vec<f64> = keep.iter().map(|_| each * rng.normal()).collect();
    let phase = turn * rng.uniform();
    for (i, value) in values.iter_mut().enumerate() {
        for (state, keep) in now.iter_mut().zip(&keep) {
            *state = keep * *state + each * (1.0 - keep * keep).sqrt() * rng.normal();
        }
        let hum = sizes[1] * libm::sin(phase + turn * 50.0 * i as f64 / rate_hz);
        *value = quantise(*value + now.iter().sum::<f64>() + hum, resolution);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_law_gives_a_press_with_its_springs_and_the_same_one_again() {
        for law in UnmodelledLaw::ALL {
            let made = law.simulate(3);
            assert_eq!(made.trace, law.simulate(3).trace, "{}", law.word());
            let truth = &made.truth;
            assert!(truth.crossed() && truth.springs.len() >= 3, "{}: {truth:?}", law.word());
            assert!(truth.peak_n > 20.0 && truth.peak_n < 250.0, "{}: {}", law.word(), truth.peak_n);
            let force = &made.noise_free.channels[0].force_n;
            assert!(force.iter().all(|f| f.is_finite() && *f >= 0.0), "{}", law.word());
        }
    }

    #[test]
    fn noise_that_falls_as_one_over_f_has_equal_power_in_every_octave() {
        let mut values = vec![0.0; 1 << 16];
        add_coloured(&mut values, [1.0, 0.0], 1000.0, 0.0, &mut Rng::new(5));
        // Haar differences over doubling lengths: their variance is the same where power falls as 1/f.
        let variance = |length: usize| {
            let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
            let steps: Vec<f64> = values
                .chunks_exact(2 * length)
                .map(|c| mean(&c[length..]) - mean(&c[..length]))
                .collect();
            steps.iter().map(|d| d * d).sum::<f64>() / steps.len() as f64
        };
        let ratio = variance(256) / variance(16);
        assert!((0.6..1.6).contains(&ratio), "{ratio}");
    }
}

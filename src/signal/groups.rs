//! The measures of one test by groups: springs, force, take-up, hold, zero (METHODS.md §3).

use super::contact::{ZeroedSide, overlapping};
use super::first_contact::{FirstContact, LeanOn};
use super::limb_starts::read_peak;
use super::limbs::{Between, slope_between};
use super::onset::OnsetFinding;
use super::short_peak::short_peak;
use super::springs::SpringMeasures;
use super::uncertainty::{Sources, mean_over_springs, single};
use super::view::{SideView, UncertainValue};
use super::zero::ZeroAround;
use crate::columns::Measure;
use crate::stats::moments::median_in_place;
use crate::trace::{DropCause, Measured, Measures, Note, Spring, UncertaintySource as Source};
use std::ops::Range;

/// Preload is the median force over this long before the first loading limb.
const PRELOAD_S: f64 = 0.3;
/// The lowest force between springs is a mean over this long.
const BETWEEN_S: f64 = 0.05;
/// The hold begins where this share of the lean is done.
const HELD_SHARE: f64 = 0.95;
/// How fast the lean still goes where the hold begins is looked at over so many samples to either side.
const EDGE_SAMPLES: usize = 5;
/// Shortest hold whose steadiness is reported, in s.
const SHORTEST_HOLD_S: f64 = 0.3;
/// What the groups of measures below share.
pub struct MeasureContext<'a> {
    pub view: SideView<'a>,
    pub contact: Range<usize>,
    pub lean_end: usize,
    pub sources: Sources,
    pub onset: &'a OnsetFinding,
}

impl MeasureContext<'_> {
    /// Means over the counted springs.
    pub fn springs(&self, kept: &[&SpringMeasures], springs: &[Spring], out: &mut Measures) {
        let mut mean = |measure: Measure, part: &dyn Fn(&SpringMeasures) -> Option<UncertainValue>| {
            let parts: Vec<UncertainValue> = kept.iter().filter_map(|m| part(m)).collect();
            if let Some(m) = mean_over_springs(&parts, &self.sources) {
                out.set(measure, m);
            }
        };
        mean(Measure::SpringPeak, &|m| Some(m.peak_force));
        mean(Measure::Excursion, &|m| m.excursion);
        mean(Measure::EndFeel, &|m| m.end_feel);
        mean(Measure::Secant, &|m| m.secant);
        mean(Measure::Loss, &|m| m.loss);
        mean(Measure::LossRatio, &|m| m.loss_ratio);
        mean(Measure::RecoilRatio, &|m| m.recoil_ratio);
        mean(Measure::TimeToPeak, &|m| m.time_to_peak);
        // The zero cancels between a spring's peak and what it started from.
        mean(Measure::ForceAmplitude, &|m| Some(m.peak_force - m.preload));
        let peaks: Vec<f64> = springs.iter().map(|s| s.peak_s).collect();
        if let (Some(first), Some(last), true) = (peaks.first(), peaks.last(), peaks.len() > 1) {
            let (n, span) = ((peaks.len() - 1) as f64, last - first);
            let sd = kept.first().map_or(0.0, |m| m.peak_time_sd_s) * 2.0_f64.sqrt();
            let rate = n / span;
            let noise = Source::PeakTimeNoise.line(rate * sd / span, self.sources.noise_df);
            out.set(Measure::SpringRate, Measured::new(rate, [noise]));
        }
    }

    /// Peak and preload.
    pub fn force(
        &self,
        own: &ZeroedSide,
        measured: &[SpringMeasures],
        springs: &[Spring],
        out: &mut Measures,
        notes: &mut Vec<Note>,
    ) {
        let v = &self.view;
        let saturated = overlapping(&own.signals.saturated, &self.contact)
            .next()
            .is_some();
        if !saturated && let Some(p) = read_peak(v.force_n, self.contact.start, self.contact.end, v.rate_hz) {
            let bias = v.peak_noise_bias(v.force_n, p.index, v.force_noise_n / v.force_times_white);
            let peak = match short_peak(&[own], self.contact.clone(), v.rate_hz, p.value) {
                Some(short) => UncertainValue::force(short.value_n, short.sd_n),
                None => UncertainValue::force(p.value - bias, v.noise.sample_sd(v.force_noise_n)),
            };
            out.set(Measure::Peak, single(peak, &self.sources));
        }
        let at_limit = |s: &Spring| matches!(s.dropped, Some(DropCause::FlatTop | DropCause::DisplacementStopped));
        if springs.iter().any(at_limit) && springs.iter().all(|s| s.dropped.is_some()) {
            notes.push(Note::NothingLeft);
        }
        if let Some(preload) = self.preload(measured) {
            out.set(Measure::Preload, single(preload, &self.sources));
        }
        if let Some(lowest) = self.between_springs(measured) {
            out.set(Measure::BetweenSprings, single(lowest, &self.sources));
        }
    }

    /// Lowest force between the first spring's peak and the last's, each as a mean over 0.05 s, so that no single
    /// sample decides.
    fn between_springs(&self, measured: &[SpringMeasures]) -> Option<UncertainValue> {
        let v = &self.view;
        let (first, last) = (measured.first()?, measured.last()?);
        let between = v.force_n.get(first.shape.peak.index..last.shape.peak.index)?;
        let n = ((BETWEEN_S * v.rate_hz).round() as usize).max(1);
        let (first, rest) = between.split_at_checked(n)?;
        let mut sum: f64 = first.iter().sum();
        let mut lowest = sum;
        for (new, old) in rest.iter().zip(between) {
            sum += new - old;
            lowest = lowest.min(sum);
        }
        let value = lowest / n as f64;
        // As much again for the lowest of many stretches: among noisy ones it is a little too low.
        let sd = v.noise.combination_sd(v.force_noise_n, &vec![1.0 / n as f64; n]);
        Some(UncertainValue::force(value, 2.0_f64.sqrt() * sd))
    }

    /// Median force over the last 0.3 s before the first loading limb.
    fn preload(&self, measured: &[SpringMeasures]) -> Option<UncertainValue> {
        measured.first()?;
        let v = &self.view;
        let from = self
            .lean_end
            .saturating_sub((PRELOAD_S * v.rate_hz) as usize)
            .max(self.contact.start);
        let mut part = v.force_n.get(from..=self.lean_end)?.to_vec();
        let value = median_in_place(&mut part)?;
        let sd = v
            .noise
            .median_of_moving_sd(v.force_noise_n, &v.force_n[from..=self.lean_end], value);
        Some(UncertainValue::force(value, sd))
    }

    /// Onset, take-up and what is read off the way in. `kept` are the counted springs, `first` the one that the
    /// lean ends on, when it may be used.
    pub fn take_up(
        &self,
        kept: &[&SpringMeasures],
        first: Option<&SpringMeasures>,
        window_n: [f64; 2],
        out: &mut Measures,
    ) {
        let o = self.onset;
        for (measure, value) in [
            (Measure::Onset, &o.onset),
            (Measure::OnsetForce, &o.onset_force),
            (Measure::TakeUp, &o.take_up),
            (Measure::FittedEndFeel, &o.fitted_end_feel),
            (Measure::Damping, &o.damping),
        ] {
            if let Some(m) = value {
                out.set(measure, m.clone());
            }
        }
        let Some(x) = self.view.displacement_mm else {
            return;
        };
        let lean = self.lean_on(x);
        let contact = lean.first_contact();
        if let (Some(onset), Some(contact)) = (&o.onset, contact) {
            out.set(Measure::OnsetTravel, self.travel(onset, contact));
        }
        if let (Some(contact), Some(at30)) = (contact, lean.crossing(30.0)) {
            let travel = single(at30 - contact.mm, &self.sources);
            let by_law = Source::ContactLaw.line(contact.by_law, f64::INFINITY);
            let lines = travel.budget.iter().copied().chain([by_law]);
            out.set(Measure::DisplacementAt30N, Measured::new(travel.estimate.value, lines));
        }
        if let Some(k) = self.window(x, kept, first, window_n) {
            out.set(Measure::Window, single(k, &self.sources));
        }
    }

    fn lean_on<'b>(&'b self, displacement_mm: &'b [f64]) -> LeanOn<'b> {
        LeanOn {
            view: &self.view,
            displacement_mm,
            begin: self.contact.start,
            end: self.lean_end,
            fitted: self.onset.first_contact,
        }
    }

    fn travel(&self, onset: &Measured, contact: FirstContact) -> Measured {
        let FirstContact { mm: contact_mm, by_law } = contact;
        let df = self.sources.noise_df;
        let zero = (contact_mm.per_zero_n * self.sources.zero_sd_n).abs();
        let at_contact = [
            Source::ContactForceNoise.line(contact_mm.from_force, df),
            Source::ContactDisplacementNoise.line(contact_mm.from_displacement, df),
            Source::ContactForceZero.line(zero, df),
            Source::ContactLaw.line(by_law, f64::INFINITY),
        ];
        let lines = onset.budget.iter().copied().chain(at_contact);
        Measured::new(onset.estimate.value - contact_mm.value, lines)
    }

    /// Slope between two fixed loads on the way in: the first counted spring's loading limb that covers both,
    /// else the lean and the limb that it ends on together.
    fn window(
        &self,
        x: &[f64],
        kept: &[&SpringMeasures],
        first: Option<&SpringMeasures>,
        [low, high]: [f64; 2],
    ) -> Option<UncertainValue> {
        let v = &self.view;
        let f = v.force_n;
        let at_loads = |limb: &Range<usize>, [low, high]: [f64; 2]| {
            let between = Between {
                limb: limb.clone(),
                key: f,
                low,
                high,
            };
            slope_between(v, x, &between)
        };
        // Noise also decides where the limb passes the loads, and a push that bends there has another slope for it.
        let sd_n = v.noise.sample_sd(v.force_noise_n);
        let slope = |limb: Range<usize>| {
            let moved = |loads: [[f64; 2]; 2]| {
                let [less, more] = loads.map(|by| at_loads(&limb, [low + by[0], high + by[1]]));
                less.zip(more).map_or(0.0, |(less, more)| (more.value - less.value) / 2.0)
            };
            let passing = moved([[-sd_n, 0.0], [sd_n, 0.0]]).hypot(moved([[0.0, -sd_n], [0.0, sd_n]]));
            let mut slope = at_loads(&limb, [low, high])?;
            slope.from_force = slope.from_force.hypot(passing);
            Some(slope)
        };
        for m in kept {
            // The whole limb, from the end of the rest: its limb start is already 5 % up.
            let before = m.shape.before;
            let start = before.rest.map_or(before.lowest, |(_, last)| last);
            let limb = start..m.shape.peak.index;
            match limb.clone().find(|i| f[*i] > high) {
                Some(end) if f[start] <= low => return slope(limb.start..end + 1),
                _ => {}
            }
        }
        let first = first?;
        let whole = self.contact.start..first.shape.peak.index;
        if f[whole.start] > low || f[whole.end] < high {
            return None;
        }
        slope(whole)
    }

    pub fn zero(&self, around: Option<ZeroAround>, out: &mut Measures) {
        if let Some((drift, sd)) = around.and_then(|z| z.drift_n) {
            let noise = Source::ForceNoise.line(sd, self.sources.noise_df);
            out.set(Measure::ZeroDrift, Measured::new(drift, [noise]));
        }
    }

    /// Steadiness over the hold before the first spring; gives the hold.
    pub fn hold(&self, measured: &[SpringMeasures], removed: &[usize], out: &mut Measures) -> Option<Range<usize>> {
        let first = measured.first()?;
        let v = &self.view;
        let (y, base) = match v.displacement_mm {
            Some(x) => (x, x[self.contact.start]),
            None => (v.force_n, 0.0),
        };
        let mark = base + HELD_SHARE * (first.shape.before.level - base);
        let begin = (self.contact.start..self.lean_end).find(|i| y[*i] >= mark)?;
        let moved = removed.iter().any(|peak| (begin..self.lean_end).contains(peak));
        if moved || ((self.lean_end - begin) as f64) < SHORTEST_HOLD_S * v.rate_hz {
            return None;
        }
        let (noise, source) = match v.displacement_mm {
            Some(_) => (v.displacement_noise_mm, Source::DisplacementNoise),
            None => (v.force_noise_n, Source::ForceNoise),
        };
        // The hold begins where noise lets it, to the sample.
        let (before, after) = (begin.saturating_sub(EDGE_SAMPLES), (begin + EDGE_SAMPLES).min(y.len() - 1));
        let a_sample = (y[after] - y[before]).abs() / (after - before) as f64;
        let moves = (v.noise.sample_sd(noise) / a_sample.max(f64::MIN_POSITIVE)).hypot(1.0 / 12.0_f64.sqrt());
        out.set(
            Measure::Steadiness,
            steadiness(v, begin..self.lean_end, (moves, source), self.sources.noise_df),
        );
        Some(begin..self.lean_end)
    }
}

/// Standard deviation of force over the hold, its linear trend and the sensor's own noise taken out.
///
/// # Formula
/// √max(0, s² − σ_f²) with σ_f the filtered noise. s² moves with the noise along what is left of force beside its trend, twice over
/// and by σ_f² itself: u²(s²) is the variance of Σ 2·rᵢ·nᵢ/(n − 2) less what noise in the rᵢ adds to it, 2σ_f⁴/n', and never below that;
/// n' = independent samples. The hold may begin so many samples sooner or later: s² then loses or gains a share r₀² − s² of 1/(n − 2)
/// for each, r₀ what is left at the first.
fn steadiness(v: &SideView, hold: Range<usize>, (moves, source): (f64, Source), noise_df: f64) -> Measured {
    let f = &v.force_n[hold];
    let n = f.len() as f64;
    let (mt, mf) = ((n - 1.0) / 2.0, f.iter().sum::<f64>() / n);
    let stt = n * (n * n - 1.0) / 12.0;
    let from_mean = || f.iter().enumerate().map(|(i, f)| (i as f64 - mt, f - mf));
    let trend = from_mean().map(|(t, f)| t * f).sum::<f64>() / stt;
    let mut left: Vec<f64> = from_mean().map(|(t, f)| f - trend * t).collect();
    let df = (n - 2.0).max(1.0);
    let noise2 = v.noise.sample_sd(v.force_noise_n).powi(2);
    let seen2 = left.iter().map(|f| f * f).sum::<f64>() / df;
    let sd = (seen2 - noise2).max(0.0).sqrt();
    let by_edge = moves * (left.first().map_or(0.0, |f| f * f) - seen2).abs() / df;
    left.iter_mut().for_each(|f| *f *= 2.0 / df);
    let along = v.noise.combination_sd(v.force_noise_n, &left).powi(2);
    let of_noise = 2.0 * noise2 * noise2 / (n * v.noise.independent_share(1)).max(2.0);
    let by_noise = (along - of_noise).max(of_noise).sqrt();
    // Near zero the root is not linear: u(s) from the interval of s² instead.
    let of_root = |u2: f64| if sd > 0.0 { (u2 / (2.0 * sd)).min(u2.sqrt()) } else { u2.sqrt() };
    Measured::new(sd, [Source::ForceNoise.line(of_root(by_noise), noise_df), source.line(of_root(by_edge), noise_df)])
}

#[cfg(test)]
mod tests {
    use super::super::fit::made::{low_passed_noise, noise, press, series, view};
    use super::super::springs::{Near, measure_spring, shape};
    use super::*;

    /// A hold whose beginning is known.
    const STILL: (f64, Source) = (0.0, Source::DisplacementNoise);

    #[test]
    fn a_steady_trend_is_no_unsteadiness_and_what_sways_counts_less_the_noise() {
        let filtered = noise(100.0);
        let ramp: Vec<f64> = (0..10).map(|i| 20.0 + 0.5 * f64::from(i)).collect();
        let x = vec![0.0; 40];
        let quiet = SideView { force_noise_n: 0.0, ..view(&ramp, &x, &filtered) };
        assert!(steadiness(&quiet, 0..10, STILL, 30.0).estimate.value < 1e-9);
        let swaying: Vec<f64> = (0..40).map(|i| 20.0 + if i % 2 == 0 { 0.6 } else { -0.6 }).collect();
        let of = steadiness(&view(&swaying, &x, &filtered), 0..40, STILL, 30.0);
        let noise2 = filtered.sample_sd(0.1).powi(2);
        // Alternating signs have a trend of their own: −6·0.6/(n² − 1) a sample.
        let n = 40.0_f64;
        let trend = -6.0 * 0.6 / (n * n - 1.0);
        let seen2 = (n * 0.36 - trend * trend * n * (n * n - 1.0) / 12.0) / (n - 2.0);
        let true2 = seen2 - noise2;
        assert!((of.estimate.value / true2.sqrt() - 1.0).abs() < 1e-9, "{of:?}");
    }

    /// A hold sways slowly, and slow noise along it counts for more than as many independent samples would.
    #[test]
    fn steadiness_varies_as_said() {
        let filtered = noise(100.0);
        let x = vec![0.0; 120];
        for sway_n in [0.0, 0.05, 0.3] {
            let way: Vec<f64> = (0..120).map(|i| 20.0 + sway_n * (f64::from(i) / 19.0).sin()).collect();
            let (mut values, mut said) = (Vec::new(), 0.0);
            for seed in 0..1500 {
                let of_noise = low_passed_noise(&series(x.clone(), way.clone(), 100.0), 0.1, seed);
                let swaying: Vec<f64> = way.iter().zip(of_noise).map(|(f, e)| f + e).collect();
                let of = steadiness(&SideView { force_noise_n: 0.1, ..view(&swaying, &x, &filtered) }, 0..120, STILL, 30.0);
                values.push(of.estimate.value);
                said += of.budget.iter().map(|l| l.u * l.u).sum::<f64>();
            }
            let mean = values.iter().sum::<f64>() / 1500.0;
            let seen = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>();
            let ratio = (said / seen).sqrt();
            assert!(if sway_n > 0.0 { (0.85..1.2).contains(&ratio) } else { ratio > 0.9 }, "{sway_n}: {ratio}");
        }
    }

    #[test]
    fn a_window_without_a_spring_that_covers_it_lies_on_the_lean_and_the_limb_after_it() {
        let (x, springs) = press(100.0, 1);
        let force: Vec<f64> = x.iter().map(|x| 3.0 * (x + 0.2)).collect();
        let filtered = noise(100.0);
        let onset = OnsetFinding::default();
        let context = MeasureContext {
            view: view(&force, &x, &filtered),
            contact: 10..x.len(),
            lean_end: springs[0].start,
            sources: Sources { zero_sd_n: 0.1, noise_df: 30.0 },
            onset: &onset,
        };
        // When these cover it from below to above.
        let mark = springs[0].start + springs[0].len() / 2;
        let found = shape(&context.view, mark, Near::About, springs[0].start..x.len(), 0.1).unwrap();
        let spring = measure_spring(&context.view, found, None);
        let window = |loads: [f64; 2]| context.window(&x, &[], Some(&spring), loads).map(|w| w.value);
        let begins = force[10];
        assert!((window([begins + 1.0, 20.0]).unwrap() - 3.0).abs() < 1.0, "{:?}", window([begins + 1.0, 20.0]));
        assert_eq!(window([begins - 1.0, 20.0]), None, "the push begins above it");
        assert_eq!(window([begins + 1.0, 50.0]), None, "the push does not reach it");
    }
}

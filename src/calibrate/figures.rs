//! Repeatability, reversibility and the other named figures of a calibration.
//!
//! They are figures, not classes: the formulas are common to the standards on force measurement, the limits are theirs,
//! and no verdict is drawn.

use super::Polynomial;
use super::readings::{Reading, SensorReadings};
use std::collections::BTreeMap;

/// What a percentage is taken of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PercentOf {
    Reading,
    FullScale,
}

impl PercentOf {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            PercentOf::Reading => "of reading",
            PercentOf::FullScale => "of full scale",
        }
    }
}

/// One named figure. Either there is a value or the reason why there is none.
#[derive(Debug, Clone, PartialEq)]
pub struct CalibrationFigure {
    pub name: String,
    /// In N or mm.
    pub value: Option<f64>,
    pub percent: Option<f64>,
    pub of: PercentOf,
    /// Load where the figure is worst, in N or mm.
    pub at: Option<f64>,
    /// Why there is no value.
    pub missing: Option<String>,
}

/// Factor of the lower limit.
pub const LOWER_LIMIT_FACTOR: f64 = 2.4;
/// Without a reading at no load, a curve that starts within this share of full scale counts as starting at zero.
const TARED: f64 = 0.01;

/// Largest less smallest, in percent of the mean: how far repeated readings lie apart. `None` without two values or
/// with a mean of 0.
///
/// # Formula
/// b = 100(Xmax − Xmin)/X̄.
///
/// # Source
/// ISO 376:2011 and ISO 7500-1:2018, repeatability (from memory).
pub fn spread_percent(deflections: &[f64]) -> Option<f64> {
    let mean = crate::stats::moments::mean(deflections).ok()?;
    let (low, high) = super::polynomial::extent(deflections);
    (deflections.len() > 1 && mean != 0.0).then(|| 100.0 * (high - low) / mean.abs())
}

/// The readings as deflections: what is indicated less what is indicated under no load.
pub struct Deflections<'a> {
    readings: &'a SensorReadings,
    curve: &'a Polynomial,
    /// Indicated under no load, by run.
    zeros: BTreeMap<Option<&'a str>, f64>,
    zero: f64,
    /// Where the zero came from, when it was not read.
    pub note: Option<String>,
    loads: Vec<f64>,
    /// Deflection under the largest load.
    full: f64,
}

impl<'a> Deflections<'a> {
    /// Takes the zero of each run off: its readings at no load on the way up, else any at no load, else of other runs;
    /// with none at all, 0 when the curve starts there, else where the curve crosses no load.
    pub fn new(readings: &'a SensorReadings, curve: &'a Polynomial) -> Self {
        let loads = readings.loads();
        let unloaded: Vec<&Reading> = readings.at(0.0).collect();
        let mean = |of: &[&Reading]| of.iter().map(|r| r.indicated).sum::<f64>() / of.len() as f64;
        let best = |of: Vec<&'a Reading>| -> Option<f64> {
            let up: Vec<&Reading> = of.iter().copied().filter(|r| r.is_up()).collect();
            match (up.is_empty(), of.is_empty()) {
                (false, _) => Some(mean(&up)),
                (true, false) => Some(mean(&of)),
                (true, true) => None,
            }
        };
        let mut zeros = BTreeMap::new();
        for run in readings.readings.iter().map(|r| r.run.as_deref()) {
            let own = unloaded
                .iter()
                .copied()
                .filter(|r| r.run.as_deref() == run)
                .collect();
            if let Some(zero) = best(own) {
                zeros.insert(run, zero);
            }
        }
        let furthest = loads
            .iter()
            .copied()
            .fold(0.0, |m: f64, x| if x.abs() > m.abs() { x } else { m });
        let start = curve.coefficients[0];
        let (zero, note) = match best(unloaded.clone()) {
            Some(zero) => (zero, None),
            None if start.abs() <= TARED * (curve.at(furthest) - start).abs() => (
                0.0,
                Some("no reading at no load: deflections are taken as indicated".to_owned()),
            ),
            None => (
                start,
                Some("no reading at no load: deflections count from where the curve meets it".to_owned()),
            ),
        };
        Deflections {
            readings,
            curve,
            zeros,
            zero,
            note,
            loads,
            full: curve.at(furthest) - zero,
        }
    }

    fn of(&self, r: &Reading) -> f64 {
        r.indicated - self.zeros.get(&r.run.as_deref()).copied().unwrap_or(self.zero)
    }

    /// In N or mm, near a load.
    fn in_applied(&self, indicated: f64, load: f64) -> f64 {
        indicated / self.curve.slope(load).abs()
    }

    fn loaded(&self) -> impl Iterator<Item = f64> {
        let close = 1e-6 * self.loads.iter().fold(0.0, |m: f64, x| m.max(x.abs()));
        self.loads.iter().copied().filter(move |x| x.abs() > close)
    }

    /// All figures, in the order of a certificate.
    pub fn figures(&self) -> Vec<CalibrationFigure> {
        vec![
            self.repeatability(),
            self.reversibility(),
            self.interpolation(),
            self.zero_return(),
            self.resolution(),
            self.lower_limit(),
        ]
    }

    /// 100(Xmax − Xmin)/X̄ among readings of one load and one direction; the worst load.
    fn repeatability(&self) -> CalibrationFigure {
        let mut worst = Worst::default();
        for load in self.loaded() {
            for up in [true, false] {
                let x: Vec<f64> = self
                    .readings
                    .at(load)
                    .filter(|r| r.is_up() == up)
                    .map(|r| self.of(r))
                    .collect();
                let (low, high) = super::polynomial::extent(&x);
                worst.offer(spread_percent(&x), self.in_applied(high - low, load), load);
            }
        }
        worst.figure(
            "repeatability",
            PercentOf::Reading,
            "no load was reached twice from the same direction",
        )
    }

    /// Mean over the runs of 100·|X_down − X_up|/X_up at one load; the worst load.
    fn reversibility(&self) -> CalibrationFigure {
        let mut worst = Worst::default();
        for load in self.loaded() {
            let mut runs: BTreeMap<Option<&str>, [Vec<f64>; 2]> = BTreeMap::new();
            for r in self.readings.at(load) {
                runs.entry(r.run.as_deref()).or_default()[usize::from(!r.is_up())].push(self.of(r));
            }
            let mean = |x: &[f64]| crate::stats::moments::mean(x).ok();
            let pairs: Vec<(f64, f64)> = runs
                .values()
                .filter_map(|[up, down]| Some((mean(up)?, mean(down)?)))
                .collect();
            let percents: Vec<f64> = pairs
                .iter()
                .filter(|(up, _)| *up != 0.0)
                .map(|(up, down)| 100.0 * ((down - up) / up).abs())
                .collect();
            let gaps: Vec<f64> = pairs.iter().map(|(up, down)| (down - up).abs()).collect();
            if let Some(gap) = mean(&gaps) {
                worst.offer(mean(&percents), self.in_applied(gap, load), load);
            }
        }
        worst.figure(
            "reversibility",
            PercentOf::Reading,
            "no load was reached both up and down in one run (column direction)",
        )
    }

    /// 100(X̄ − Xa)/Xa: the mean deflection on the way up against the curve's; the worst load.
    fn interpolation(&self) -> CalibrationFigure {
        let mut worst = Worst::default();
        for load in self.loaded() {
            let up: Vec<f64> = self
                .readings
                .at(load)
                .filter(|r| r.is_up())
                .map(|r| r.indicated)
                .collect();
            let Ok(mean) = crate::stats::moments::mean(&up) else {
                continue;
            };
            let on_curve = self.curve.at(load) - self.zero;
            let off = mean - self.curve.at(load);
            let percent = (on_curve != 0.0).then(|| 100.0 * (off / on_curve).abs());
            worst.offer(percent, self.in_applied(off.abs(), load), load);
        }
        worst.figure(
            "interpolation_error",
            PercentOf::Reading,
            "there is no reading on the way up under any load",
        )
    }

    /// 100(i_after − i_before)/X_full: under no load after a run against before it; the worst run.
    fn zero_return(&self) -> CalibrationFigure {
        let mut runs: BTreeMap<Option<&str>, [Vec<f64>; 2]> = BTreeMap::new();
        for r in self.readings.at(0.0) {
            if let Some(direction) = r.direction {
                runs.entry(r.run.as_deref()).or_default()[direction as usize].push(r.indicated);
            }
        }
        let mut worst = Worst::default();
        for [before, after] in runs.values() {
            let mean = |x: &[f64]| crate::stats::moments::mean(x).ok();
            if let (Some(before), Some(after)) = (mean(before), mean(after)) {
                let off = (after - before).abs();
                let percent = (self.full != 0.0).then(|| 100.0 * off / self.full.abs());
                worst.offer(percent, self.in_applied(off, 0.0), 0.0);
            }
        }
        worst.figure(
            "zero_return",
            PercentOf::FullScale,
            "no run has a reading at no load both up and down",
        )
    }

    /// 100·r/F at the smallest load above none; r is the step in which the readings are written.
    fn resolution(&self) -> CalibrationFigure {
        let mut worst = Worst::default();
        let smallest = self.loaded().min_by(|a, b| a.abs().total_cmp(&b.abs()));
        if let (Some(step), Some(load)) = (self.readings.written_step, smallest) {
            let step = self.in_applied(step, load);
            worst.offer(Some(100.0 * step / load.abs()), step, load);
        }
        worst.figure(
            "resolution",
            PercentOf::Reading,
            "the step of the readings is not known",
        )
    }

    /// 2.4·s as a load, at least the resolution: the idea of ASTM E74.
    fn lower_limit(&self) -> CalibrationFigure {
        let mut worst = Worst::default();
        let (low, high) = super::polynomial::extent(&self.loads);
        let nearest = 0.0_f64.clamp(low, high);
        let step = self.readings.written_step.unwrap_or(0.0);
        let limit = self.in_applied((LOWER_LIMIT_FACTOR * self.curve.residual_sd).max(step), nearest);
        let full = low.abs().max(high.abs());
        worst.offer((full > 0.0).then(|| 100.0 * limit / full), limit, nearest);
        let mut figure = worst.figure("lower_limit", PercentOf::FullScale, "there is no full scale");
        figure.at = None;
        figure
    }
}

/// The worst case so far.
#[derive(Default)]
struct Worst(Option<(f64, f64, f64)>);

impl Worst {
    fn offer(&mut self, percent: Option<f64>, value: f64, at: f64) {
        let Some(percent) = percent.filter(|p| p.is_finite()) else {
            return;
        };
        if self.0.is_none_or(|(most, ..)| percent > most) {
            self.0 = Some((percent, value, at));
        }
    }

    fn figure(self, name: &str, of: PercentOf, missing: &str) -> CalibrationFigure {
        let (percent, value, at) = match self.0 {
            Some((percent, value, at)) => (Some(percent), Some(value), Some(at)),
            None => (None, None, None),
        };
        CalibrationFigure {
            name: name.to_owned(),
            value,
            percent,
            of,
            at,
            missing: percent.is_none().then(|| missing.to_owned()),
        }
    }
}

//! A test's numbers beside their bands: what the rules on single tests judge by.

use super::ceiling::ceiling_of;
use crate::columns::Measure;
use crate::settings::Settings;
use crate::stats::expanded::combined;
use crate::terms::Level;
use crate::trace::{Estimate, Test, UncertaintySource};

/// What of a test is held against a band.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Aspect {
    /// Highest force of all contacts together.
    TotalPeak,
    /// Displacement at the start of the first spring, beyond the onset.
    PastOnset,
    Excursion,
    TimeToPeak,
    /// Spread of force over the hold, as a share of preload.
    Hold,
    /// Lowest force between springs, as a share of preload.
    BetweenSprings,
    /// Share of this hand at preload.
    HandShare,
    /// Coefficient of variation of the peaks of the counted springs.
    PeakSpread,
    /// Measured line of drive less the planned one.
    LineOfDrive,
}

impl Aspect {
    /// Every aspect, in the order of pages.
    pub const ALL: [Aspect; 9] = [
        Aspect::TotalPeak,
        Aspect::PastOnset,
        Aspect::Excursion,
        Aspect::TimeToPeak,
        Aspect::Hold,
        Aspect::BetweenSprings,
        Aspect::HandShare,
        Aspect::PeakSpread,
        Aspect::LineOfDrive,
    ];

    /// In words, for pages.
    pub fn label(self) -> &'static str {
        match self {
            Aspect::TotalPeak => "peak force of all contacts",
            Aspect::PastOnset => "first spring starts past the onset by",
            Aspect::Excursion => "excursion",
            Aspect::TimeToPeak => "time to peak",
            Aspect::Hold => "spread of force over the hold",
            Aspect::BetweenSprings => "lowest force between springs",
            Aspect::HandShare => "share of this hand",
            Aspect::PeakSpread => "spread of the springs' peaks",
            Aspect::LineOfDrive => "line of drive off the plan",
        }
    }

    /// Unit as printed.
    pub fn unit(self) -> &'static str {
        match self {
            Aspect::TotalPeak => "N",
            Aspect::PastOnset | Aspect::Excursion => "mm",
            Aspect::TimeToPeak => "s",
            Aspect::Hold | Aspect::BetweenSprings => "% of preload",
            Aspect::HandShare | Aspect::PeakSpread => "%",
            Aspect::LineOfDrive => "°",
        }
    }

    /// Decimals worth showing.
    pub fn decimals(self) -> usize {
        match self {
            Aspect::TotalPeak | Aspect::Hold | Aspect::HandShare | Aspect::PeakSpread => 1,
            Aspect::PastOnset | Aspect::Excursion => 2,
            Aspect::TimeToPeak => 3,
            Aspect::BetweenSprings | Aspect::LineOfDrive => 0,
        }
    }

    /// Whether both hands of one push share the number.
    pub fn of_both_hands(self) -> bool {
        matches!(self, Aspect::TotalPeak | Aspect::LineOfDrive)
    }
}

/// Where a number lies to its band.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BandStatus {
    /// Inside, or outside by no more than its own interval.
    Within,
    Below,
    Above,
}

/// A number of one test beside its band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BandCheck {
    pub aspect: Aspect,
    pub value: f64,
    /// Half-width of the 95 % interval; `None` when it cannot be said, and the number is then taken as it stands.
    pub u95: Option<f64>,
    pub low: Option<f64>,
    pub high: Option<f64>,
}

impl BandCheck {
    /// Outside only when the whole interval is: noise alone makes no finding. A ceiling is the exception: it warns as
    /// soon as the measured force is over it.
    pub fn status(&self) -> BandStatus {
        let u = match self.aspect {
            Aspect::TotalPeak => 0.0,
            _ => self.u95.unwrap_or(0.0),
        };
        if self.high.is_some_and(|high| self.value - u > high) {
            BandStatus::Above
        } else if self.low.is_some_and(|low| self.value + u < low) {
            BandStatus::Below
        } else {
            BandStatus::Within
        }
    }
}

/// What of a test can be held against a band, in the order of [`Aspect::ALL`]. What was not measured is left out.
pub fn band_checks(test: &Test, settings: &Settings) -> Vec<BandCheck> {
    Aspect::ALL
        .into_iter()
        .filter_map(|aspect| band_check(test, aspect, settings))
        .collect()
}

/// One aspect of a test beside its band; `None` when it was not measured, or nothing is known to hold it against.
pub fn band_check(test: &Test, aspect: Aspect, settings: &Settings) -> Option<BandCheck> {
    let bands = settings.technique.bands(test.about.level.map(Level::region));
    let (found, low, high) = match aspect {
        Aspect::TotalPeak => (total_peak(test)?, None, Some(ceiling_of(test, settings).newtons)),
        Aspect::PastOnset => (past_onset(test)?, Some(0.0), None),
        Aspect::Excursion => band(test.measures.get(Measure::Excursion)?, bands.excursion_mm),
        Aspect::TimeToPeak => (
            test.measures.get(Measure::TimeToPeak)?,
            Some(bands.time_to_peak_min_s),
            None,
        ),
        Aspect::Hold => (
            share_of_preload(test, Measure::Steadiness)?,
            None,
            Some(bands.hold_sd_percent),
        ),
        Aspect::BetweenSprings => (
            share_of_preload(test, Measure::BetweenSprings)?,
            Some(bands.between_springs_percent),
            None,
        ),
        Aspect::HandShare => band(test.measures.get(Measure::HandShare)?, bands.hand_share_percent),
        Aspect::PeakSpread => (peak_spread(test)?, None, Some(bands.peak_cv_percent)),
        Aspect::LineOfDrive => {
            let off = test.drive_deg? - test.about.line_of_drive?.degrees();
            let most = bands.line_of_drive_deg;
            (Estimate::new(off, None), Some(-most), Some(most))
        }
    };
    found.value.is_finite().then_some(BandCheck {
        aspect,
        value: found.value,
        u95: found.u95(),
        low,
        high,
    })
}

fn band(found: Estimate, [low, high]: [f64; 2]) -> (Estimate, Option<f64>, Option<f64>) {
    (found, Some(low), Some(high))
}

/// The total has no interval of its own; that of this side's peak says how sharply force is measured here.
fn total_peak(test: &Test) -> Option<Estimate> {
    let peak = test.measures.get(Measure::Peak);
    let uncertainty = peak.and_then(|e| e.uncertainty());
    let total_n = test.total_peak_n;
    total_n.is_finite().then(|| Estimate::new(total_n, uncertainty))
}

/// Start of the first spring less the onset. A held force lacks the damping of a moving one, so displacement is the
/// judge, not force.
fn past_onset(test: &Test) -> Option<Estimate> {
    let onset = test.measures.finding(Measure::Onset)?;
    let start_mm = test.springs.first()?.start_mm?;
    Some(Estimate::new(start_mm - onset.value, onset.uncertainty()))
}

/// A force as percent of the preload: u² = (100/P)²·(u_F² + (F/P)²·u_P²), both taken as independent: a
/// gain that both share makes it a little too wide.
fn share_of_preload(test: &Test, measure: Measure) -> Option<Estimate> {
    let force = test.measures.get(measure)?;
    let preload = test.measures.get(Measure::Preload)?;
    if preload.value <= 0.0 {
        return None;
    }
    let share = force.value / preload.value;
    let percent = |u: f64| 100.0 / preload.value * u;
    let uncertainty = force.uncertainty().and_then(|(u, df)| {
        let of_preload = preload.uncertainty().map(|(u, df)| (percent(share * u), df));
        combined([(percent(u), df)].into_iter().chain(of_preload))
    });
    Some(Estimate::new(100.0 * share, uncertainty))
}

/// Coefficient of variation, in percent, of the peaks of the counted springs; `None` for fewer than two.
///
/// # Formula
/// 100·s/mean. Noise u₁ of one peak moves s by u₁/√(n − 1), where s stands clear of it; the zero moves all alike.
fn peak_spread(test: &Test) -> Option<Estimate> {
    let peaks: Vec<f64> = test.counted_springs().map(|s| s.peak_n).collect();
    let n = peaks.len() as f64;
    let mean = peaks.iter().sum::<f64>() / n;
    if peaks.len() < 2 || mean <= 0.0 {
        return None;
    }
    let sd = (peaks.iter().map(|p| (p - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt();
    let noise = test
        .measures
        .budget(Measure::SpringPeak)
        .iter()
        .find(|line| line.source == UncertaintySource::ForceNoise)
        .map(|line| (100.0 * line.u * n.sqrt() / (n - 1.0).sqrt() / mean, line.df));
    Some(Estimate::new(100.0 * sd / mean, noise))
}

//! A reported number, its uncertainty and the budget that the uncertainty was made of.

use crate::columns::Measure;
use crate::stats::expanded::{combined, expanded_95};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fmt;

/// A reported number.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// In the measure's unit.
    pub value: f64,
    /// Combined standard uncertainty of the measurement; `None` when it cannot be said.
    pub u: Option<f64>,
    /// Effective degrees of freedom of `u`; infinite when it is taken as known.
    pub df: f64,
    /// Standard deviation between springs, where the value is a mean over at least two.
    pub spread: Option<f64>,
}

impl Estimate {
    /// A number whose uncertainty cannot be said.
    pub fn without_uncertainty(value: f64) -> Estimate {
        Estimate::new(value, None)
    }

    /// A number with its combined standard uncertainty and the degrees of freedom of that.
    pub fn new(value: f64, uncertainty: Option<(f64, f64)>) -> Estimate {
        let (u, df) = uncertainty.unzip();
        Estimate {
            value,
            u,
            df: df.unwrap_or(f64::INFINITY),
            spread: None,
        }
    }

    /// Half-width of the 95 % interval: t(0.975, df)·u; `None` when it cannot be said.
    pub fn u95(&self) -> Option<f64> {
        expanded_95(self.u?, self.df)
    }

    /// Whether the 95 % interval reaches further than the number itself: then not even its size is known.
    pub fn is_lost(&self) -> bool {
        self.u95().is_some_and(|u95| u95 >= self.value.abs())
    }

    /// The combined standard uncertainty with its degrees of freedom.
    pub fn uncertainty(&self) -> Option<(f64, f64)> {
        self.u.map(|u| (u, self.df))
    }
}

/// Where an uncertainty comes from. Its words, by [`fmt::Display`], are what a budget prints.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[non_exhaustive]
pub enum UncertaintySource {
    /// Noise of the force channel.
    ForceNoise,
    /// Noise of the displacement channel.
    DisplacementNoise,
    /// How well the zero of force is known.
    ForceZero,
    /// The tissue departs from the fitted law by more than noise explains.
    LackOfFit,
    /// Scatter of the lean about the two lines that stand in for the fit.
    TwoLineScatter,
    /// Noise of the times of the springs' peaks.
    PeakTimeNoise,
    /// Noise of force where contact begins.
    ContactForceNoise,
    /// Noise of displacement where contact begins.
    ContactDisplacementNoise,
    /// How well the zero of force is known, where contact begins.
    ContactForceZero,
    /// What the fitted law leaves open of where contact begins.
    ContactLaw,
    /// The preloads of both hands, in the share of one.
    BothPreloads,
    /// Calibration of the load cell.
    ForceCalibration,
    /// Calibration of the displacement sensor.
    DisplacementCalibration,
    /// Scatter of readings about the calibration curve.
    CalibrationScatter,
    /// The instrument's own loss.
    InstrumentLoop,
    /// The delay between both channels.
    ChannelDelay,
    /// Noise of a mat's cells.
    MatCellNoise,
    /// Gain of the mat.
    MatGain,
    /// Cells of a mat that differ in gain.
    MatNonUniformity,
    /// Creep of the mat over a hold.
    MatCreep,
    /// Cells that are masked, and filled from their neighbours.
    MatFilledCells,
    /// A loaded area is a whole number of cells.
    MatCellCount,
}

impl UncertaintySource {
    /// Whether left and right share this error (one calibration, one instrument), so that it cancels between them.
    pub fn is_common_to_both_sides(self) -> bool {
        use UncertaintySource as S;
        matches!(
            self,
            S::ForceCalibration
                | S::DisplacementCalibration
                | S::InstrumentLoop
                | S::ChannelDelay
                | S::MatGain
        )
    }

    /// A line of a budget.
    pub fn line(self, u: f64, df: f64) -> BudgetLine {
        BudgetLine { source: self, u, df }
    }

    fn words(self) -> &'static str {
        use UncertaintySource as S;
        match self {
            S::ForceNoise => "force noise",
            S::DisplacementNoise => "displacement noise",
            S::ForceZero => "force zero",
            S::LackOfFit => "departure from the law",
            S::TwoLineScatter => "scatter about two lines",
            S::PeakTimeNoise => "noise of the peaks' times",
            S::ContactForceNoise => "force noise at first contact",
            S::ContactDisplacementNoise => "displacement noise at first contact",
            S::ContactForceZero => "force zero at first contact",
            S::ContactLaw => "law of the take-up at first contact",
            S::BothPreloads => "both preloads",
            S::ForceCalibration => "force calibration",
            S::DisplacementCalibration => "displacement calibration",
            S::CalibrationScatter => "scatter about the calibration curve",
            S::InstrumentLoop => "instrument loop",
            S::ChannelDelay => "channel delay",
            S::MatCellNoise => "noise of a cell",
            S::MatGain => "mat gain",
            S::MatNonUniformity => "mat cells' non-uniformity",
            S::MatCreep => "mat creep over the hold",
            S::MatFilledCells => "mat cells masked and filled",
            S::MatCellCount => "cells are counted whole",
        }
    }
}

impl fmt::Display for UncertaintySource {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.words())?;
        if self.is_common_to_both_sides() {
            f.write_str(" (common to both sides)")?;
        }
        Ok(())
    }
}

/// One line of an uncertainty budget (JCGM 100:2008, 5.1.2).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BudgetLine {
    /// Where it comes from.
    pub source: UncertaintySource,
    /// Standard uncertainty, already multiplied by its sensitivity, in the measure's unit.
    pub u: f64,
    /// Degrees of freedom of `u`; infinite when it is taken as known.
    pub df: f64,
}

/// A measure with the budget that its uncertainty was made of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// The number with its combined uncertainty.
    pub estimate: Estimate,
    /// What the uncertainty is made of.
    pub budget: Vec<BudgetLine>,
}

impl Measured {
    /// A number with its budget.
    ///
    /// # Formula
    /// [`combined`] of the lines: without any known source the uncertainty is missing, not zero.
    pub fn new(value: f64, budget: impl IntoIterator<Item = BudgetLine>) -> Measured {
        let mut measured = Measured {
            estimate: Estimate::without_uncertainty(value),
            budget: Vec::new(),
        };
        measured.extend(budget);
        measured
    }

    /// Adds sources of uncertainty. What is zero or cannot be said leaves no line.
    fn extend(&mut self, lines: impl IntoIterator<Item = BudgetLine>) {
        let known = lines.into_iter().filter(|l| l.u > 0.0 && l.u.is_finite());
        self.budget.extend(known);
        let uncertainty = combined(self.budget.iter().map(|l| (l.u, l.df)));
        self.estimate = Estimate {
            spread: self.estimate.spread,
            ..Estimate::new(self.estimate.value, uncertainty)
        };
    }
}

/// The measures of one test, at most one value each.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Measures(BTreeMap<Measure, Measured>);

impl Measures {
    /// Stores a value. A value that is not finite is not stored: missing is missing, never NaN.
    pub fn set(&mut self, measure: Measure, measured: Measured) {
        if measured.estimate.value.is_finite() {
            self.0.insert(measure, measured);
        }
    }

    /// The value and its uncertainty.
    pub fn get(&self, measure: Measure) -> Option<Estimate> {
        self.0.get(&measure).map(|m| m.estimate)
    }

    /// The value alone.
    pub fn value(&self, measure: Measure) -> Option<f64> {
        self.get(measure).map(|e| e.value)
    }

    /// The value where it may be shown as a finding: [`Measures::get`], unless it is among [`Measures::not_determined`].
    pub fn finding(&self, measure: Measure) -> Option<Estimate> {
        self.get(measure).filter(|_| !self.is_lost(measure))
    }

    /// Measures whose interval is wider than the number itself (METHODS.md §5.4), in the order of the columns.
    pub fn not_determined(&self) -> Vec<Measure> {
        self.0.keys().copied().filter(|m| self.is_lost(*m)).collect()
    }

    fn is_lost(&self, measure: Measure) -> bool {
        // Where a sensor counts from says nothing of a displacement: its way from first contact does.
        let amount = match measure {
            Measure::Onset => Measure::OnsetTravel,
            other => other,
        };
        !amount.may_be_none() && self.get(amount).is_some_and(|e| e.is_lost())
    }

    /// The lines of the uncertainty budget.
    pub fn budget(&self, measure: Measure) -> &[BudgetLine] {
        self.0.get(&measure).map_or(&[], |m| m.budget.as_slice())
    }

    /// Adds lines to the budget of a measure and widens its interval. A measure whose uncertainty nobody could tell
    /// stays without: what is added is only a part of it.
    pub fn widen(&mut self, measure: Measure, lines: impl IntoIterator<Item = BudgetLine>) {
        if let Some(known) = self.0.get_mut(&measure).filter(|m| m.estimate.u.is_some()) {
            known.extend(lines);
        }
    }

    /// Moves a value by `by` (a correction); its uncertainty stays.
    pub fn shift(&mut self, measure: Measure, by: f64) {
        if let Some(known) = self.0.get_mut(&measure) {
            known.estimate.value += by;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_value_that_is_not_finite_is_missing() {
        let mut m = Measures::default();
        m.set(Measure::Peak, Measured::new(f64::NAN, []));
        assert_eq!(m.get(Measure::Peak), None);
    }

    fn with_u(value: f64, u: f64) -> Measured {
        Measured::new(value, [UncertaintySource::LackOfFit.line(u, f64::INFINITY)])
    }

    #[test]
    fn a_number_whose_interval_is_wider_than_itself_is_no_finding() {
        let mut m = Measures::default();
        m.set(Measure::FittedEndFeel, with_u(3062.0, 54_100.0));
        m.set(Measure::EndFeel, with_u(9.0, 0.2));
        // No damping, no loss, no drift: an answer in itself.
        m.set(Measure::Damping, with_u(0.001, 0.01));
        m.set(Measure::ZeroDrift, with_u(-0.01, 0.1));
        m.set(Measure::Onset, with_u(103.0, 20.0));
        m.set(Measure::OnsetTravel, with_u(3.0, 20.0));
        assert_eq!(
            m.not_determined(),
            [Measure::Onset, Measure::OnsetTravel, Measure::FittedEndFeel]
        );
        assert_eq!(m.finding(Measure::FittedEndFeel), None);
        assert_eq!(m.finding(Measure::EndFeel), m.get(Measure::EndFeel));
        assert_eq!(m.value(Measure::FittedEndFeel), Some(3062.0));
    }
}

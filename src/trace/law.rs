//! Laws of the tissue by name: what the whole-trace fit may find a push to follow (METHODS.md §4.12).

use serde::{Deserialize, Serialize};
use std::fmt;

/// A shape of the force at rest against displacement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum CurveShape {
    /// Two slopes joined by a softened knee.
    SoftKnee,
    /// Two slopes joined by a parabola (Chiu, Lockhart & Routledge 2006, J Am Stat Assoc 101:542-553).
    BentCable,
    /// A softened knee whose end region goes on stiffening.
    StiffeningEnd,
    /// An exponential, then its tangent.
    ExponentialToe,
    /// A power, then its tangent.
    PowerToe,
    /// Three slopes, of which the first is the toe.
    ThreeLines,
    /// Three slopes, of which the first two are the toe.
    BentToe,
    /// A slope that changes evenly: no knee.
    Parabola,
    /// An exponential to the end: no knee.
    Exponential,
    /// A power to the end: no knee.
    Power,
}

impl CurveShape {
    /// The word in tables.
    pub fn word(self) -> &'static str {
        match self {
            CurveShape::SoftKnee => "soft_knee",
            CurveShape::BentCable => "bent_cable",
            CurveShape::StiffeningEnd => "stiffening_end",
            CurveShape::ExponentialToe => "exponential_toe",
            CurveShape::PowerToe => "power_toe",
            CurveShape::ThreeLines => "three_lines",
            CurveShape::BentToe => "bent_toe",
            CurveShape::Parabola => "parabola",
            CurveShape::Exponential => "exponential",
            CurveShape::Power => "power",
        }
    }
}

/// What a law may have beside its resting curve.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum LawPart {
    /// One relaxation time.
    Relaxation,
    /// Two relaxation times.
    TwoTimes,
    /// Friction that turns over some travel.
    Friction,
    /// Damping that grows with depth.
    DeepeningDamping,
    /// Damping that goes over to another beyond the onset, as it does where something that gives lies above the tissue.
    KneeDamping,
    /// Every spring leaves the tissue softer or stiffer.
    SofteningSprings,
    /// Once, the tissue becomes stiffer by a share, and a force stands beside it.
    Tightening,
    /// The contact slides on the skin once.
    Slip,
    /// The trunk rises and falls under the hand.
    Sway,
}

impl LawPart {
    /// The word in tables.
    pub fn word(self) -> &'static str {
        match self {
            LawPart::Relaxation => "relaxation",
            LawPart::TwoTimes => "two_relaxation_times",
            LawPart::Friction => "friction",
            LawPart::DeepeningDamping => "deepening_damping",
            LawPart::KneeDamping => "knee_damping",
            LawPart::SofteningSprings => "softening_springs",
            LawPart::Tightening => "tightening",
            LawPart::Slip => "slip",
            LawPart::Sway => "sway",
        }
    }
}

/// How far one law was believed, and where it puts the onset.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LawShare {
    /// The resting curve, by whose definition the onset was read.
    pub shape: CurveShape,
    /// In their order.
    pub parts: Vec<LawPart>,
    /// From 0 to 1; those of all laws add up to 1.
    pub weight: f64,
    /// Displacement of the onset, in mm.
    pub onset_mm: f64,
}

impl LawShare {
    /// The law by its words, joined by `+`.
    pub fn law(&self) -> String {
        let parts = self.parts.iter().map(|p| p.word());
        std::iter::once(self.shape.word()).chain(parts).collect::<Vec<_>>().join("+")
    }
}

impl fmt::Display for LawShare {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {:.3} mm (weight {:.2})", self.law(), self.onset_mm, self.weight)
    }
}

/// Where rules other than the written definition put the onset, in the trace's own displacement (METHODS.md §4.13).
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct OtherRules {
    /// The corner of two least-squares lines.
    pub two_lines_mm: Option<f64>,
    /// The middle of a bent cable's bend.
    pub bent_cable_mm: Option<f64>,
    /// Where lines through both ends of the range meet.
    pub tangents_mm: Option<f64>,
}

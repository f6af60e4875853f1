//! What the reader of a result should know of how it came about.

use crate::format::{counted, moment};
use super::{DropCause, HIDDEN, LawShare};
use crate::columns::Measure;
use serde::{Deserialize, Serialize};
use std::fmt;

/// A note on one test. Its words, by [`fmt::Display`], begin with a short fixed phrase and a colon.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub enum Note {
    /// Said while the recording was read.
    Reading(String),
    /// `signal` is the column's name without its unit.
    Spikes {
        /// Of force or displacement.
        signal: String,
        /// How many.
        samples: usize,
    },
    /// Samples were not evenly spaced.
    Resampled {
        /// Of force or displacement.
        signal: String,
        /// How much.
        percent: f64,
    },
    /// A sensor gave no readings of its own for a while, and straight lines stand instead.
    DroppedOut {
        /// Of the displacement; else of the force.
        of_displacement: bool,
        /// How many of the test's samples.
        samples: usize,
        /// Their share of the test.
        percent: f64,
    },
    /// The zero that was taken off is so large that it may be a load.
    ZeroTakenOff {
        /// How much.
        newtons: f64,
    },
    /// The zeros before and after the test differ.
    ZeroMoved {
        /// After less before.
        newtons: f64,
    },
    /// The contact has no end because the force does not come back to its zero.
    EndsOffZero {
        /// Where it stays.
        newtons: f64,
    },
    /// More work came back than went in.
    LossBelowZero {
        /// How far displacement would have to be moved against force.
        shift_ms: f64,
    },
    /// The force stood still while the displacement sprang.
    StuckForce,
    /// Forces count from the sensor's own zero.
    NoZero,
    /// The zero is taken from after the release alone.
    NoZeroBefore,
    /// The recording begins with the hand on.
    BeginsLoaded,
    /// The recording ends with the hand on.
    CutOff,
    /// The sensor was at the end of its range.
    Saturated {
        /// For how long.
        seconds: f64,
    },
    /// The displacement sensor was at the end of its way.
    DisplacementStopped {
        /// For how long.
        seconds: f64,
    },
    /// The sensor was zeroed while the hand pressed.
    ZeroedUnderHand {
        /// How far its force fell.
        newtons: f64,
        /// In the recording's own seconds.
        at_s: f64,
    },
    /// The springs' end-feel and the fitted one differ by more than their intervals allow.
    EndFeelsApart {
        /// The fitted one against the other.
        percent: f64,
    },
    /// Every spring touches the limit of a sensor.
    NothingLeft,
    /// A lean without springs.
    NoSprings,
    /// The hand went in and out, more slowly than springs are looked for.
    SlowSprings {
        /// How many times.
        times: usize,
    },
    /// Pushes that did not go far enough to count as springs.
    SmallPushes {
        /// How many.
        number: usize,
        /// How far the largest went.
        largest_mm: f64,
        /// How far a spring must go.
        limit_mm: f64,
    },
    /// A spring enters no mean.
    SpringDropped {
        /// Which one, from 1.
        number: u32,
        /// Why.
        cause: DropCause,
    },
    /// There is no displacement.
    ForceOnly,
    /// The displacement stood still while the hand pressed.
    StuckDisplacement,
    /// One displacement serves both hands.
    SharedDisplacement,
    /// The whole-trace fit found no solution.
    NoFit,
    /// With the hand off, a channel moves more than white noise explains.
    NoiseBeyondWhite {
        /// Of the displacement; else of the force.
        of_displacement: bool,
        /// How many times as much.
        times: f64,
    },
    /// The plain law was in doubt: onset and slopes are averages over several.
    Averaged {
        /// The one that weighs most.
        law: LawShare,
        /// How many were averaged.
        of: usize,
    },
    /// The law describes the springs poorly.
    PoorFit {
        /// Residual of the springs over their force range; `None` without springs.
        residual_percent: Option<f64>,
    },
    /// The push is not shown to have gone past the toe.
    NoKnee {
        /// What speaks against a knee.
        against: Vec<AgainstKnee>,
    },
    /// The law fits too poorly to be believed, and the lean alone shows no bend.
    NoKneeInLean {
        /// Residual of the springs over their force range.
        residual_percent: f64,
    },
    /// The two-line knee of the lean stands in for the fit.
    TwoLines {
        /// Residual of the springs over their force range.
        residual_percent: f64,
    },
    /// Numbers that their own interval leaves open.
    NotDetermined {
        /// Which, in the order of the columns.
        measures: Vec<Measure>,
    },
    /// Cells of the mat were at the end of their range.
    MatCellsAtFullScale,
    /// The instrument's own loop is in the loss.
    InstrumentLoop {
        /// How much.
        percent: f64,
    },
    /// A person set a word at a moment of it.
    Annotated {
        /// When, in the recording's own seconds.
        at_s: f64,
        /// The word.
        word: String,
    },
    /// A person said where to look for the onset, and the push does not reach there or has none.
    NoOnsetWithin {
        /// From here, where that side is not open.
        low_mm: Option<f64>,
        /// To here, where that side is not open.
        high_mm: Option<f64>,
    },
    /// A person marked a spring where none can be measured.
    NoSpringThere {
        /// Where, in the recording's own seconds.
        at_s: f64,
    },
    /// A blinded study's results are hidden.
    Blinded,
}

/// Evidence against a knee.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum AgainstKnee {
    SmoothCurveExplains,
    HardlyStiffened,
    BendAtTheEnd,
    UncertainOnset,
    LittleForceBeyond,
}

impl fmt::Display for AgainstKnee {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            AgainstKnee::SmoothCurveExplains => "a curve without a bend explains the push as well",
            AgainstKnee::HardlyStiffened => "by the law that fits best the push hardly stiffened",
            AgainstKnee::BendAtTheEnd => "the bend lies at the very end of the push",
            AgainstKnee::UncertainOnset => "the bend's place is too uncertain",
            AgainstKnee::LittleForceBeyond => "too little force was gained beyond the bend",
        })
    }
}

/// How a fit that is not believed is spoken of.
struct Unexplained(f64);

impl fmt::Display for Unexplained {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let percent = self.0;
        write!(
            f,
            "the fitted law leaves {percent:.0} % of the springs' force unexplained"
        )
    }
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Note::Reading(words) => words,
            Note::NoZero => "no zero: the hand was never off for 0.2 s, so forces count from the sensor's own zero",
            Note::NoZeroBefore => {
                "no zero: less than 0.2 s before the touch, so the zero is taken from after the release"
            }
            Note::BeginsLoaded => "begins loaded: the recording starts with the hand on",
            Note::CutOff => "cut off: the recording ends with the hand on",
            Note::NothingLeft => "nothing left: every spring touches the limit of a sensor",
            Note::NoSprings => "no springs: the hand pressed and left without springing",
            Note::ForceOnly => {
                "force only: no displacement was recorded, so nothing that needs it is reported"
            }
            Note::StuckDisplacement => {
                "stuck displacement: it did not move while the hand pressed, as when its sensor is unplugged, so \
                 nothing that needs it is reported"
            }
            Note::StuckForce => "stuck force: it stood still while the displacement sprang, as when its sensor is unplugged",
            Note::SharedDisplacement => {
                "shared displacement: one displacement serves both sides, taken to move alike"
            }
            Note::NoFit => "no fit: too little of the push was recorded to look for the onset",
            Note::MatCellsAtFullScale => {
                "cells at full scale: at least one cell stood at its limit, so forces are too low and no peak \
                 pressure is given"
            }
            Note::Blinded => HIDDEN,
            Note::Annotated { at_s, word } => return write!(f, "marked at {}: {word}", moment(*at_s)),
            Note::NoOnsetWithin { low_mm, high_mm } => {
                let place = match (low_mm, high_mm) {
                    (Some(low), Some(high)) => format!("between {low:.2} and {high:.2} mm"),
                    (Some(low), None) => format!("from {low:.2} mm on"),
                    (None, Some(high)) => format!("up to {high:.2} mm"),
                    (None, None) => "anywhere".to_owned(),
                };
                return write!(f, "no onset there: none is found {place}, where it was to be looked for");
            }
            Note::NoSpringThere { at_s } => {
                let so = "none can be measured: no limb rises to it from a rest, or it is not near the top of a push";
                return write!(f, "no spring there: one was marked by hand at {}, where {so}", moment(*at_s));
            }
            Note::Spikes { signal, samples } => {
                return write!(f, "spikes: {} of {signal} replaced by what stands around", counted(*samples, "sample"));
            }
            Note::DroppedOut { of_displacement, samples, percent } => {
                let channel = if *of_displacement { "displacement" } else { "force" };
                return write!(
                    f,
                    "dropped out: for {} ({percent:.1} % of the test) the {channel} sensor gave no reading of its own; straight \
                     lines stand instead",
                    counted(*samples, "sample")
                );
            }
            Note::SmallPushes { number, largest_mm, limit_mm } => {
                return write!(
                    f,
                    "small pushes: {} of up to {largest_mm:.2} mm from a hold not measured, since a spring must go {limit_mm} mm \
                     (detect.spring_prominence_mm)",
                    counted(*number, "movement")
                );
            }
            Note::ZeroTakenOff { newtons } => {
                let open = "if something pressed on the sensor meanwhile, the true forces are that much higher, at the ceiling too";
                return write!(f, "zero: {newtons:.1} N taken off, which is where the force stood with the hand off; {open}");
            }
            Note::ZeroMoved { newtons } => {
                return write!(
                    f,
                    "zero moved: it is {newtons:+.1} N after the test against before, a drift or a step of the amplifier; the zero \
                     is taken off along a straight line between the two"
                );
            }
            Note::EndsOffZero { newtons } => {
                return write!(
                    f,
                    "ends off zero: the recording ends {newtons:.1} N from the zero it began with, though the hand seems to be off: \
                     a drift or a step of the amplifier, for which the end of the contact was not found"
                );
            }
            Note::LossBelowZero { shift_ms } => {
                return write!(
                    f,
                    "loss below zero: more work came back than went in; force and displacement may be shifted in time by about \
                     {shift_ms:.0} ms or more"
                );
            }
            Note::Resampled { signal, percent } => {
                let was = "was missing and filled by straight lines";
                return write!(f, "resampled: {percent:.1} % of {signal} {was}");
            }
            Note::Saturated { seconds } => {
                let so = "its flat top is no peak and is not measured as one";
                return write!(f, "saturated: the load cell stood at its limit for {seconds:.2} s; {so}");
            }
            Note::DisplacementStopped { seconds } => {
                let so = "the springs that reach it are not measured; mount it so that its way is long enough";
                return write!(f, "at its stop: the displacement sensor stood at the end of its way for {seconds:.2} s; {so}");
            }
            Note::ZeroedUnderHand { newtons, at_s } => {
                return write!(
                    f,
                    "zeroed under the hand: the force fell by {newtons:.1} N to nothing within a sample at {}, and later as far below; \
                     the sensor was tared while the hand pressed",
                    moment(*at_s)
                );
            }
            Note::EndFeelsApart { percent } => {
                let why = "a drift of the displacement, a slip or tissue that the law does not know; trust neither before that is clear";
                return write!(
                    f,
                    "end-feels apart: the fitted end-feel lies {percent:+.0} % from that of the springs, more than their intervals \
                     allow: {why}"
                );
            }
            Note::SlowSprings { times } => {
                return write!(
                    f,
                    "slow springs: the hand went in and out {times} times, each too slowly for a spring (over about 0.8 s from rest to \
                     peak, detect.spring_window_s), so that nothing of springs is measured"
                );
            }
            Note::SpringDropped { number, cause } => return write!(f, "spring {number} dropped: {cause}"),
            Note::NoiseBeyondWhite { of_displacement, times } => {
                let channel = if *of_displacement { "displacement" } else { "force" };
                return write!(
                    f,
                    "noise beyond white: with the hand off the {channel} varied {times:.1} times as much as white noise \
                     explains (1/f noise, drift, mains, a moving cable); the intervals are widened for it"
                );
            }
            Note::Averaged { law, of } => {
                let other = "other tissue: two slopes and a knee do not explain this push; onset and fitted slopes, where they are given,";
                let closest = law.law().replace('_', " ").replace('+', " with ");
                return match of {
                    1 => write!(f, "{other} are those of the one law tried that does ({closest}), and their intervals hold that doubt"),
                    _ => write!(
                        f,
                        "{other} are averaged over {of} laws by how well each does, and their intervals hold that doubt (closest of those \
                         tried: {closest}, {:.0} % of the weight)",
                        100.0 * law.weight
                    ),
                };
            }
            Note::PoorFit { residual_percent } => {
                let so = "more than noise explains; the intervals are widened for it";
                return match residual_percent {
                    Some(percent) => write!(
                        f,
                        "poor fit: the tissue departs from the fitted law by {percent:.1} % of the springs' force, {so}"
                    ),
                    None => write!(f, "poor fit: the tissue departs from the fitted law by {so}"),
                };
            }
            Note::NotDetermined { measures } => {
                let names: Vec<&str> = measures.iter().map(|m| m.info().label).collect();
                return write!(
                    f,
                    "not determined: {}: the 95 % interval is wider than the number itself, so the number is not shown",
                    names.join(", ")
                );
            }
            Note::NoKnee { against } => {
                let against: Vec<String> = against.iter().map(ToString::to_string).collect();
                let against = against.join("; ");
                return write!(f, "no knee: the push is not shown to have gone past the toe, nor the slack to be out ({against})");
            }
            Note::NoKneeInLean { residual_percent } => {
                let poor = Unexplained(*residual_percent);
                return write!(f, "no knee: {poor}, and the lean alone shows no bend");
            }
            Note::TwoLines { residual_percent } => {
                let poor = Unexplained(*residual_percent);
                let so = "so the onset is the knee of two lines through the lean alone";
                return write!(f, "two lines: {poor}, {so}");
            }
            Note::InstrumentLoop { percent } => {
                let shown = "of the loading work taken off the loss, as a steel spring showed it";
                return write!(f, "instrument loop: {percent:.2} % {shown}");
            }
        })
    }
}

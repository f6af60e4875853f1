//! How deep the springs of either side began.

use crate::columns::Measure;
use crate::stats::moments::{mean, variance};
use crate::terms::Side;
use crate::trace::Test;
use std::fmt;

/// Depths nearer than this are alike, in mm.
const ALIKE_MM: f64 = 0.5;

/// Springs of one side began deeper than those of the other.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DepthDifference {
    /// Mean way from first contact to where the springs began, on the left.
    pub left_mm: f64,
    /// The same on the right.
    pub right_mm: f64,
}

impl fmt::Display for DepthDifference {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let DepthDifference { left_mm, right_mm } = self;
        write!(
            f,
            "depth differed: springs began {left_mm:.1} mm past first contact on the left and {right_mm:.1} mm on the right; where \
             tissue goes on stiffening, part of a difference in end-feel is this"
        )
    }
}

/// Whether the tests of a level began their springs at different depths: by more than half a millimetre and twice what the
/// trials' own spread gives the difference of both means.
pub fn depth_difference(tests: &[&Test]) -> Option<DepthDifference> {
    let side = |side: Side| {
        let own = tests.iter().filter(|t| t.side() == Some(side));
        let depths: Vec<f64> = own.filter_map(|t| depth_mm(t)).collect();
        let spread = variance(&depths).unwrap_or(0.0) / depths.len() as f64;
        Some((mean(&depths).ok()?, spread))
    };
    let ((left_mm, left), (right_mm, right)) = (side(Side::Left)?, side(Side::Right)?);
    let apart = (right_mm - left_mm).abs();
    (apart > ALIKE_MM.max(2.0 * (left + right).sqrt())).then_some(DepthDifference { left_mm, right_mm })
}

/// From first contact to where the counted springs began, on average.
fn depth_mm(test: &Test) -> Option<f64> {
    let contact_mm = test.value(Measure::Onset)? - test.value(Measure::OnsetTravel)?;
    let starts: Vec<f64> = test.counted_springs().filter_map(|s| s.start_mm).collect();
    Some(mean(&starts).ok()? - contact_mm)
}

//! Columns that cannot be what their headings say: one sensor given twice, force and displacement under each other's heading
//! (METHODS.md §1.12).

use crate::stats::moments::{extremes, median_in_place, resolution};
use crate::trace::Channel;

/// So many samples that are alike are no chance.
const FEWEST_ALIKE: usize = 50;
/// A copy leaves its line by what rounding does to both, and by no more than this share of its range beside.
const ROUNDING: f64 = 1e-9;
/// Columns may be swapped when the displacement goes so many mm for each N, and the force stays under so many N.
const SWAPPED_MM_PER_N: f64 = 1.5;
const SWAPPED_N: f64 = 25.0;
/// Tissue stiffens: in the middle of its range a force lies below the line between its ends, and above it by this share when it is
/// a displacement.
const ABOVE_LINE: f64 = 0.05;
const MIDDLE: [f64; 2] = [0.2, 0.8];

/// What is told of such columns.
pub(super) struct ColumnsAlike {
    pub columns: String,
    pub found: String,
    pub expected: &'static str,
    pub advice: &'static str,
}

/// Everything of the kind in a recording's channels.
pub(super) fn alike(channels: &[Channel]) -> Vec<ColumnsAlike> {
    let mut all = Vec::new();
    if let [left, right] = channels {
        all.extend(both_forces(&left.force_n, &right.force_n));
    }
    for channel in channels {
        let Some(x) = &channel.displacement_mm else { continue };
        let of = channel.side.filter(|_| channels.len() > 1).map_or(String::new(), |s| format!("_{s}"));
        let columns = format!("force{of}, displacement{of}");
        all.extend(force_and_displacement(columns, &channel.force_n, x));
    }
    all
}

fn both_forces(left: &[f64], right: &[f64]) -> Option<ColumnsAlike> {
    let found = match copy(left, right)? {
        Copy::Same => "the same force on both sides, in every sample".to_owned(),
        Copy::Scaled(by) => format!("the right force is {by:.4} times the left in every sample, to the last digit"),
    };
    Some(ColumnsAlike {
        columns: "force_left, force_right".to_owned(),
        found,
        expected: "two sensors, which never agree to the last digit",
        advice: "left against right says nothing here; check which column is which sensor's and the channels of the logger",
    })
}

fn force_and_displacement(columns: String, force_n: &[f64], x: &[f64]) -> Option<ColumnsAlike> {
    let (found, expected, advice) = match copy(force_n, x) {
        Some(Copy::Same) => (
            "a displacement that is the same number as the force, in every sample".to_owned(),
            "two sensors of their own",
            "every stiffness is 1 N/mm here and says nothing; check which column is which sensor's",
        ),
        Some(Copy::Scaled(by)) => (
            format!("a displacement that is {by:.4} times the force in every sample, to the last digit"),
            "two sensors of their own",
            "every stiffness is that one number here and says nothing; check which column is which sensor's",
        ),
        None if swapped(force_n, x) => (
            "a displacement that goes further in mm than the force in N, and stiffens as a force does".to_owned(),
            "force that rises ever more steeply as the hand goes in",
            "force and displacement may stand under each other's heading; check which column is which sensor's, and turn the \
             headings round if so",
        ),
        None => return None,
    };
    Some(ColumnsAlike {
        columns,
        found,
        expected,
        advice,
    })
}

enum Copy {
    Same,
    Scaled(f64),
}

/// Whether one column is the other, or a straight line of it as exactly as both are rounded.
fn copy(a: &[f64], b: &[f64]) -> Option<Copy> {
    let pairs = || a.iter().zip(b).filter(|(a, b)| !(a.is_nan() && b.is_nan()));
    let moves = a.array_windows().any(|[a, b]| a != b && !a.is_nan() && !b.is_nan());
    if a.len() <= FEWEST_ALIKE || !moves {
        return None;
    }
    if pairs().all(|(a, b)| a == b) {
        return Some(Copy::Same);
    }
    // A line through the two furthest samples; one missing on one side only is no copy's.
    let at = |better: fn(&f64, &f64) -> bool| {
        let mut best: Option<(f64, f64)> = None;
        for (a, b) in pairs() {
            if best.is_none_or(|(old, _)| better(a, &old)) {
                best = Some((*a, *b));
            }
        }
        best
    };
    let ((low, at_low), (high, at_high)) = (at(|a, b| a < b)?, at(|a, b| a > b)?);
    let by = (at_high - at_low) / (high - low);
    if !by.is_finite() || by == 0.0 {
        return None;
    }
    let most = (resolution(b) + by.abs() * resolution(a)) * 1.001 + ROUNDING * (at_high - at_low).abs();
    // Rounding leaves a copy fewer values than this only when it says nothing.
    if most > 0.02 * (at_high - at_low).abs() {
        return None;
    }
    let on_line = |(a, b): (&f64, &f64)| (b - at_low - by * (a - low)).abs() <= most;
    pairs().all(on_line).then_some(Copy::Scaled(by))
}

/// Whether a force behaves as a displacement and the displacement as a force.
fn swapped(force_n: &[f64], x: &[f64]) -> bool {
    let pairs: Vec<(f64, f64)> = force_n
        .iter()
        .zip(x)
        .map(|(f, x)| (*f, *x))
        .filter(|(f, x)| f.is_finite() && x.is_finite())
        .collect();
    if pairs.len() <= FEWEST_ALIKE {
        return false;
    }
    let ((low_n, high_n), (low_mm, high_mm)) = (
        extremes(&pairs.iter().map(|p| p.0).collect::<Vec<_>>()),
        extremes(&pairs.iter().map(|p| p.1).collect::<Vec<_>>()),
    );
    let (way_n, way_mm) = (high_n - low_n, high_mm - low_mm);
    if way_n <= 0.0 || way_n > SWAPPED_N || way_mm < SWAPPED_MM_PER_N * way_n {
        return false;
    }
    let above = pairs.iter().map(|(f, x)| ((f - low_n) / way_n, (x - low_mm) / way_mm));
    let mut above: Vec<f64> = above.filter(|(_, x)| (MIDDLE[0]..MIDDLE[1]).contains(x)).map(|(f, x)| f - x).collect();
    median_in_place(&mut above).is_some_and(|m| m > ABOVE_LINE)
}

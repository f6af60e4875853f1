//! Numbers that loggers write where they have none (METHODS.md §1.12).

use super::headings::SourceColumn;
use crate::error::Problem;
use crate::format::counted;
use crate::stats::moments::median_in_place;
use crate::units::Quantity;

/// No force in N and no displacement in mm is one of these. Common practice, no source.
const ALWAYS: [f64; 6] = [-999.0, -999.9, -9999.0, -99999.0, 9999.0, 99999.0];
/// Others are one only when they repeat, and lie further from every other number than so many usual steps of the column.
const USUAL_STEPS: f64 = 8.0;
/// Fewest times that such a number stands in a column.
const FEWEST: usize = 2;

/// Takes such numbers out of a column, and says so.
pub(super) fn take_out(file: &str, column: &SourceColumn, values: &mut [f64]) -> Option<Problem> {
    let quantity = column.key.quantity();
    if !matches!(quantity, Some(Quantity::Force | Quantity::Displacement)) {
        return None;
    }
    // In counts, micrometres or gram-force even the larger ones are ordinary readings.
    let plain = !column.counts && column.scale >= 1.0;
    let mut candidates: Vec<f64> = values.iter().copied().filter(|v| is_nines(*v)).collect();
    if candidates.is_empty() {
        return None;
    }
    candidates.sort_unstable_by(f64::total_cmp);
    let others: Vec<f64> = values.iter().copied().filter(|v| v.is_finite() && !is_nines(*v)).collect();
    let taken: Vec<f64> = candidates
        .chunk_by(|a, b| a == b)
        .filter(|same| (plain && ALWAYS.contains(&same[0])) || (same.len() >= FEWEST && stands_apart(same[0], &others)))
        .map(|same| same[0])
        .collect();
    let mut count = 0_usize;
    for value in values.iter_mut().filter(|v| taken.contains(v)) {
        count += 1;
        *value = f64::NAN;
    }
    let first = taken.first()?;
    let like = if taken.len() > 1 { " or the like" } else { "" };
    Some(
        Problem::warning(
            file,
            format!("{} of {first}{like}, which loggers write for \"no value\"", counted(count, "sample")),
            "an empty cell where a sample is missing",
            "they are read as missing; look why the sensor gave none",
        )
        .in_column(&column.heading),
    )
}

/// Whether a number is written in nines alone: 99, 99.99, 9999, with a sign or without; or -9. Large positive ones only: 99 N may be a
/// push, and a push is never taken away.
fn is_nines(value: f64) -> bool {
    let size = value.abs();
    if value == -9.0 {
        return true;
    }
    // Twelve nines are as good as any number; nearly all readings are too small.
    if !(99.0..1e14).contains(&size) || (value > 0.0 && size < 999.0) {
        return false;
    }
    // Two decimals at the most.
    let hundredths = (size * 100.0).round();
    if (hundredths - size * 100.0).abs() > 1e-6 {
        return false;
    }
    let mut digits = hundredths as u64;
    // Decimals that are not there; -990 is no such number.
    for _ in 0..2 {
        if digits.is_multiple_of(10) {
            digits /= 10;
        }
    }
    let mut nines = 0;
    while digits % 10 == 9 {
        digits /= 10;
        nines += 1;
    }
    digits == 0 && nines >= 2
}

/// Whether a number lies beyond all others of its column, and further than what the column does by itself.
fn stands_apart(value: f64, others: &[f64]) -> bool {
    let (low, high) = crate::stats::moments::extremes(others);
    let apart = if value < low { low - value } else { value - high };
    let mut steps: Vec<f64> = others.array_windows().map(|[a, b]| (b - a).abs()).filter(|d| *d > 0.0).collect();
    let usual = median_in_place(&mut steps);
    usual.is_some_and(|usual| apart > USUAL_STEPS * usual)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nines_are_told_by_their_digits() {
        for yes in [-9.0, -99.0, -99.9, -99.99, -999.0, -999.9, -999.99, -9999.0, 999.0, 9999.0, 999.9, 99_999.0] {
            assert!(is_nines(yes), "{yes}");
        }
        for no in [0.0, 9.0, 99.0, 99.99, -9.9, -98.0, -990.0, -99.5, -9.99, 1999.0, f64::NAN, f64::INFINITY, 1e300] {
            assert!(!is_nines(no), "{no}");
        }
    }
}

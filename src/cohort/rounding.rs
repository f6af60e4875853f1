//! Values rounded to what a sensor resolves.

use super::parquet::Numbers;
use crate::units::{Quantity, Unit};

/// Steps that values are rounded to; `None` keeps every bit.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Rounding {
    pub force_n: Option<f64>,
    pub displacement_mm: Option<f64>,
}

/// Columns whose heading says N or mm (or another unit of them) rounded, and what was done, in words.
pub(super) fn rounded(mut columns: Vec<Numbers>, round: &Rounding) -> (Vec<Numbers>, String) {
    let mut told = Vec::new();
    for (heading, values) in &mut columns {
        let Some((quantity, Unit::Scale(scale))) = unit_of(heading) else {
            continue;
        };
        let (step, unit) = match quantity {
            Quantity::Force => (round.force_n, "N"),
            Quantity::Displacement => (round.displacement_mm, "mm"),
            Quantity::Time => (None, "s"),
        };
        let Some(step) = step else { continue };
        for value in values.iter_mut().flatten() {
            let steps = (*value * scale / step).round();
            // Through the shortest text, so that 0.1 is 0.1 and not three steps of 0.0333 and a bit.
            *value = nearest(steps * step / scale);
        }
        told.push(format!("{heading} to {step} {unit}"));
    }
    (columns, told.join("; "))
}

/// The number with at most twelve significant digits nearest to one: what rounding to a step means in decimals.
fn nearest(value: f64) -> f64 {
    format!("{value:.11e}").parse().unwrap_or(value)
}

/// Quantity and unit of a heading of ours, such as `force_left_n`.
fn unit_of(heading: &str) -> Option<(Quantity, Unit)> {
    let heading = heading.to_ascii_lowercase();
    let (_, suffix) = heading.rsplit_once('_')?;
    let quantities = [Quantity::Force, Quantity::Displacement];
    let quantity = quantities.into_iter().find(|q| heading.starts_with(q.word()))?;
    Some((quantity, Unit::parse(quantity, suffix)?))
}

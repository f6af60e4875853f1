//! Sensor counts to N and mm by the calibrations that a recording names.

use crate::format::counted;
use super::headings::SourceColumn;
use crate::calibrate::Calibration;
use crate::error::Problem;
use crate::study::mapping::ColumnKey;
use crate::study::words::one_of;

/// The calibrations that a recording may be read by.
#[derive(Debug, Clone, Copy, Default)]
pub struct CalibrationChoice<'a> {
    /// Each serves the columns of its quantity, or its channel alone where it has one.
    pub named: &'a [&'a Calibration],
    /// What to say of counts without a calibration, when one was named that is not there.
    pub absent: Option<&'a Problem>,
}

/// A column and the calibration by which it is known.
#[derive(Debug, Clone, PartialEq)]
pub struct CalibratedColumn {
    pub column: ColumnKey,
    pub calibration: Calibration,
}

/// The calibration of a column: the one for this very column, else the only one of its quantity that serves any.
///
/// A column that is in a unit already needs none.
///
/// # Errors
/// A problem for counts that no calibration fits, or that several do.
pub(super) fn calibration_of<'c>(
    file: &str,
    header_line: Option<u64>,
    column: &SourceColumn,
    choice: CalibrationChoice<'c>,
) -> Result<Option<&'c Calibration>, Problem> {
    let own = |c: &&Calibration| c.channel.as_deref() == Some(column.key.word());
    let any = |c: &&Calibration| c.channel.is_none();
    let fitting = || {
        let of_quantity = |c: &&Calibration| Some(c.quantity) == column.key.quantity();
        choice.named.iter().copied().filter(of_quantity)
    };
    let mut chosen: Vec<&'c Calibration> = fitting().filter(own).collect();
    if chosen.is_empty() {
        chosen = fitting().filter(any).collect();
    }
    let fault = |found: String, expected: String, advice: &str| {
        Problem::error(file, found, expected, advice)
            .in_column(&column.heading)
            .at_line(header_line)
    };
    match chosen.as_slice() {
        [one] => Ok(Some(one)),
        _ if !column.counts => Ok(None),
        [] => Err(choice.absent.cloned().unwrap_or_else(|| fault(
            "sensor counts".to_owned(),
            format!("{} in a unit, or a calibration for the sensor", column.key.word()),
            "make a certificate with tautpoint calibrate, put it into calibrations/ of the study and name it in the \
             sidecar or in study.toml (calibration = \"…\")",
        ))),
        several => {
            let names: Vec<&str> = several.iter().map(|c| c.name.as_str()).collect();
            Err(fault(
                format!(
                    "{} calibrations that may be meant: {}",
                    names.len(),
                    one_of(&names)
                ),
                "one for each column of counts".to_owned(),
                "name one only, or give each its channel (force_left, force_right, …) when calibrating",
            ))
        }
    }
}

/// The values of a column of counts, with a warning when the sensor was used beyond its calibration.
pub(super) fn convert(
    file: &str,
    column: &SourceColumn,
    calibration: &Calibration,
    counts: &[f64],
) -> (Vec<f64>, Option<Problem>) {
    let converted = calibration.convert(counts);
    let unit = crate::calibrate::unit_sign(calibration.quantity);
    let problem = converted.furthest.map(|furthest| {
        Problem::warning(
            file,
            format!(
                "{} beyond the calibration, up to {furthest:.1} {unit}",
                counted(converted.outside, "sample")
            ),
            format!(
                "{:.1} to {:.1} {unit}, as {} covers",
                calibration.range[0], calibration.range[1], calibration.name
            ),
            "they are read by the straight line at its end; calibrate further if such loads are meant",
        )
        .in_column(&column.heading)
    });
    (converted.values, problem)
}

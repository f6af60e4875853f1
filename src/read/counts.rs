//! Sensor counts to N and mm by the calibrations that a recording names.

use super::headings::Wanted;
use crate::calibrate::Calibration;
use crate::error::Problem;
use crate::study::mapping::ColumnKey;
use crate::study::words::one_of;

/// What is found in a column of counts that no calibration fits.
pub(super) const COUNTS: &str = "sensor counts";

/// A column and the calibration by which it is known.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibrated {
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
    wanted: &Wanted,
    calibrations: &[&'c Calibration],
) -> Result<Option<&'c Calibration>, Problem> {
    let own = |c: &&&Calibration| c.channel.as_deref() == Some(wanted.key.word());
    let any = |c: &&&Calibration| c.channel.is_none();
    let fitting: Vec<&&Calibration> = calibrations
        .iter()
        .filter(|c| Some(c.quantity) == wanted.key.quantity())
        .collect();
    let mut chosen: Vec<&'c Calibration> = fitting.iter().copied().filter(own).copied().collect();
    if chosen.is_empty() {
        chosen = fitting.iter().copied().filter(any).copied().collect();
    }
    let fault = |found: String, expected: String, advice: &str| {
        let mut problem = Problem::error(file, found, expected, advice).in_column(&wanted.heading);
        problem.line = header_line;
        problem
    };
    match chosen.as_slice() {
        [one] => Ok(Some(one)),
        _ if !wanted.counts => Ok(None),
        [] => Err(fault(
            COUNTS.to_owned(),
            format!("{} in a unit, or a calibration for the sensor", wanted.key.word()),
            "make a certificate with tautpoint calibrate, put it into calibrations/ of the study and name it in the \
             sidecar or in study.toml (calibration = \"…\")",
        )),
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
    wanted: &Wanted,
    calibration: &Calibration,
    counts: &[f64],
) -> (Vec<f64>, Option<Problem>) {
    let converted = calibration.convert(counts);
    let unit = crate::calibrate::unit_sign(calibration.quantity);
    let problem = converted.furthest.map(|furthest| {
        Problem::warning(
            file,
            format!(
                "{} samples beyond the calibration, up to {furthest:.1} {unit}",
                converted.outside
            ),
            format!(
                "{:.1} to {:.1} {unit}, as {} covers",
                calibration.range[0], calibration.range[1], calibration.name
            ),
            "they are read by the straight line at its end; calibrate further if such loads are meant",
        )
        .in_column(&wanted.heading)
    });
    (converted.values, problem)
}

//! A calibration in use: counts to newtons or millimetres, and whether it may be used at all.

use super::Calibration;
use crate::error::Problem;
use crate::terms::Day;
use crate::units::Quantity;

/// A share of the span that readings may lie beyond the range before anybody is told: unloaded sensors read a little
/// below the lowest load.
const TOLERATED: f64 = 0.05;

/// A whole channel converted.
#[derive(Debug, Clone, PartialEq)]
pub struct ConvertedChannel {
    /// In N or mm; a missing sample stays NaN.
    pub values: Vec<f64>,
    /// Samples well beyond the loads of the calibration.
    pub outside: usize,
    /// Furthest such sample, in N or mm.
    pub furthest: Option<f64>,
}

/// Whether a calibration fits its use.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Validity {
    /// Each begins with a short fixed phrase: `calibration expired: …`, `wrong sensor: …`.
    pub complaints: Vec<Complaint>,
}

/// One thing that does not fit.
#[derive(Debug, Clone, PartialEq)]
pub struct Complaint {
    pub found: String,
    pub expected: String,
    pub advice: String,
}

impl Validity {
    /// The complaints as problems of a recording: warnings, or errors where nothing may be let through.
    pub fn problems(&self, recording: &str, strict: bool) -> Vec<Problem> {
        self.complaints
            .iter()
            .map(|c| match strict {
                true => Problem::error(recording, &c.found, &c.expected, &c.advice),
                false => Problem::warning(recording, &c.found, &c.expected, &c.advice),
            })
            .collect()
    }

    /// The complaints as notes on every result.
    pub fn notes(&self) -> Vec<String> {
        self.complaints.iter().map(|c| c.found.clone()).collect()
    }
}

impl Calibration {
    /// Converts a channel of counts. `counts` may hold NaN where samples are missing.
    pub fn convert(&self, counts: &[f64]) -> ConvertedChannel {
        let margin = TOLERATED * self.span();
        let (low, high) = (self.range[0] - margin, self.range[1] + margin);
        let mut outside = 0;
        let mut furthest: Option<(f64, f64)> = None;
        let values = counts
            .iter()
            .map(|c| {
                let Some(value) = self.value(*c) else {
                    return f64::NAN;
                };
                let beyond = (low - value).max(value - high);
                if beyond > 0.0 {
                    outside += 1;
                    if furthest.is_none_or(|(most, _)| beyond > most) {
                        furthest = Some((beyond, value));
                    }
                }
                value
            })
            .collect();
        ConvertedChannel {
            values,
            outside,
            furthest: furthest.map(|(_, value)| value),
        }
    }

    /// One force from counts, with the standard uncertainty of that one reading, both in N; `None` for a calibration
    /// of displacement or counts that are no number.
    pub fn force_n(&self, counts: f64) -> Option<(f64, f64)> {
        let inverse = (self.quantity == Quantity::Force).then(|| self.invert(counts, 1))??;
        Some((inverse.value, inverse.standard_uncertainty))
    }

    /// Whether it may be used for a recording: in date on that day, made for that sensor. What nobody said is not
    /// held against it, but a day that is not known is told.
    pub fn validity(&self, recorded: Option<Day>, sensors: &[String]) -> Validity {
        let mut v = Validity::default();
        let mut complain = |found: String, expected: String, advice: &str| {
            v.complaints.push(Complaint {
                found,
                expected,
                advice: advice.to_owned(),
            });
        };
        match (recorded, self.expires) {
            (Some(day), Some(expires)) if day > expires => complain(
                format!(
                    "calibration expired: {} ended on {expires}, recorded on {day}",
                    self.name
                ),
                "a calibration in date".to_owned(),
                "calibrate again and check that the sensor has not moved; until then trust no number further than that",
            ),
            (None, Some(expires)) => complain(
                format!(
                    "calibration date not checked: {} ends on {expires}, and the recording has no day",
                    self.name
                ),
                "recorded_at or session in the sidecar".to_owned(),
                "write the day of the recording into the sidecar",
            ),
            _ => {}
        }
        if let (Some(day), Some(made)) = (recorded, self.made)
            && day < made
        {
            complain(
                format!(
                    "calibration made later: {} dates from {made}, recorded on {day}",
                    self.name
                ),
                "a calibration made before the recording".to_owned(),
                "name the one that was in force, or say why this one holds",
            );
        }
        if let Some(own) = &self.sensor
            && !sensors.is_empty()
            && !sensors.contains(own)
        {
            let used = sensors.join(", ");
            complain(
                format!("wrong sensor: {} is for {own}, recorded with {used}", self.name),
                format!("a calibration of {used}"),
                "name the right calibration, or correct the sensor in the sidecar",
            );
        }
        v
    }
}

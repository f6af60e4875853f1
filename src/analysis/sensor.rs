//! Readings under known loads to a calibration, as `tautpoint calibrate` makes it.

use crate::calibrate::{Day, MakeOptions, NewCalibration, make};
use crate::error::{Error, Problem, Result, Severity};
use crate::read::readings::{ReadingsOptions, read_readings};
use crate::report::certificate;

/// What the readings themselves do not say.
#[derive(Debug, Clone, Default)]
pub struct LoadOptions {
    /// Name by which sidecars call for the calibration.
    pub name: String,
    /// Code of the sensor.
    pub sensor: Option<String>,
    /// Day on which it was made; today when not given.
    pub made: Option<String>,
    /// The last day on which it may be used.
    pub expires: Option<String>,
    /// Degree of the curve, 1 to 3; by F test when not given.
    pub degree: Option<usize>,
    /// Local gravity in m/s².
    pub gravity: Option<f64>,
    /// Standard uncertainty of the loads themselves, in percent.
    pub load_u_percent: Option<f64>,
}

/// A calibration with how it came about.
pub struct CalibrationReport {
    made: NewCalibration,
    problems: Vec<Problem>,
}

/// Makes a calibration of delimited text with what was applied and what was indicated, as a file of this name would hold it.
///
/// # Errors
/// What is wrong with the readings, and days, degrees or a gravity that cannot be meant.
pub fn calibrate_text(name: &str, text: &str, options: &LoadOptions) -> Result<CalibrationReport> {
    let cannot = |what: &str, found: String, expected: &str| Error::Setting {
        what: what.to_owned(),
        found,
        expected: expected.to_owned(),
    };
    let day = |what: &str, given: &Option<String>| {
        let parse = |text: &String| Day::parse(text).ok_or_else(|| cannot(what, text.clone(), "a day written YYYY-MM-DD"));
        given.as_ref().map(parse).transpose()
    };
    let made = day("made", &options.made)?.unwrap_or_else(Day::today);
    let expires = day("expires", &options.expires)?;
    if let Some(expires) = expires.filter(|e| *e < made) {
        return Err(cannot("expires", expires.to_string(), &format!("a day on or after {made}, when it was made")));
    }
    if let Some(degree) = options.degree.filter(|d| !(1..=3).contains(d)) {
        return Err(cannot("degree", degree.to_string(), "1, 2 or 3"));
    }
    if let Some(g) = options.gravity.filter(|g| !(9.76..=9.84).contains(g)) {
        return Err(cannot("gravity", g.to_string(), "m/s2 as it is found on earth, 9.76 to 9.84"));
    }
    if let Some(u) = options.load_u_percent.filter(|u| !(*u > 0.0 && *u <= 100.0)) {
        return Err(cannot("load_u_percent", u.to_string(), "a number above 0, at most 100"));
    }
    let reading = ReadingsOptions {
        gravity: options.gravity,
        ..ReadingsOptions::default()
    };
    let (readings, mut problems) = read_readings(name, text, &reading);
    let Some(readings) = readings else {
        let first = problems.into_iter().find(|p| p.severity == Severity::Error);
        let none = || Problem::error(name, "no readings", "what was applied and what was indicated", "give both columns");
        return Err(first.unwrap_or_else(none).into());
    };
    let made = make(
        &readings,
        &MakeOptions {
            name: options.name.clone(),
            sensor: options.sensor.clone(),
            made: Some(made),
            expires,
            degree: options.degree,
            load_u_percent: options.load_u_percent,
        },
    )?;
    problems.extend(made.problems.iter().cloned());
    Ok(CalibrationReport { made, problems })
}

impl CalibrationReport {
    /// What `tautpoint calibrate --json` prints.
    pub fn json(&self) -> String {
        format!("{:#}\n", certificate::to_json(&self.made))
    }

    /// The certificate that a study keeps in `calibrations/`.
    pub fn certificate(&self) -> String {
        self.made.calibration.to_toml()
    }

    /// The page for people, that stands alone.
    ///
    /// # Errors
    /// When the page could not be put together.
    pub fn page(&self) -> Result<String> {
        certificate::page(&self.made)
    }

    /// Warnings.
    pub fn problems(&self) -> &[Problem] {
        &self.problems
    }
}

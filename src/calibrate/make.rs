//! SensorReadings to a calibration: what must hold before a curve is believed.

use super::figures::Deflections;
use super::polynomial::{self, DEGREE_P, DegreeTest, Polynomial, different};
use super::readings::{Direction, SensorReadings};
use super::{Calibration, Day, unit_sign};
use crate::error::{Error, Problem, Result};
use crate::stats::StatsError;
use crate::stats::quantile::{f_upper_tail, t_upper_tail};

/// A slope that readings show less surely than this is none.
const SLOPE_P: f64 = 0.05;
/// A reading this improbable among its fellows is named; multiplied by the number of readings.
const STRAY_P: f64 = 0.01;

/// What the readings themselves do not say.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MakeOptions {
    /// Name of the calibration.
    pub name: String,
    /// Code of the sensor.
    pub sensor: Option<String>,
    /// The day it was made.
    pub made: Option<Day>,
    /// The last day on which it may be used.
    pub expires: Option<Day>,
    /// By F test when `None`.
    pub degree: Option<usize>,
    /// Standard relative uncertainty of the loads, in percent; adds to what the readings carry.
    pub load_u_percent: Option<f64>,
}

/// A calibration with how it came about.
#[derive(Debug, Clone, PartialEq)]
pub struct NewCalibration {
    /// The calibration.
    pub calibration: Calibration,
    /// F tests by which the degree was chosen; empty when it was given.
    pub degree_tests: Vec<DegreeTest>,
    /// Each reading's load, how far it lies off the curve (indicated units), and how it was reached.
    pub residuals: Vec<(f64, f64, Option<Direction>)>,
    /// Warnings only.
    pub problems: Vec<Problem>,
}

/// Makes a calibration.
///
/// # Errors
/// A problem when the readings cannot carry one: too few, all alike, fewer loads than coefficients, a curve that turns
/// back inside the range, a sensor that does not follow the load.
pub fn make(readings: &SensorReadings, options: &MakeOptions) -> Result<NewCalibration> {
    check_enough(readings, options)?;
    let (applied, indicated) = (readings.applied(), readings.indicated());
    let fitted = match options.degree {
        Some(degree) => polynomial::fit(&applied, &indicated, degree).map(|p| (p, Vec::new())),
        None => polynomial::choose_degree(&applied, &indicated),
    };
    let (curve, degree_tests) = fitted.map_err(|e| no_fit(readings, &e))?;
    let (low, high) = polynomial::extent(&applied);
    if !curve.is_monotone(low, high) {
        return Err(turns_back(readings, &curve, options.degree.is_some()).into());
    }
    check_follows(readings, &applied, &indicated)?;
    let residuals = readings
        .readings
        .iter()
        .map(|r| (r.applied, r.indicated - curve.at(r.applied), r.direction))
        .collect();
    let mut problems = strays(readings, &curve);
    problems.extend(lone_downs(readings));
    let deflections = Deflections::new(readings, &curve);
    let mut notes = readings.notes.clone();
    notes.extend(deflections.note.clone());
    notes.push(degree_words(&degree_tests, &curve, options.degree.is_some()));
    let figures = deflections.figures();
    let square = |u: Option<f64>| u.unwrap_or(0.0).powi(2);
    let load_u = (square(readings.load_u_percent) + square(options.load_u_percent)).sqrt();
    if load_u == 0.0 {
        notes.push("the uncertainty of the loads themselves was not given and is not counted".to_owned());
    }
    let calibration = Calibration {
        name: options.name.clone(),
        sensor: options.sensor.clone(),
        channel: readings.channel.clone(),
        quantity: readings.quantity,
        made: options.made,
        expires: options.expires,
        curve,
        range: [low, high],
        load_u_percent: (load_u > 0.0).then_some(load_u),
        figures,
        notes,
    };
    Ok(NewCalibration {
        calibration,
        degree_tests,
        residuals,
        problems,
    })
}

fn degree_words(tests: &[DegreeTest], curve: &Polynomial, asked: bool) -> String {
    if asked {
        return format!("degree {} as asked for", curve.degree());
    }
    if tests.is_empty() {
        return format!(
            "degree {}: there are too few loads to test a higher one",
            curve.degree()
        );
    }
    let told: Vec<String> = tests
        .iter()
        .map(|t| {
            format!(
                "{} against {}: F = {:.4}, p = {:.3e}",
                t.degree,
                t.degree - 1,
                t.f,
                t.p
            )
        })
        .collect();
    format!(
        "degree {} by F test at p < {DEGREE_P} ({})",
        curve.degree(),
        told.join("; ")
    )
}

fn check_enough(readings: &SensorReadings, options: &MakeOptions) -> Result<()> {
    let n = readings.readings.len();
    let degree = options.degree.unwrap_or(1);
    let unit = unit_sign(readings.quantity);
    let problem = |found: String, expected: String, advice: &str| -> Result<()> {
        Err(Problem::error(&readings.file, found, expected, advice).into())
    };
    if n < 2 {
        return problem(
            if n == 0 {
                "no reading".to_owned()
            } else {
                "one reading".to_owned()
            },
            format!(
                "at least {} readings under {} different loads",
                degree + 2,
                degree + 1
            ),
            "read the sensor under more loads, no load among them",
        );
    }
    let loads = readings.loads();
    if loads.len() == 1 {
        return problem(
            format!("all {n} readings under one load, {} {unit}", loads[0]),
            "different loads".to_owned(),
            "a slope needs at least two; read under no load too",
        );
    }
    let indicated = readings.indicated();
    if different(&indicated) == 1 {
        return problem(
            format!("all {n} readings alike, {}", indicated[0]),
            "a sensor that follows the load".to_owned(),
            "check that it is connected and that the right column was read",
        );
    }
    if loads.len() < degree + 1 {
        return problem(
            format!("{} different loads for {} coefficients", loads.len(), degree + 1),
            format!("at least {} different loads for degree {degree}", degree + 1),
            "add loads or lower --degree",
        );
    }
    if n < degree + 2 {
        return problem(
            format!("{n} readings for {} coefficients", degree + 1),
            format!("at least {} readings for degree {degree}", degree + 2),
            "without a reading over nobody can say how well the curve fits; read again or lower --degree",
        );
    }
    Ok(())
}

/// The straight line must show a slope: without one an inverse reading means nothing.
fn check_follows(readings: &SensorReadings, applied: &[f64], indicated: &[f64]) -> Result<()> {
    let line = polynomial::fit(applied, indicated, 1).map_err(|e| no_fit(readings, &e))?;
    let se = line.covariance[1][1].sqrt();
    if se == 0.0 {
        return Ok(());
    }
    let f = (line.coefficients[1] / se).powi(2);
    let p = f_upper_tail(f, 1.0, line.degrees_of_freedom as f64).map_err(|e| no_fit(readings, &e))?;
    // With three readings on two loads even a clear slope tests weakly: the change must then exceed the scatter.
    let change = line.coefficients[1].abs() * (readings.loads().last().unwrap_or(&0.0) - readings.loads()[0]);
    if p > SLOPE_P && change < 10.0 * line.residual_sd {
        return Err(Problem::error(
            &readings.file,
            format!("no slope that stands out of the scatter (p = {p:.2})"),
            "a sensor that follows the load",
            "check that it is connected, that loads and readings belong together, and that no row is mistyped",
        )
        .into());
    }
    Ok(())
}

fn no_fit(readings: &SensorReadings, error: &StatsError) -> Error {
    Problem::error(
        &readings.file,
        error.to_string(),
        "readings that determine a curve",
        "add loads or readings",
    )
    .into()
}

fn turns_back(readings: &SensorReadings, curve: &Polynomial, asked: bool) -> Problem {
    let (low, high) = polynomial::extent(&readings.applied());
    let unit = unit_sign(readings.quantity);
    let steps = 1000;
    let at = |i: usize| low + (high - low) * i as f64 / steps as f64;
    let rises = curve.at(high) > curve.at(low);
    let turn = (0..=steps).map(at).find(|x| (curve.slope(*x) > 0.0) != rises);
    Problem::error(
        &readings.file,
        format!(
            "a curve of degree {} that turns back near {:.4} {unit}",
            curve.degree(),
            turn.unwrap_or(low)
        ),
        "a curve that only rises or only falls: one indication must mean one load",
        if asked {
            "lower --degree, or look for mistyped rows"
        } else {
            "look for mistyped rows, or give --degree 1"
        },
    )
}

/// SensorReadings far off the curve that all others make, by the deleted residual.
fn strays(readings: &SensorReadings, curve: &Polynomial) -> Vec<Problem> {
    let (s2, df) = (curve.residual_sd.powi(2), curve.degrees_of_freedom as f64);
    let n = readings.readings.len() as f64;
    let mut found = Vec::new();
    if s2 <= 0.0 || df < 2.0 {
        return found;
    }
    for r in &readings.readings {
        let leverage = curve.variance_along(&curve.powers(r.applied)) / s2;
        let off = r.indicated - curve.at(r.applied);
        let left = (1.0 - leverage).max(1e-9);
        let without = ((s2 * df - off * off / left) / (df - 1.0)).max(0.0);
        let t = off.abs() / (without * left).sqrt();
        let p = t_upper_tail(t, df - 1.0).unwrap_or(1.0) * 2.0 * n;
        if t.is_nan() || p >= STRAY_P {
            continue;
        }
        found.push(
            Problem::warning(
                &readings.file,
                format!(
                    "{} indicated under {}, {off:.4} off the curve of the others",
                    r.indicated, r.applied
                ),
                format!("{:.4}", curve.at(r.applied)),
                "look whether it is mistyped; it is used as it is",
            )
            .at_line(r.line)
            .in_column("indicated"),
        );
    }
    found
}

/// Loads that a run reached only from above.
fn lone_downs(readings: &SensorReadings) -> Option<Problem> {
    let any_down = readings
        .readings
        .iter()
        .find(|r| r.direction == Some(Direction::Down))?;
    let any_up = readings
        .readings
        .iter()
        .any(|r| r.direction == Some(Direction::Up));
    if any_up {
        return None;
    }
    Some(
        Problem::warning(
            &readings.file,
            "readings on the way down and none on the way up",
            "each run up, then down",
            "reversibility and zero return cannot be had; check the column",
        )
        .at_line(any_down.line)
        .in_column("direction"),
    )
}

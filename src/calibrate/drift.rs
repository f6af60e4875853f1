//! The daily check: known loads against the calibration, over time.
//!
//! One chart of individuals for each load: one point a check, limits from the moving range of the first checks.

use super::{Calibration, Day, SensorReadings};
use crate::error::Problem;
use crate::study::table::{TextRow, TextTable};
use crate::units::Quantity;
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// File of the history, in the folder of the calibrations.
pub const HISTORY: &str = "verify.csv";
/// Limits come from this many checks, the first ones.
pub const BASELINE: usize = 20;
/// With fewer checks than this before the newest, limits come from the calibration's own uncertainty.
pub const LEAST_BASELINE: usize = 5;
/// Mean moving range of two over the standard deviation, for normal values (d2 for n = 2: 2/√π).
pub const D2: f64 = 1.128;
/// Half-width of the limits in standard deviations.
pub const SIGMAS: f64 = 3.0;

const HEADINGS: [&str; 9] = [
    "check",
    "checked_at",
    "calibration",
    "sensor",
    "applied_n",
    "applied_mm",
    "indicated",
    "error_n",
    "error_mm",
];

/// One reading of one check, as the history keeps it.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckReading {
    /// Counts from 1 over the whole history.
    pub check: u32,
    /// RFC 3339 time or day.
    pub checked_at: String,
    /// Name of the calibration it was checked against.
    pub calibration: String,
    pub sensor: Option<String>,
    pub quantity: Quantity,
    /// In N or mm.
    pub applied: f64,
    pub indicated: f64,
    /// What the calibration makes of the indication less what was applied, in N or mm.
    pub error: f64,
}

/// The readings of one check against a calibration.
///
/// # Errors
/// A problem when the readings measure something else than the calibration, or there are none.
pub fn check(
    calibration: &Calibration,
    readings: &SensorReadings,
    check: u32,
    checked_at: &str,
) -> Result<Vec<CheckReading>, Problem> {
    if readings.quantity != calibration.quantity {
        return Err(Problem::error(
            &readings.file,
            format!("readings of {}", readings.quantity.word()),
            format!(
                "readings of {}, as {} is for",
                calibration.quantity.word(),
                calibration.name
            ),
            "name the calibration of that sensor",
        )
        .in_column(&readings.applied_heading));
    }
    let found: Vec<CheckReading> = readings
        .readings
        .iter()
        .filter_map(|r| {
            Some(CheckReading {
                check,
                checked_at: checked_at.to_owned(),
                calibration: calibration.name.clone(),
                sensor: calibration.sensor.clone(),
                quantity: calibration.quantity,
                applied: r.applied,
                indicated: r.indicated,
                error: calibration.value(r.indicated)? - r.applied,
            })
        })
        .collect();
    if found.is_empty() {
        return Err(Problem::error(
            &readings.file,
            "no reading",
            "at least one known load",
            "read the sensor under one",
        ));
    }
    Ok(found)
}

/// The history's text with the new readings at its end: what stood there stays as it was, byte for byte.
pub fn appended(history: &str, new: &[CheckReading]) -> String {
    let mut text = history.to_owned();
    if text.trim().is_empty() {
        text = HEADINGS.join(",");
    }
    if !text.ends_with('\n') {
        text.push('\n');
    }
    for c in new {
        let mm = c.quantity == Quantity::Displacement;
        let number = |v: f64, here: bool| if here { format!("{v}") } else { String::new() };
        let _ = writeln!(
            text,
            "{},{},{},{},{},{},{},{},{}",
            c.check,
            cell(&c.checked_at),
            cell(&c.calibration),
            cell(c.sensor.as_deref().unwrap_or("")),
            number(c.applied, !mm),
            number(c.applied, mm),
            c.indicated,
            number(c.error, !mm),
            number(c.error, mm),
        );
    }
    text
}

/// A cell of text, quoted where it must be (RFC 4180, section 2).
fn cell(text: &str) -> String {
    let clean: String = text
        .chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect();
    if clean.contains([',', ';', '"', '#']) {
        format!("\"{}\"", clean.replace('"', "\"\""))
    } else {
        clean
    }
}

/// Reads a history. A row that cannot be read is a problem of severity error: nothing should be added to a history
/// that has been spoiled.
pub fn read_history(file: &str, text: &str) -> (Vec<CheckReading>, Vec<Problem>) {
    let mut problems = Vec::new();
    if text.trim().is_empty() {
        return (Vec::new(), problems);
    }
    let table = match TextTable::parse(file, text, &mut problems) {
        Ok(table) => table,
        Err(problem) => return (Vec::new(), vec![problem]),
    };
    if !table.check_headings(file, &HEADINGS, &[], &mut problems) {
        return (Vec::new(), problems);
    }
    let mut all = Vec::new();
    for row in &table.rows {
        match one_row(row) {
            Some(checked) => all.push(checked),
            None => problems.push(
                Problem::error(
                    file,
                    "a row that is no check",
                    "check, day (2026-09-14), calibration, load, indication and error",
                    "put the row right, or take the file away to begin a new history",
                )
                .at_line(row.line),
            ),
        }
    }
    (all, problems)
}

fn one_row(row: &TextRow) -> Option<CheckReading> {
    let number = |heading: &str| row.get(heading)?.parse::<f64>().ok().filter(|v| v.is_finite());
    let (quantity, applied, error) = match number("applied_n") {
        Some(applied) => (Quantity::Force, applied, number("error_n")?),
        None => (Quantity::Displacement, number("applied_mm")?, number("error_mm")?),
    };
    Some(CheckReading {
        check: row.get("check")?.parse().ok()?,
        checked_at: row.get("checked_at").filter(|d| Day::parse(d).is_some())?.to_owned(),
        calibration: row.get("calibration")?.to_owned(),
        sensor: row.get("sensor").map(str::to_owned),
        quantity,
        applied,
        indicated: number("indicated")?,
        error,
    })
}

/// One point of a chart: the mean error of one check at one load.
#[derive(Debug, Clone, PartialEq)]
pub struct ChartPoint {
    pub check: u32,
    pub checked_at: String,
    /// In N or mm.
    pub error: f64,
}

/// Where the limits of a chart came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LimitsFrom {
    /// The moving range of the first so many checks.
    Checks(usize),
    /// Too few checks yet: three standard uncertainties of a reading by the calibration, about no error.
    Calibration,
}

/// In or out of control.
#[derive(Debug, Clone, PartialEq)]
pub enum ControlState {
    /// The newest check is inside, and so are all since this one.
    In { since: String },
    /// The newest check is outside, and so are all since this one.
    Out { since: String },
}

/// The control chart of one load.
#[derive(Debug, Clone, PartialEq)]
pub struct Chart {
    pub quantity: Quantity,
    /// In N or mm.
    pub applied: f64,
    /// In the order of the checks.
    pub points: Vec<ChartPoint>,
    pub centre: f64,
    /// Lower and upper limit, in N or mm.
    pub limits: [f64; 2],
    pub limits_from: LimitsFrom,
    /// How many points lie outside.
    pub outside: usize,
    pub state: ControlState,
}

impl Chart {
    /// Whether a point lies outside the limits.
    pub fn is_outside(&self, error: f64) -> bool {
        error < self.limits[0] || error > self.limits[1]
    }
}

/// Limits of an individuals chart: centre and standard deviation from a baseline. `None` with fewer than two values.
///
/// # Formula
/// centre = mean, σ = mean of |xᵢ − xᵢ₋₁| / 1.128.
///
/// # Source
/// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, Individuals control charts.
pub fn individuals(baseline: &[f64]) -> Option<(f64, f64)> {
    let centre = crate::stats::moments::mean(baseline).ok()?;
    let ranges: Vec<f64> = baseline.windows(2).map(|w| (w[1] - w[0]).abs()).collect();
    let mean_range = crate::stats::moments::mean(&ranges).ok()?;
    Some((centre, mean_range / D2))
}

/// Charts the history of one calibration, one chart for each load, rising.
///
/// The spread is never taken smaller than the sensor's resolution can show (step/√12, where the certificate has it):
/// equal readings do not mean no spread.
pub fn charts(history: &[CheckReading], calibration: &Calibration) -> Vec<Chart> {
    let own: Vec<&CheckReading> = history
        .iter()
        .filter(|c| c.calibration == calibration.name)
        .collect();
    let close = 1e-6 * own.iter().fold(0.0, |m: f64, c| m.max(c.applied.abs()));
    let mut loads: Vec<f64> = own.iter().map(|c| c.applied).collect();
    loads.sort_by(f64::total_cmp);
    loads.dedup_by(|b, a| *b - *a <= close);
    loads
        .into_iter()
        .filter_map(|load| {
            let here = own
                .iter()
                .filter(|c| c.applied >= load - close && c.applied <= load + close);
            chart(calibration, load, points(here.copied()))
        })
        .collect()
}

fn points<'a>(checks: impl Iterator<Item = &'a CheckReading>) -> Vec<ChartPoint> {
    let mut by_check: BTreeMap<u32, (String, Vec<f64>)> = BTreeMap::new();
    for c in checks {
        by_check
            .entry(c.check)
            .or_insert_with(|| (c.checked_at.clone(), Vec::new()))
            .1
            .push(c.error);
    }
    by_check
        .into_iter()
        .map(|(check, (checked_at, errors))| ChartPoint {
            check,
            checked_at,
            error: errors.iter().sum::<f64>() / errors.len() as f64,
        })
        .collect()
}

fn chart(calibration: &Calibration, applied: f64, points: Vec<ChartPoint>) -> Option<Chart> {
    let errors: Vec<f64> = points.iter().map(|p| p.error).collect();
    let baseline = BASELINE.min(errors.len().checked_sub(1)?);
    let step = calibration
        .figure("resolution")
        .and_then(|f| f.value)
        .unwrap_or(0.0);
    let (centre, sigma, limits_from) = if baseline >= LEAST_BASELINE {
        let (centre, sigma) = individuals(&errors[..baseline])?;
        (
            centre,
            sigma.max(step / 12f64.sqrt()),
            LimitsFrom::Checks(baseline),
        )
    } else {
        let u = calibration
            .invert(calibration.indicated(applied), 1)?
            .standard_uncertainty;
        (0.0, u.max(step / 12f64.sqrt()), LimitsFrom::Calibration)
    };
    let limits = [centre - SIGMAS * sigma, centre + SIGMAS * sigma];
    let out = |p: &ChartPoint| p.error < limits[0] || p.error > limits[1];
    let newest = out(points.last()?);
    let run = points.iter().rev().take_while(|p| out(p) == newest).count();
    let since = points[points.len() - run].checked_at.clone();
    Some(Chart {
        quantity: calibration.quantity,
        applied,
        outside: points.iter().filter(|p| out(p)).count(),
        points,
        centre,
        limits,
        limits_from,
        state: if newest {
            ControlState::Out { since }
        } else {
            ControlState::In { since }
        },
    })
}

/// What the daily checks say of one calibration over time: for each check, whether any of its loads lay outside.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ControlHistory {
    /// Name of the calibration.
    pub calibration: String,
    /// Days of the checks, in the order of the days, and whether all loads were inside.
    checks: Vec<(Day, bool)>,
}

/// A stretch of days in which a sensor was out of control.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct OutOfControl {
    /// Day of the last check inside before it; `None` when there was none.
    pub last_inside: Option<Day>,
    /// Day of the first check outside.
    pub since: Day,
}

impl ControlHistory {
    /// From the whole history of checks. `None` when the calibration was never checked.
    pub fn of(history: &[CheckReading], calibration: &Calibration) -> Option<ControlHistory> {
        let mut inside: BTreeMap<u32, (Day, bool)> = BTreeMap::new();
        for chart in charts(history, calibration) {
            for point in &chart.points {
                let Some(day) = Day::parse(&point.checked_at) else { continue };
                let check = inside.entry(point.check).or_insert((day, true));
                check.1 &= !chart.is_outside(point.error);
            }
        }
        let mut checks: Vec<(Day, bool)> = inside.into_values().collect();
        // Stable: of two checks of one day the later one speaks for what follows.
        checks.sort_by_key(|(day, _)| *day);
        (!checks.is_empty()).then(|| ControlHistory {
            calibration: calibration.name.clone(),
            checks,
        })
    }

    /// Whether the sensor was out of control on a day, or is now when the day is not known.
    ///
    /// What was recorded after the last check inside and before the first one outside is not known to be right either.
    pub fn out_on(&self, day: Option<Day>) -> Option<OutOfControl> {
        let at = |i: usize| {
            let since = self.checks[i].0;
            let first = self.checks[..i].iter().rposition(|(_, inside)| *inside);
            let begin = first.map_or(0, |k| k + 1);
            OutOfControl {
                last_inside: first.map(|k| self.checks[k].0),
                since: self.checks[begin].0.min(since),
            }
        };
        let newest = self.checks.len().checked_sub(1)?;
        let Some(day) = day else {
            return (!self.checks[newest].1).then(|| at(newest));
        };
        let on_or_before = self.checks.iter().rposition(|(d, _)| *d <= day);
        match on_or_before {
            Some(i) if !self.checks[i].1 => Some(at(i)),
            // The next check found it out: it went out somewhere in between, on the day of a good check not before it.
            Some(i) if self.checks[i].0 < day => {
                let next = i + 1;
                self.checks.get(next).filter(|(_, inside)| !inside).map(|_| at(next))
            }
            _ => None,
        }
    }
}

impl OutOfControl {
    /// What is to be told of it, for this calibration.
    pub fn words(&self, calibration: &str) -> String {
        let last = self
            .last_inside
            .map_or_else(|| "no check before it was inside".to_owned(), |day| format!("last inside on {day}"));
        format!("sensor out of control: the daily check of {calibration} is outside its limits since {} ({last})", self.since)
    }
}

/// What to do about a sensor out of control.
pub const OUT_OF_CONTROL_ADVICE: &str =
    "look for a moved or overloaded sensor, check again with tautpoint calibrate --verify, and calibrate anew if it stays; until \
     then trust no force or displacement of it, and no ceiling";

/// Checks from number `first` on whose day lies before that of an earlier check of the same calibration, or after `today`.
pub fn wrongly_dated(file: &str, history: &[CheckReading], first: u32, today: Option<Day>) -> Vec<Problem> {
    let mut latest: BTreeMap<&str, (Day, u32)> = BTreeMap::new();
    let mut told = std::collections::BTreeSet::new();
    let mut problems = Vec::new();
    for c in history {
        let Some(day) = Day::parse(&c.checked_at) else { continue };
        let before = latest.get(c.calibration.as_str()).copied().filter(|(d, n)| *d > day && *n < c.check);
        let ahead = today.filter(|t| day > *t);
        if let Some(found) = before
            .map(|(d, n)| format!("check {} of {} dated {day}, before check {n} of {d}", c.check, c.calibration))
            .or_else(|| ahead.map(|t| format!("check {} of {} dated {day}, and today is {t}", c.check, c.calibration)))
            && c.check >= first
            && told.insert((c.check, &c.calibration))
        {
            problems.push(
                Problem::warning(
                    file,
                    found,
                    "checks in the order in which they were made, none backdated",
                    "correct the day in the history if it was mistyped; if not, say beside it why the check was entered later",
                )
                .in_column("checked_at"),
            );
        }
        let newest = latest.entry(&c.calibration).or_insert((day, c.check));
        if day > newest.0 {
            *newest = (day, c.check);
        }
    }
    problems
}

/// All charts in one word: out as soon as one load is, since the earliest of them; in since the latest change.
pub fn overall(charts: &[Chart]) -> Option<ControlState> {
    let mut out = None;
    let mut inside: Option<&String> = None;
    for chart in charts {
        match &chart.state {
            ControlState::Out { since } => out = Some(out.map_or(since, |o: &String| o.min(since))),
            ControlState::In { since } => inside = Some(inside.map_or(since, |i| i.max(since))),
        }
    }
    match (out, inside) {
        (Some(since), _) => Some(ControlState::Out { since: since.clone() }),
        (None, Some(since)) => Some(ControlState::In { since: since.clone() }),
        (None, None) => None,
    }
}

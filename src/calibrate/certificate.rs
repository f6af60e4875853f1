//! The certificate: TOML for machines. The page for people is made in `report`.

use super::figures::{CalibrationFigure, PercentOf};
use super::polynomial::HIGHEST_DEGREE;
use super::{Calibration, Day, Polynomial, unit_word};
use crate::error::Problem;
use crate::study::toml_doc::{Doc, Section, as_number, describe};
use crate::terms::closed_terms;
use crate::units::Quantity;
use std::fmt::Write as _;
use toml::de::DeValue;

const KEYS: [&str; 17] = [
    "format",
    "name",
    "sensor",
    "channel",
    "quantity",
    "made",
    "expires",
    "degree",
    "coefficients",
    "standard_errors",
    "covariance",
    "residual_sd",
    "degrees_of_freedom",
    "range",
    "load_u_percent",
    "notes",
    "figures",
];

/// Names of the figures a certificate may hold.
const FIGURES: [&str; 6] = [
    "repeatability",
    "reversibility",
    "interpolation_error",
    "zero_return",
    "resolution",
    "lower_limit",
];

impl Calibration {
    /// The certificate's text. Numbers have as many digits as it takes to read the same number back.
    pub fn to_toml(&self) -> String {
        let mut t = String::from("format = 1\n");
        let mut text = |key: &str, value: &str| {
            let _ = writeln!(t, "{key} = {}", toml::Value::String(value.to_owned()));
        };
        text("name", &self.name);
        if let Some(sensor) = &self.sensor {
            text("sensor", sensor);
        }
        if let Some(channel) = &self.channel {
            text("channel", channel);
        }
        text(
            "quantity",
            &format!("{}_{}", self.quantity.word(), unit_word(self.quantity)),
        );
        for (key, day) in [("made", self.made), ("expires", self.expires)] {
            if let Some(day) = day {
                text(key, &day.to_string());
            }
        }
        let unit = super::unit_sign(self.quantity);
        let c = &self.curve;
        let _ = writeln!(t, "degree = {}", c.degree());
        let _ = writeln!(
            t,
            "# indicated = sum of coefficients[i] * applied^i, applied in {unit}"
        );
        let _ = writeln!(t, "coefficients = {}", list(&c.coefficients));
        let _ = writeln!(t, "standard_errors = {}", list(&c.standard_errors()));
        let rows: Vec<String> = c.covariance.iter().map(|row| list(row)).collect();
        let _ = writeln!(t, "covariance = [{}]", rows.join(", "));
        let _ = writeln!(t, "residual_sd = {}", number(c.residual_sd));
        let _ = writeln!(t, "degrees_of_freedom = {}", c.degrees_of_freedom);
        let _ = writeln!(t, "range = {}", list(&self.range));
        if let Some(u) = self.load_u_percent {
            let _ = writeln!(t, "load_u_percent = {}", number(u));
        }
        let notes: Vec<toml::Value> = self.notes.iter().cloned().map(toml::Value::String).collect();
        let _ = writeln!(t, "notes = {}", toml::Value::Array(notes));
        for figure in &self.figures {
            let _ = writeln!(t, "\n[figures.{}]", figure.name);
            if let (Some(percent), Some(value)) = (figure.percent, figure.value) {
                let _ = writeln!(t, "percent = {}", number(percent));
                let _ = writeln!(t, "{} = {}", unit_word(self.quantity), number(value));
            }
            let _ = writeln!(
                t,
                "of = {}",
                toml::Value::String(figure.of.words().replacen("of ", "", 1))
            );
            if let Some(at) = figure.at {
                let _ = writeln!(t, "at = {}", number(at));
            }
            if let Some(missing) = &figure.missing {
                let _ = writeln!(t, "missing = {}", toml::Value::String(missing.clone()));
            }
        }
        t
    }

    /// Reads a certificate. `file` is the name that problems carry.
    ///
    /// `None` when it cannot be used; the problems then hold at least one error. A certificate written by hand needs
    /// name, quantity, coefficients, covariance, residual_sd, degrees_of_freedom and range.
    pub fn parse(file: &str, text: &str) -> (Option<Calibration>, Vec<Problem>) {
        let doc = Doc::new(file, text);
        let calibration = doc.parse().and_then(|table| {
            read(&Section {
                doc: &doc,
                table: &table,
                path: "",
            })
        });
        let mut problems = doc.into_problems();
        let usable = !problems
            .iter()
            .any(|p| p.severity == crate::error::Severity::Error);
        if calibration.is_none() && usable {
            problems.push(Problem::error(
                file,
                "a certificate that lacks what it needs",
                "name, quantity, coefficients, covariance, residual_sd, degrees_of_freedom, range",
                "make it again with tautpoint calibrate",
            ));
        }
        (calibration.filter(|_| usable), problems)
    }
}

/// A float that TOML reads back as the same float.
fn number(value: f64) -> String {
    format!("{value:?}")
}

fn list(values: &[f64]) -> String {
    let all: Vec<String> = values.iter().copied().map(number).collect();
    format!("[{}]", all.join(", "))
}

closed_terms! {
    /// What a certificate may be for.
    enum Channel {
        Force = "force_n",
        Displacement = "displacement_mm",
    }
}

fn read(top: &Section<'_, '_>) -> Option<Calibration> {
    top.warn_unknown(&KEYS);
    if let Some(value) = top.get("format")
        && crate::study::toml_doc::as_whole(value.get_ref()) != Some(1)
    {
        fault(
            top,
            "format",
            "format = 1",
            "make the certificate again with this version",
        );
    }
    let quantity = match top.word("quantity") {
        Some(Channel::Force) => Some(Quantity::Force),
        Some(Channel::Displacement) => Some(Quantity::Displacement),
        None => missing(top, "quantity", "\"force_n\" or \"displacement_mm\""),
    };
    let name = top
        .text("name")
        .or_else(|| missing(top, "name", "the calibration's name"));
    let coefficients = numbers(top, "coefficients");
    let covariance = rows(top, "covariance");
    let range = numbers(top, "range");
    let residual_sd = top.number("residual_sd", 0.0, f64::MAX);
    let df = top.whole("degrees_of_freedom", 1, 1_000_000);
    let day = |key: &str| {
        let text = top.text(key)?;
        let day = Day::parse(&text);
        if day.is_none() {
            fault(top, key, "a day, \"2026-09-01\"", "correct the day");
        }
        day
    };
    let calibration = Calibration {
        name: name?,
        sensor: top.text("sensor"),
        channel: top.text("channel"),
        quantity: quantity?,
        made: day("made"),
        expires: day("expires"),
        curve: Polynomial {
            coefficients: coefficients
                .or_else(|| missing(top, "coefficients", "a list of 2 to 4 numbers"))?,
            covariance: covariance.or_else(|| missing(top, "covariance", "a list of lists of numbers"))?,
            residual_sd: residual_sd.or_else(|| missing(top, "residual_sd", "a number"))?,
            degrees_of_freedom: df.or_else(|| missing(top, "degrees_of_freedom", "a whole number"))? as usize,
        },
        range: two(top, range)?,
        load_u_percent: top.number("load_u_percent", 0.0, 100.0),
        figures: figures(top, quantity?),
        notes: notes(top),
    };
    check(top, &calibration);
    Some(calibration)
}

/// What a person may have spoiled.
fn check(top: &Section<'_, '_>, c: &Calibration) {
    let p = c.curve.coefficients.len();
    if !(2..=HIGHEST_DEGREE + 1).contains(&p) {
        return fault(
            top,
            "coefficients",
            "2 to 4 numbers",
            "make the certificate again",
        );
    }
    if top.get("degree").is_some() && top.whole("degree", 1, 3) != Some(p as i64 - 1) {
        fault(
            top,
            "degree",
            "one less than there are coefficients",
            "make the certificate again",
        );
    }
    if c.curve.covariance.len() != p || c.curve.covariance.iter().any(|row| row.len() != p) {
        return fault(
            top,
            "covariance",
            &format!("{p} rows of {p} numbers"),
            "make the certificate again",
        );
    }
    if !is_covariance(&c.curve.covariance) {
        fault(
            top,
            "covariance",
            "a covariance: symmetric, no variance below 0",
            "make the certificate again",
        );
    }
    if !c.curve.is_monotone(c.range[0], c.range[1]) {
        fault(
            top,
            "coefficients",
            "a curve that only rises or only falls inside its range",
            "calibrate again",
        );
    }
}

/// Symmetric and, scaled to correlations, without a direction of negative variance, up to the rounding of numbers
/// that somebody may have shortened.
fn is_covariance(v: &[Vec<f64>]) -> bool {
    const ROUNDING: f64 = 1e-3;
    let p = v.len();
    if (0..p).any(|i| v[i][i] < 0.0) {
        return false;
    }
    let scale = |i: usize| v[i][i].sqrt().max(f64::MIN_POSITIVE);
    let correlation = nalgebra::DMatrix::from_fn(p, p, |i, j| v[i][j] / (scale(i) * scale(j)));
    if (0..p).any(|i| (0..i).any(|j| (correlation[(i, j)] - correlation[(j, i)]).abs() > ROUNDING)) {
        return false;
    }
    if correlation.iter().any(|c| !c.is_finite()) {
        return false;
    }
    correlation.symmetric_eigenvalues().iter().all(|e| *e > -ROUNDING)
}

fn fault(top: &Section<'_, '_>, key: &str, expected: &str, advice: &str) {
    let (span, found) = match top.get(key) {
        Some(value) => (value.span(), describe(value.get_ref())),
        None => (0..0, "nothing".to_owned()),
    };
    top.doc.error(span, &top.dotted(key), &found, expected, advice);
}

fn missing<T>(top: &Section<'_, '_>, key: &str, expected: &str) -> Option<T> {
    // A value of the wrong kind has been told already.
    if top.get(key).is_none() {
        fault(top, key, expected, "add the line");
    }
    None
}

fn plain(value: &DeValue<'_>) -> Option<Vec<f64>> {
    let DeValue::Array(items) = value else { return None };
    items
        .iter()
        .map(|i| as_number(i.get_ref()).filter(|n| n.is_finite()))
        .collect()
}

fn numbers(top: &Section<'_, '_>, key: &str) -> Option<Vec<f64>> {
    let value = top.get(key)?;
    let numbers = plain(value.get_ref());
    if numbers.is_none() {
        fault(top, key, "a list of numbers", "correct the list");
    }
    numbers
}

fn rows(top: &Section<'_, '_>, key: &str) -> Option<Vec<Vec<f64>>> {
    let DeValue::Array(items) = top.get(key)?.get_ref() else {
        fault(top, key, "a list of lists of numbers", "correct the list");
        return None;
    };
    let rows: Option<Vec<Vec<f64>>> = items.iter().map(|i| plain(i.get_ref())).collect();
    if rows.is_none() {
        fault(top, key, "a list of lists of numbers", "correct the list");
    }
    rows
}

fn two(top: &Section<'_, '_>, range: Option<Vec<f64>>) -> Option<[f64; 2]> {
    match range.as_deref() {
        Some([low, high]) if high > low => Some([*low, *high]),
        _ => {
            fault(
                top,
                "range",
                "two rising numbers",
                "give the smallest and the largest load",
            );
            None
        }
    }
}

fn notes(top: &Section<'_, '_>) -> Vec<String> {
    match top.get("notes").map(toml::Spanned::get_ref) {
        Some(DeValue::Array(items)) => items
            .iter()
            .filter_map(|i| i.get_ref().as_str().map(ToOwned::to_owned))
            .collect(),
        _ => Vec::new(),
    }
}

fn figures(top: &Section<'_, '_>, quantity: Quantity) -> Vec<CalibrationFigure> {
    let Some(table) = top.table("figures") else {
        return Vec::new();
    };
    let section = Section {
        doc: top.doc,
        table,
        path: "figures",
    };
    section.warn_unknown(&FIGURES);
    FIGURES
        .iter()
        .filter_map(|name| {
            let path = format!("figures.{name}");
            let one = Section {
                doc: top.doc,
                table: section.table(name)?,
                path: &path,
            };
            let of = match one.text("of").as_deref() {
                Some("full scale") => PercentOf::FullScale,
                _ => PercentOf::Reading,
            };
            Some(CalibrationFigure {
                name: (*name).to_owned(),
                value: one.number(unit_word(quantity), 0.0, f64::MAX),
                percent: one.number("percent", 0.0, f64::MAX),
                of,
                at: one.number("at", f64::MIN, f64::MAX),
                missing: one.text("missing"),
            })
        })
        .collect()
}

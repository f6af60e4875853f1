//! A calibration for people: one page, without script and without any outside request; and the same as JSON.

use super::frame::{Page, STYLE};
use crate::calibrate::{CalibrationFigure, NewCalibration, unit_sign, unit_word};
use crate::error::Result;
use crate::plot::{Figure, residuals};
use serde_json::{Map, Value, json};

const TEMPLATE: &str = include_str!("certificate.html");

/// Rows of the table that reads the curve backwards.
const TABLE_ROWS: usize = 11;

/// What a figure means, in words.
fn meaning(name: &str) -> &'static str {
    match name {
        "repeatability" => "largest less smallest reading of one load from the same direction",
        "reversibility" => "reading on the way down against the way up",
        "interpolation_error" => "mean reading on the way up against the curve",
        "zero_return" => "reading at no load after a run against before it",
        "resolution" => "step of the readings at the smallest load",
        "lower_limit" => {
            "2.4 standard deviations of a reading as a load: nothing below can be told from none"
        }
        _ => "",
    }
}

fn figure_words(f: &CalibrationFigure, unit: &str) -> [String; 4] {
    let value = match (f.percent, f.value) {
        (Some(percent), Some(value)) => (
            format!("{} % {}", short(percent), f.of.words()),
            format!("{} {unit}", short(value)),
        ),
        _ => (
            f.missing.clone().unwrap_or_else(|| "not known".to_owned()),
            String::new(),
        ),
    };
    // Zero return has its load in its name, and so has the resolution.
    let worst =
        f.at.filter(|_| !matches!(f.name.as_str(), "zero_return" | "resolution"));
    let at = worst.map_or(String::new(), |at| format!(" (worst at {} {unit})", short(at)));
    [
        f.name.replace('_', " "),
        value.0,
        value.1,
        format!("{}{at}", meaning(&f.name)),
    ]
}

/// Four significant digits, as plain as can be.
fn short(value: f64) -> String {
    if value == 0.0 {
        return "0".to_owned();
    }
    let power = value.abs().log10().floor();
    if !(-5.0..7.0).contains(&power) {
        return format!("{value:.3e}");
    }
    let text = format!("{value:.*}", (3.0 - power).max(0.0) as usize);
    match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.').to_owned(),
        false => text,
    }
}

/// The page, with the figure of the residuals in it.
///
/// # Errors
/// [`Error::Refused`] when the page could not be put together; that is a fault of the program.
pub fn page(made: &NewCalibration) -> Result<String> {
    let page = Page {
        what: "the certificate's page",
        templates: &[("certificate.html", TEMPLATE)],
        style: STYLE,
        script: None,
    };
    page.render(&view(made, &residuals(made)))
}

fn view(made: &NewCalibration, figure: &Figure) -> Value {
    let c = &made.calibration;
    let unit = unit_sign(c.quantity);
    let none = || "not given".to_owned();
    let facts = [
        ("sensor", c.sensor.clone().unwrap_or_else(none)),
        (
            "channel",
            c.channel.clone().unwrap_or_else(|| "any of its kind".to_owned()),
        ),
        ("made", c.made.map_or_else(none, |d| d.to_string())),
        ("valid until", c.expires.map_or_else(none, |d| d.to_string())),
        ("readings", made.residuals.len().to_string()),
        (
            "range",
            format!("{} to {} {unit}", short(c.range[0]), short(c.range[1])),
        ),
        (
            "curve",
            format!(
                "indicated as a polynomial of degree {} of what is applied",
                c.curve.degree()
            ),
        ),
        (
            "scatter of one reading",
            format!(
                "{} indicated, {} {unit} at the top",
                short(c.curve.residual_sd),
                short(c.scatter(c.range[1]))
            ),
        ),
        (
            "uncertainty of the loads",
            c.load_u_percent
                .map_or_else(none, |u| format!("{} % (standard)", short(u))),
        ),
    ];
    let errors = c.curve.standard_errors();
    let coefficients: Vec<[String; 3]> = c
        .curve
        .coefficients
        .iter()
        .zip(&errors)
        .enumerate()
        .map(|(i, (b, se))| [format!("b{i}"), format!("{b:?}"), format!("{se:?}")])
        .collect();
    let backwards: Vec<[String; 4]> = (0..TABLE_ROWS)
        .filter_map(|i| {
            let load = c.range[0] + c.span() * i as f64 / (TABLE_ROWS - 1) as f64;
            let inverse = c.invert(c.curve.at(load), 1)?;
            let interval = inverse.interval95.map_or_else(none, |[low, high]| {
                format!("{} to {}", fine(low, c.span()), fine(high, c.span()))
            });
            Some([
                short(c.curve.at(load)),
                fine(load, c.span()),
                short(inverse.standard_uncertainty),
                interval,
            ])
        })
        .collect();
    json!({
        "name": c.name,
        "what": if unit == "N" { "a force sensor" } else { "a displacement sensor" },
        "unit": unit,
        "facts": facts,
        "coefficients": coefficients,
        "figures": c.figures.iter().map(|f| figure_words(f, unit)).collect::<Vec<_>>(),
        "backwards": backwards,
        "svg": figure.svg,
        "alt": figure.alt,
        "notes": c.notes,
        "problems": made.problems.iter().map(ToString::to_string).collect::<Vec<_>>(),
        "version": env!("CARGO_PKG_VERSION"),
    })
}

/// A load with as many decimals as a hundred-thousandth of the span needs.
fn fine(value: f64, span: f64) -> String {
    let decimals = (5.0 - span.abs().log10().floor()).clamp(0.0, 12.0) as usize;
    crate::format::number(value, decimals)
}

/// The calibration as one JSON object; what is not known is null.
pub fn to_json(made: &NewCalibration) -> Value {
    let c = &made.calibration;
    let figures: Map<String, Value> = c
        .figures
        .iter()
        .map(|f| {
            let mut one = Map::new();
            one.insert("percent".to_owned(), json!(f.percent));
            one.insert("of".to_owned(), json!(f.of.words().replacen("of ", "", 1)));
            one.insert(format!("value_{}", unit_word(c.quantity)), json!(f.value));
            one.insert(format!("at_{}", unit_word(c.quantity)), json!(f.at));
            one.insert("missing".to_owned(), json!(f.missing));
            (f.name.clone(), Value::Object(one))
        })
        .collect();
    let tests: Vec<Value> = made
        .degree_tests
        .iter()
        .map(|t| json!({"degree": t.degree, "against": t.degree - 1, "f": finite(t.f), "degrees_of_freedom": [1, t.df], "p": t.p}))
        .collect();
    json!({
        "name": c.name,
        "sensor": c.sensor,
        "channel": c.channel,
        "quantity": format!("{}_{}", c.quantity.word(), unit_word(c.quantity)),
        "made": c.made.map(|d| d.to_string()),
        "expires": c.expires.map(|d| d.to_string()),
        "degree": c.curve.degree(),
        "coefficients": c.curve.coefficients,
        "standard_errors": c.curve.standard_errors(),
        "residual_sd": c.curve.residual_sd,
        "degrees_of_freedom": c.curve.degrees_of_freedom,
        "covariance": c.curve.covariance,
        "range": c.range,
        "readings": made.residuals.len(),
        "load_u_percent": c.load_u_percent,
        "degree_tests": tests,
        "figures": figures,
        "notes": c.notes,
        "problems": made.problems,
    })
}

fn finite(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

#[cfg(test)]
mod tests {
    use super::short;

    #[test]
    fn four_significant_digits() {
        for (value, text) in [
            (0.0, "0"),
            (0.299_035, "0.299"),
            (672.66, "672.7"),
            (196.1, "196.1"),
            (1e-9, "1.000e-9"),
        ] {
            assert_eq!(short(value), text);
        }
    }
}

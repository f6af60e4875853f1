//! Simulated recordings as files: a trace, and a sidecar that carries the truth.

use super::{Sensor, Truth};
use crate::error::{Error, Result};
use crate::terms::{Contact, Feedback, Landmark, Level, Posture, Side};
use crate::trace::{About, Channel, Trace};
use std::fmt::Write as _;
use toml::{Table, Value};

/// The trace as comma-separated text, each value with the decimals of its sensor; a missing sample is empty.
pub fn trace_text(trace: &Trace, sensor: &Sensor) -> String {
    let time_decimals = match sensor.jitter_share > 0.0 {
        true => 6,
        false => time_decimals(sensor.rate_hz),
    };
    let force_decimals = decimals(sensor.force_resolution_n);
    let displacement_decimals = decimals(sensor.displacement_resolution_mm);
    let mut columns: Vec<(String, &[f64], usize)> = vec![("time_s".to_owned(), &trace.time_s, time_decimals)];
    let infix = |c: &Channel| match c.side {
        Some(side) if trace.channels.len() > 1 => format!("{side}_"),
        _ => String::new(),
    };
    for channel in &trace.channels {
        columns.push((
            format!("force_{}n", infix(channel)),
            &channel.force_n,
            force_decimals,
        ));
    }
    for (i, channel) in trace.channels.iter().enumerate() {
        let Some(x) = &channel.displacement_mm else {
            continue;
        };
        if channel.displacement_shared && i > 0 {
            continue;
        }
        let infix = if channel.displacement_shared {
            String::new()
        } else {
            infix(channel)
        };
        columns.push((format!("displacement_{infix}mm"), x, displacement_decimals));
    }
    if let Some(tilt) = &trace.drive_deg {
        columns.push(("drive_deg".to_owned(), tilt, 1));
    }
    let mut text = columns.iter().map(|c| c.0.as_str()).collect::<Vec<_>>().join(",");
    if trace.marker.is_some() {
        text.push_str(",marker");
    }
    text.push('\n');
    for i in 0..trace.time_s.len() {
        for (number, (_, values, decimals)) in columns.iter().enumerate() {
            if number > 0 {
                text.push(',');
            }
            push_number(&mut text, values[i], *decimals);
        }
        if let Some(marker) = &trace.marker {
            let _ = write!(text, ",{}", marker[i]);
        }
        text.push('\n');
    }
    text
}

/// Decimals that show a resolution whole: 2 for 0.01, 6 where values are not rounded.
fn decimals(resolution: f64) -> usize {
    if resolution <= 0.0 {
        return 6;
    }
    let whole = |d: &usize| {
        let scaled = resolution * libm::pow(10.0, *d as f64);
        (scaled - scaled.round()).abs() < 1e-6 * scaled
    };
    (0..6).find(whole).unwrap_or(6)
}

/// Decimals that show every sample's time whole, three at least and six at most.
fn time_decimals(rate_hz: f64) -> usize {
    let whole = |d: &usize| {
        let ticks = libm::pow(10.0, *d as f64) / rate_hz;
        (ticks - ticks.round()).abs() < 1e-9
    };
    (3..6).find(whole).unwrap_or(6)
}

fn push_number(text: &mut String, value: f64, decimals: usize) {
    if !value.is_finite() {
        return;
    }
    let start = text.len();
    let _ = write!(text, "{value:.decimals$}");
    if text[start..].starts_with('-') && !text[start..].bytes().any(|b| (b'1'..=b'9').contains(&b)) {
        text.remove(start);
    }
}

/// The sidecar: what is known of the recording, then `[truth]`, with `[[truth.tests]]` where there are several.
///
/// # Errors
/// [`Error::Refused`] should the table not be writable as TOML.
pub fn sidecar_text(about: &About, truths: &[Truth], more: Table) -> Result<String> {
    let mut table = Table::new();
    table.insert("format".to_owned(), Value::Integer(1));
    let mut word = |key: &str, value: Option<&str>| {
        if let Some(value) = value {
            table.insert(key.to_owned(), Value::String(value.to_owned()));
        }
    };
    word("subject", about.subject.as_deref());
    word("examiner", about.examiner.as_deref());
    word("session", about.session.as_deref());
    word("recorded_at", about.recorded_at.as_deref());
    word("site", about.site.as_deref());
    word("level", about.level.map(Level::word));
    word("side", about.side.map(Side::word));
    word("landmark", about.landmark.as_ref().map(Landmark::as_str));
    word("contact", about.contact.map(Contact::word));
    word("posture", about.posture.as_ref().map(Posture::as_str));
    if let Some(drive) = about.line_of_drive {
        table.insert("line_of_drive_deg".to_owned(), Value::Float(drive.degrees()));
    }
    if let Some(trial) = about.trial {
        table.insert("trial".to_owned(), Value::Integer(i64::from(trial)));
    }
    let feedback = about.feedback.map(Feedback::word);
    for (key, value) in [("feedback", feedback), ("excluded", about.excluded.as_deref())] {
        if let Some(value) = value {
            table.insert(key.to_owned(), Value::String(value.to_owned()));
        }
    }
    table.insert("status".to_owned(), Value::String("complete".to_owned()));
    let mut truth = more;
    match truths {
        [one] => truth.extend(truth_table(one)),
        several => {
            let tests = several.iter().map(|t| Value::Table(truth_table(t))).collect();
            truth.insert("tests".to_owned(), Value::Array(tests));
        }
    }
    table.insert("truth".to_owned(), Value::Table(truth));
    toml::to_string(&table).map_err(|e| Error::Refused {
        found: format!("a sidecar that cannot be written: {e}"),
        advice: "this is a fault of the program; please report it".to_owned(),
    })
}

/// A number rounded to six decimals, so that the file is easy to read.
pub(super) fn number(value: f64) -> Value {
    Value::Float(super::quantise(value, 1e-6))
}

fn truth_table(truth: &Truth) -> Table {
    let mut table = Table::new();
    table.insert("test".to_owned(), Value::Integer(i64::from(truth.test)));
    if let Some(side) = truth.side {
        table.insert("side".to_owned(), Value::String(side.word().to_owned()));
    }
    for (key, value) in [
        ("onset_mm", truth.onset_mm),
        ("onset_s", truth.onset_s),
        ("onset_n", truth.onset_n),
        ("take_up_n_per_mm", truth.take_up_n_per_mm),
        ("end_feel_n_per_mm", truth.end_feel_n_per_mm),
        ("knee_width_mm", truth.knee_width_mm),
        ("damping_n_s_per_mm", Some(truth.damping_n_s_per_mm)),
        ("friction_n", Some(truth.friction_n)),
        ("contact_begin_s", Some(truth.contact_begin_s)),
        ("contact_end_s", Some(truth.contact_end_s)),
        ("preload_mm", truth.preload_mm),
        ("preload_n", truth.preload_n),
        ("peak_n", Some(truth.peak_n)),
    ] {
        if let Some(value) = value {
            table.insert(key.to_owned(), number(value));
        }
    }
    let list = |values: Vec<f64>| Value::Array(values.into_iter().map(number).collect());
    table.insert(
        "relaxation_times_s".to_owned(),
        list(truth.relaxation_times_s.clone()),
    );
    let springs = |f: fn(&super::SpringTruth) -> f64| list(truth.springs.iter().map(f).collect());
    table.insert("spring_peak_s".to_owned(), springs(|s| s.peak_s));
    table.insert("spring_peak_mm".to_owned(), springs(|s| s.peak_mm));
    table.insert("spring_peak_n".to_owned(), springs(|s| s.peak_n));
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimals_follow_the_sensor() {
        assert_eq!([0.01, 0.001, 1.0, 0.5, 0.0].map(decimals), [2, 3, 0, 1, 6]);
        assert_eq!([1000.0, 200.0, 80.0, 300.0].map(time_decimals), [3, 3, 4, 6]);
    }

    #[test]
    fn a_negative_zero_is_written_as_zero_and_a_missing_sample_as_nothing() {
        let mut text = String::new();
        for value in [-0.001, f64::NAN, -0.02] {
            push_number(&mut text, value, 2);
            text.push(',');
        }
        assert_eq!(text, "0.00,,-0.02,");
    }
}

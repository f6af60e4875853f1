//! `calibrate --verify`: known loads against a calibration, kept as a history.

use super::super::Outcome;
use super::{CalibrateArgs, say, tell};
use crate::calibrate::drift::{
    Chart, CheckReading, ControlState, HISTORY, appended, charts, check, overall, read_history, wrongly_dated,
};
use crate::calibrate::{Calibration, Day, SensorReadings, unit_sign, unit_word};
use crate::error::{Error, Severity};
use crate::plot::{control_chart, control_words};
use crate::read::calibrations::{Calibrations, FOLDER, read_calibration};
use crate::study::door::{self, FileKind};
use crate::write::write_files_whole;
use anyhow::bail;
use serde_json::json;
use std::path::{Path, PathBuf};

/// Runs the check.
///
/// # Errors
/// No calibration to check against, readings of something else, a history that was spoiled or cannot be written.
pub fn verify(args: &CalibrateArgs, readings: &SensorReadings, quiet: bool) -> anyhow::Result<Outcome> {
    let day = args.made.unwrap_or_else(Day::today);
    let (calibration, folder) = find(args, readings, day)?;
    for complaint in calibration
        .validity(Some(day), args.sensor.as_slice())
        .problems(&readings.file, false)
    {
        tell(&[complaint]);
    }
    let path = folder.join(HISTORY);
    let text = match door::read_to_string(&path, FileKind::Table) {
        Ok(text) => text,
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => String::new(),
        Err(e) => return Err(Error::io(&path, e, "check that the history may be read").into()),
    };
    let (mut history, problems) = read_history(HISTORY, &text);
    tell(&problems);
    if problems.iter().any(|p| p.severity == Severity::Error) {
        bail!(
            "the history {} was spoiled: put right what is listed above; nothing was added",
            path.display()
        );
    }
    let number = history.iter().map(|c| c.check).max().unwrap_or(0) + 1;
    let new = check(&calibration, readings, number, &day.to_string()).map_err(Error::from)?;
    history.extend(new.iter().cloned());
    tell(&wrongly_dated(HISTORY, &history, number, Some(Day::today())));
    let charts = charts(&history, &calibration);
    let history_text = appended(&text, &new);
    let figure_path = folder.join(format!("verify-{}.svg", slug(&calibration.name)));
    let figure = control_chart(&charts, &calibration.name);
    let mut files = vec![(path.as_path(), history_text.as_bytes())];
    files.extend(figure.iter().map(|f| (figure_path.as_path(), f.svg.as_bytes())));
    write_files_whole(&files)?;
    if args.json {
        say(&serde_json::to_string_pretty(&as_json(
            &calibration,
            &new,
            &charts,
        ))?);
    } else {
        say(words(&calibration, &new, &charts).trim_end());
        if !quiet {
            say(&format!(
                "History: {}, chart: {}",
                path.display(),
                figure_path.display()
            ));
        }
    }
    Ok(Outcome::Done)
}

/// The calibration, and the folder where its history is kept.
fn find(args: &CalibrateArgs, readings: &SensorReadings, day: Day) -> anyhow::Result<(Calibration, PathBuf)> {
    let in_study = args.study.as_ref().map(|study| study.join(FOLDER));
    if let Some(path) = &args.calibration {
        let file = path
            .file_name()
            .map_or_else(String::new, |n| n.to_string_lossy().into_owned());
        let (calibration, warnings) = read_calibration(path, &file)?;
        tell(&warnings);
        let beside = path
            .parent()
            .filter(|p| !p.as_os_str().is_empty())
            .unwrap_or(Path::new("."));
        let folder = in_study.unwrap_or_else(|| beside.to_owned());
        std::fs::create_dir_all(&folder)
            .map_err(|e| Error::io(&folder, e, "check that the study may be written"))?;
        return Ok((calibration, folder));
    }
    let Some(study) = &args.study else {
        bail!(
            "no calibration to check against; name the certificate with --calibration, or the study with --study"
        );
    };
    let (calibrations, problems) = Calibrations::in_folder(study);
    tell(&problems);
    let fits = |c: &&Calibration| {
        let sensor = args.sensor.is_none() || args.sensor == c.sensor;
        let channel = readings.channel.is_none() || c.channel.is_none() || readings.channel == c.channel;
        c.quantity == readings.quantity && sensor && channel
    };
    let fitting: Vec<&Calibration> = calibrations.iter().filter(fits).collect();
    let in_date: Vec<&Calibration> = fitting
        .iter()
        .copied()
        .filter(|c| c.expires.is_none_or(|e| day <= e))
        .collect();
    let chosen = if in_date.is_empty() { fitting } else { in_date };
    match chosen.as_slice() {
        [one] => Ok(((*one).clone(), study.join(FOLDER))),
        [] => bail!(
            "no calibration of {} in {}; make one with tautpoint calibrate --out",
            readings.quantity.word(),
            study.join(FOLDER).display()
        ),
        several => {
            let names: Vec<&str> = several.iter().map(|c| c.name.as_str()).collect();
            bail!(
                "{} calibrations may be meant ({}); name one with --calibration",
                names.len(),
                names.join(", ")
            )
        }
    }
}

/// A name as part of a file name.
fn slug(name: &str) -> String {
    let safe = |c: char| {
        if c.is_ascii_alphanumeric() || matches!(c, '-' | '_') {
            c
        } else {
            '-'
        }
    };
    name.chars().map(safe).take(80).collect()
}

fn state_words(state: &ControlState) -> String {
    match state {
        ControlState::In { since } => format!("in control since {since}"),
        ControlState::Out { since } => format!("OUT OF CONTROL since {since}"),
    }
}

fn words(calibration: &Calibration, new: &[CheckReading], charts: &[Chart]) -> String {
    use std::fmt::Write as _;
    let unit = unit_sign(calibration.quantity);
    let mut t = String::new();
    if let Some(state) = overall(charts) {
        let _ = writeln!(t, "{}: {}", calibration.name, state_words(&state));
    }
    for c in new {
        let within = calibration.invert(c.indicated, 1).and_then(|i| i.interval95);
        let against = match within {
            Some([low, high]) if low <= c.applied && c.applied <= high => "as the calibration says",
            Some(_) => "outside the calibration's 95 % interval of a reading",
            None => "no interval",
        };
        let _ = writeln!(
            t,
            "  {:.6} {unit} applied, error {:+.6} {unit}: {against}",
            c.applied, c.error
        );
    }
    for chart in charts {
        let _ = writeln!(t, "  {}", control_words(chart));
    }
    if matches!(overall(charts), Some(ControlState::Out { .. })) {
        t.push_str(
            "  Look for a moved or overloaded sensor, then check again; if it stays, calibrate anew.\n",
        );
    }
    t
}

fn as_json(calibration: &Calibration, new: &[CheckReading], charts: &[Chart]) -> serde_json::Value {
    let unit = unit_word(calibration.quantity);
    let state = |s: &ControlState| match s {
        ControlState::In { since } => json!({"state": "in_control", "since": since}),
        ControlState::Out { since } => json!({"state": "out_of_control", "since": since}),
    };
    let keyed = |key: &str| format!("{key}_{unit}");
    let overall = overall(charts).map(|s| state(&s));
    json!({
        "calibration": calibration.name,
        "control": overall,
        "checks": new.iter().map(|c| json!({
            "check": c.check,
            "checked_at": c.checked_at,
            keyed("applied"): c.applied,
            "indicated": c.indicated,
            keyed("error"): c.error,
        })).collect::<Vec<_>>(),
        "charts": charts.iter().map(|c| json!({
            keyed("applied"): c.applied,
            "control": state(&c.state),
            keyed("centre"): c.centre,
            keyed("lower_limit"): c.limits[0],
            keyed("upper_limit"): c.limits[1],
            "limits_from": match c.limits_from {
                crate::calibrate::drift::LimitsFrom::Checks(n) => format!("first {n} checks"),
                crate::calibrate::drift::LimitsFrom::Calibration => "calibration".to_owned(),
            },
            "outside": c.outside,
            keyed("errors"): c.points.iter().map(|p| p.error).collect::<Vec<_>>(),
        })).collect::<Vec<_>>(),
    })
}

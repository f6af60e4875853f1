//! `calibrate`: a sensor's calibration, its daily check, and the reference spring.

mod spring;
mod verify;

use super::Outcome;
use crate::calibrate::gravity::local_gravity;
use crate::calibrate::{Calibration, Day, MakeOptions, NewCalibration, SensorReadings, make, unit_sign};
use crate::error::{Error, Problem};
use crate::read::readings::{ReadingsOptions, read_readings};
use crate::report::certificate::{page, to_json};
use crate::study::door::{self, FileKind};
use crate::study::toml_doc::read_text;
use crate::write::write_files_whole;
use anyhow::Context;
use std::path::{Path, PathBuf};

/// Calibrates a load cell or a displacement sensor, checks it day by day, or measures the instrument on a steel spring.
#[derive(Debug, clap::Args)]
#[command(after_help = "\
Examples:
  tautpoint calibrate readings.csv --out autumn-term/calibrations/cell-4.toml --sensor cell-4 \\
      --latitude 52.3 --height 80 --made 2026-09-01 --expires 2027-03-01
  tautpoint calibrate gauges.csv --out autumn-term/calibrations/lvdt-2.toml --degree 2
  tautpoint calibrate monday.csv --verify --study autumn-term
  tautpoint calibrate --reference-spring spring.csv --study autumn-term

SensorReadings: a table with what was applied (applied_n, applied_kgf, applied_lbf, mass_kg, mass_g, or applied_mm for a
displacement sensor) and indicated; optional run, direction (up or down) and channel. Rows may stand in any order.

A new calibration writes a certificate (TOML) and a page for people beside it (HTML). A check is kept in
calibrations/verify.csv of the study, with its control chart. The reference spring writes instrument.toml. A calibration
out of control is a result in words: the exit code stays 0.")]
pub struct CalibrateArgs {
    /// Table of readings.
    #[arg(value_name = "READINGS", required_unless_present = "reference_spring")]
    pub readings: Option<PathBuf>,
    /// Certificate to write; with --reference-spring, the instrument file.
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Prints one JSON object.
    #[arg(long)]
    pub json: bool,
    /// Degree of the curve; chosen by F test when not given.
    #[arg(long, value_name = "K", value_parser = clap::value_parser!(u8).range(1..=3))]
    pub degree: Option<u8>,
    /// Name by which sidecars call for the calibration; the certificate's file name when not given.
    #[arg(long)]
    pub name: Option<String>,
    /// Code of the sensor.
    #[arg(long)]
    pub sensor: Option<String>,
    /// Which channel of the readings, and which column of traces the calibration serves (force, force_left, …).
    #[arg(long)]
    pub channel: Option<String>,
    /// Day of the calibration or of the check, YYYY-MM-DD; today when not given.
    #[arg(long, value_name = "DATE", value_parser = day)]
    pub made: Option<Day>,
    /// Last day on which the calibration holds.
    #[arg(long, value_name = "DATE", value_parser = day)]
    pub expires: Option<Day>,
    /// Latitude of the lab, for gravity.
    #[arg(
        long,
        value_name = "DEG",
        allow_negative_numbers = true,
        conflicts_with = "gravity"
    )]
    pub latitude: Option<f64>,
    /// Height of the lab above the sea.
    #[arg(long, value_name = "M", allow_negative_numbers = true, requires = "latitude")]
    pub height: Option<f64>,
    /// Local gravity in m/s².
    #[arg(long, value_name = "M_PER_S2")]
    pub gravity: Option<f64>,
    /// Density of the air in kg/m³ (1.2).
    #[arg(long, value_name = "KG_PER_M3")]
    pub air_density: Option<f64>,
    /// Density of the weights in kg/m³ (8000).
    #[arg(long, value_name = "KG_PER_M3")]
    pub mass_density: Option<f64>,
    /// Standard uncertainty of the loads themselves, in percent.
    #[arg(long, value_name = "PERCENT")]
    pub load_uncertainty: Option<f64>,
    /// Checks known loads against a calibration and keeps the history.
    #[arg(long, conflicts_with_all = ["reference_spring", "out", "degree", "expires", "name"])]
    pub verify: bool,
    /// With --verify: the certificate; the study's only one in date when not given.
    #[arg(long, value_name = "FILE", requires = "verify")]
    pub calibration: Option<PathBuf>,
    /// Folder of the study that the check or the instrument file belongs to.
    #[arg(long, value_name = "DIR")]
    pub study: Option<PathBuf>,
    /// Traces of a steel spring: the delay between the channels and the loop that the instrument adds.
    #[arg(long, value_name = "TRACE", num_args = 1.., conflicts_with = "readings")]
    pub reference_spring: Vec<PathBuf>,
}

pub(super) fn day(text: &str) -> Result<Day, String> {
    Day::parse(text).ok_or_else(|| "a day is written YYYY-MM-DD, 2026-09-01 for one".to_owned())
}

/// Runs the command.
///
/// # Errors
/// Options that cannot be meant, readings that cannot carry a calibration, a file that will not be written over.
pub fn run(args: &CalibrateArgs, quiet: bool) -> anyhow::Result<Outcome> {
    if !args.reference_spring.is_empty() {
        return spring::reference_spring(args, quiet);
    }
    let Some(path) = &args.readings else {
        anyhow::bail!("no readings were named");
    };
    let readings = readings(args, path)?;
    if args.verify {
        return verify::verify(args, &readings, quiet);
    }
    let made = make(&readings, &options(args, path)?)?;
    tell(&made.problems);
    if let Some(out) = &args.out {
        write(&made, out)?;
    }
    if args.json {
        say(&serde_json::to_string_pretty(&to_json(&made))?);
    } else {
        say(summary(&made).trim_end());
        if let (Some(out), false) = (&args.out, quiet) {
            say(&format!(
                "Certificate: {}, for people: {}",
                out.display(),
                page_path(out).display()
            ));
        }
    }
    Ok(Outcome::Done)
}

/// Prints a text and a line's end.
fn say(text: &str) {
    sayln!("{text}");
}

fn tell(problems: &[Problem]) {
    for problem in problems {
        note!("{}: {problem}", super::analyze::word(problem.severity));
    }
}

fn options(args: &CalibrateArgs, readings: &Path) -> anyhow::Result<MakeOptions> {
    let stem = |p: &Path| p.file_stem().map(|s| s.to_string_lossy().into_owned());
    let from_file = args.out.as_deref().and_then(stem).or_else(|| stem(readings));
    let made = args.made.unwrap_or_else(Day::today);
    if args.expires.is_some_and(|e| e < made) {
        return Err(Error::Setting {
            what: "--expires".to_owned(),
            found: args.expires.map_or_else(String::new, |d| d.to_string()),
            expected: format!("a day on or after {made}, when the calibration was made"),
        }
        .into());
    }
    Ok(MakeOptions {
        name: args
            .name
            .clone()
            .or(from_file)
            .unwrap_or_else(|| "calibration".to_owned()),
        sensor: args.sensor.clone(),
        made: Some(made),
        expires: args.expires,
        degree: args.degree.map(usize::from),
        load_u_percent: positive("--load-uncertainty", args.load_uncertainty, 100.0)?,
    })
}

fn positive(what: &str, value: Option<f64>, most: f64) -> Result<Option<f64>, Error> {
    match value {
        Some(v) if !(v > 0.0 && v <= most) => Err(Error::Setting {
            what: what.to_owned(),
            found: v.to_string(),
            expected: format!("a number above 0, at most {most}"),
        }),
        other => Ok(other),
    }
}

fn gravity(args: &CalibrateArgs) -> Result<Option<f64>, Error> {
    if let Some(latitude) = args.latitude {
        let g = local_gravity(latitude, args.height.unwrap_or(0.0));
        return g.map(Some).map_err(|e| Error::Setting {
            what: "--latitude and --height".to_owned(),
            found: e.to_string(),
            expected: "a place on earth".to_owned(),
        });
    }
    match args.gravity {
        Some(g) if !(9.76..=9.84).contains(&g) => Err(Error::Setting {
            what: "--gravity".to_owned(),
            found: g.to_string(),
            expected: "m/s2 as it is found on earth, 9.76 to 9.84".to_owned(),
        }),
        given => Ok(given),
    }
}

fn readings(args: &CalibrateArgs, path: &Path) -> anyhow::Result<SensorReadings> {
    let options = ReadingsOptions {
        gravity: gravity(args)?,
        air_kg_per_m3: positive("--air-density", args.air_density, 10.0)?,
        mass_kg_per_m3: positive("--mass-density", args.mass_density, 25_000.0)?,
        channel: args.channel.clone(),
    };
    let file = path
        .file_name()
        .map_or_else(|| "readings".to_owned(), |n| n.to_string_lossy().into_owned());
    if !door::is_there(path) {
        let source = std::io::Error::from(std::io::ErrorKind::NotFound);
        return Err(Error::io(path, source, "check the name of the file of readings").into());
    }
    let text = read_text(path, &file).map_err(Error::from)?;
    let (readings, problems) = read_readings(&file, &text, &options);
    tell(&problems);
    readings.with_context(|| format!("{file} cannot be used: correct what is listed above"))
}

fn page_path(out: &Path) -> PathBuf {
    out.with_extension("html")
}

/// Writes the certificate and its page; what is there and was not made by an earlier calibration stays.
fn write(made: &NewCalibration, out: &Path) -> Result<(), Error> {
    let page_path = page_path(out);
    if page_path == out {
        return Err(Error::Setting {
            what: "--out".to_owned(),
            found: out.display().to_string(),
            expected: "a name ending in .toml; the page gets the same name ending in .html".to_owned(),
        });
    }
    let keeps = |found: String, what: &str| Error::Refused {
        found,
        advice: format!("it is not {what} and stays as it is; give another --out"),
    };
    if out.exists() {
        let text = door::read_to_string(out, FileKind::Settings).unwrap_or_default();
        if Calibration::parse("", &text).0.is_none() {
            return Err(keeps(
                format!("{} is there already", out.display()),
                "a certificate",
            ));
        }
    }
    if page_path.exists()
        && !door::read_to_string(&page_path, FileKind::Record)
            .is_ok_and(|t| t.contains("<title>Calibration "))
    {
        return Err(keeps(
            format!("{} is there already", page_path.display()),
            "a certificate's page",
        ));
    }
    let page = page(made)?;
    let toml = made.calibration.to_toml();
    write_files_whole(&[(out, toml.as_bytes()), (&page_path, page.as_bytes())])
}

/// A few lines for the terminal.
fn summary(made: &NewCalibration) -> String {
    use std::fmt::Write as _;
    let c = &made.calibration;
    let unit = unit_sign(c.quantity);
    let mut t = String::new();
    let _ = writeln!(
        t,
        "Calibration {}: {} readings, {} to {} {unit}, degree {}",
        c.name,
        made.residuals.len(),
        c.range[0],
        c.range[1],
        c.curve.degree()
    );
    for (i, (b, se)) in c
        .curve
        .coefficients
        .iter()
        .zip(c.curve.standard_errors())
        .enumerate()
    {
        let _ = writeln!(t, "  b{i} = {b:.9e}  (standard error {se:.3e})");
    }
    let _ = writeln!(
        t,
        "  scatter of one reading: {:.6} indicated, {:.6} {unit}",
        c.curve.residual_sd,
        c.scatter(c.range[1])
    );
    for f in &c.figures {
        let name = f.name.replace('_', " ");
        let _ = match (f.percent, f.value, &f.missing) {
            (Some(percent), Some(value), _) => {
                writeln!(t, "  {name}: {percent:.4} % {} ({value:.6} {unit})", f.of.words())
            }
            (.., Some(missing)) => writeln!(t, "  {name}: {missing}"),
            _ => Ok(()),
        };
    }
    for note in &c.notes {
        let _ = writeln!(t, "  {note}");
    }
    if c.expires.is_none() {
        let _ = writeln!(
            t,
            "  no day of expiry was given (--expires): nothing will warn when it grows old"
        );
    }
    t
}

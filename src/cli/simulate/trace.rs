//! `simulate trace`: one recording and its sidecar.

use super::{fault, mat, within};
use crate::cli::terms::term;
use crate::format::counted;
use crate::simulate::{self, Condition, Elastic, ExaminerFault, Rng, SimulatedTests, TraceSpec, TwoHands};
use crate::terms::{Level, Side};
use crate::trace::About;
use crate::write;
use anyhow::{Context, bail};
use clap::Args as ClapArgs;
use std::path::{Path, PathBuf};

/// Makes one recording and its sidecar.
#[derive(Debug, ClapArgs)]
#[command(after_help = "\
Examples:
  tautpoint simulate trace --out try.csv
  tautpoint simulate trace --out early.csv --fault sprung-early --level L3 --side left
  tautpoint simulate trace --out both.csv --bilateral --asymmetry 30
  tautpoint simulate trace --out scan.csv --tests 6 --marker
  tautpoint simulate trace --out mat.csv --mat --bilateral --level L3

Conditions: clean, sharp-knee, soft-knee, rate-80, noisy, breathing, spiky, dropped, offset, relaxing, friction,
early-sprung, toe-only, force-only, curved-toe, drawn-out, two-times.
Faults: sprung-early, inside-the-toe, shallow, deep, quick, unsteady-hold, came-off, uneven-springs, uneven-hands
(with --bilateral), off-the-line, over-ceiling, press.")]
pub(super) struct TraceArgs {
    /// The trace file to make; the sidecar gets the same name ending in .toml.
    #[arg(long, value_name = "FILE")]
    pub(super) out: PathBuf,
    /// Whole number that all random choices follow from.
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u64).range(..=i64::MAX as u64))]
    seed: u64,
    /// Kind of trace.
    #[arg(long, value_name = "WORD", default_value = "clean", value_parser = condition)]
    condition: Condition,
    /// A technique fault to make.
    #[arg(long, value_name = "WORD", value_parser = fault)]
    fault: Option<ExaminerFault>,
    /// Samples a second.
    #[arg(long, value_name = "HZ")]
    rate_hz: Option<f64>,
    /// Standard deviation of force noise.
    #[arg(long, value_name = "N")]
    force_noise_n: Option<f64>,
    /// Standard deviation of displacement noise.
    #[arg(long, value_name = "MM")]
    displacement_noise_mm: Option<f64>,
    /// Where the tissue's knee is.
    #[arg(long, value_name = "MM")]
    onset_mm: Option<f64>,
    /// Stiffness before the knee.
    #[arg(long, value_name = "N_PER_MM")]
    take_up_n_per_mm: Option<f64>,
    /// Stiffness beyond the knee.
    #[arg(long, value_name = "N_PER_MM")]
    end_feel_n_per_mm: Option<f64>,
    /// How many springs.
    #[arg(long)]
    springs: Option<u32>,
    /// Amplitude of breathing.
    #[arg(long, value_name = "MM")]
    breathing_mm: Option<f64>,
    /// How many single wrong samples.
    #[arg(long)]
    spikes: Option<u32>,
    /// Share of rows lost.
    #[arg(long, value_name = "PERCENT")]
    dropped_percent: Option<f64>,
    /// Zero offset of the load cell.
    #[arg(long, value_name = "N", allow_negative_numbers = true)]
    offset_n: Option<f64>,
    /// Drift of the load cell over the recording.
    #[arg(long, value_name = "N", allow_negative_numbers = true)]
    drift_n: Option<f64>,
    /// Lag of force behind displacement.
    #[arg(long, value_name = "MS", allow_negative_numbers = true)]
    lag_ms: Option<f64>,
    /// How much too high the load cell reads.
    #[arg(long, value_name = "PERCENT", allow_negative_numbers = true)]
    gain_error_percent: Option<f64>,
    /// Force that the load cell cannot read beyond.
    #[arg(long, value_name = "N")]
    saturation_n: Option<f64>,
    /// Record the tilt of the push, this much on average.
    #[arg(long, value_name = "DEG")]
    drive_deg: Option<f64>,
    /// No displacement column.
    #[arg(long)]
    force_only: bool,
    /// Both hands on at once, over one displacement sensor.
    #[arg(long, conflicts_with = "tests")]
    bilateral: bool,
    /// With --bilateral: how much stiffer the right is than the left.
    #[arg(
        long,
        value_name = "PERCENT",
        default_value_t = 0.0,
        requires = "bilateral",
        allow_negative_numbers = true
    )]
    asymmetry: f64,
    /// With --bilateral: each hand has its own displacement sensor.
    #[arg(long, requires = "bilateral")]
    two_displacements: bool,
    /// With --two-displacements: the left hand's share of the preload.
    #[arg(
        long,
        value_name = "PERCENT",
        default_value_t = 50.0,
        requires = "two_displacements"
    )]
    left_share_percent: f64,
    /// Several tests in one recording.
    #[arg(long, value_name = "COUNT", value_parser = clap::value_parser!(u32).range(1..=500))]
    tests: Option<u32>,
    /// With --tests: a column that steps up at each test.
    #[arg(long, requires = "tests")]
    marker: bool,
    /// Level to write into the sidecar.
    #[arg(long, value_parser = term::<Level>())]
    level: Option<Level>,
    /// Side to write into the sidecar.
    #[arg(long, value_parser = term::<Side>(), conflicts_with = "bilateral")]
    side: Option<Side>,
    #[command(flatten)]
    mat: mat::MatArgs,
}

pub(super) fn make(args: &TraceArgs) -> anyhow::Result<String> {
    let sidecar = args.out.with_extension("toml");
    if sidecar == args.out {
        bail!(
            "--out is {}; that is the name of its sidecar; give the trace another ending, such as .csv",
            args.out.display()
        );
    }
    for path in [&args.out, &sidecar] {
        write::refuse_existing(path)?;
    }
    let (made, sensor) = simulated(args)?;
    let about = About {
        level: args.level,
        side: args.side,
        ..About::default()
    };
    let mut more = toml::Table::new();
    more.insert("seed".to_owned(), toml::Value::Integer(args.seed as i64));
    more.insert(
        "condition".to_owned(),
        toml::Value::String(args.condition.word().to_owned()),
    );
    let recording = match args.mat.mat {
        true => {
            let mat = args.mat.simulate(&made, args.seed)?;
            more.extend(mat.truth_table());
            let text = simulate::sidecar_text(&about, &made.truths, more)?;
            let mut table: toml::Table = toml::from_str(&text).context("the sidecar just made")?;
            table.insert("mat".to_owned(), toml::Value::Table(mat.mat_table()));
            (mat.text(), toml::to_string(&table)?)
        }
        false => (
            simulate::trace_text(&made.trace, &sensor),
            simulate::sidecar_text(&about, &made.truths, more)?,
        ),
    };
    write_pair(&args.out, &recording.0, &sidecar, &recording.1)?;
    Ok(format!(
        "{}, truth in {}",
        counted(made.trace.time_s.len(), "sample"),
        sidecar.display()
    ))
}

/// Both files or none.
fn write_pair(trace: &Path, trace_text: &str, sidecar: &Path, sidecar_text: &str) -> anyhow::Result<()> {
    write::write_new(sidecar, sidecar_text)?;
    if let Err(error) = write::write_new(trace, trace_text) {
        let _ = std::fs::remove_file(sidecar);
        return Err(error.into());
    }
    Ok(())
}

fn simulated(args: &TraceArgs) -> anyhow::Result<(SimulatedTests, simulate::Sensor)> {
    let mut rng = Rng::stream(args.seed, 9);
    let spec = spec(args, &mut rng)?;
    let sensor = spec.sensor.clone();
    if args.bilateral {
        let half = simulate::log_ratio(args.asymmetry)? / 2.0;
        let hands = TwoHands {
            shared_displacement: !args.two_displacements,
            left_share: within("--left-share-percent", args.left_share_percent, 1.0, 99.0)? / 100.0,
        };
        let (left, right) = (spec.tissue.scaled(-half), spec.tissue.scaled(half));
        let made = simulate::simulate_bilateral(&left, &right, &spec.examiner, &sensor, hands, args.seed);
        return Ok((made, sensor));
    }
    let mut specs = vec![spec];
    for _ in 1..args.tests.unwrap_or(1) {
        specs.push(self::spec(args, &mut rng)?);
    }
    let made = simulate::simulate_scan(&specs, args.marker, args.seed);
    Ok((made, sensor))
}

/// The condition's draw with what the command line says instead.
fn spec(args: &TraceArgs, rng: &mut Rng) -> anyhow::Result<TraceSpec> {
    let mut spec = args.condition.spec(rng);
    if args.mat.mat {
        spec.sensor.rate_hz = mat::RATE_HZ;
    }
    if let Elastic::Knee {
        take_up_n_per_mm,
        end_feel_n_per_mm,
        onset_mm,
        ..
    } = &mut spec.tissue.elastic
    {
        set("--onset-mm", onset_mm, args.onset_mm, 0.5, 60.0)?;
        set(
            "--take-up-n-per-mm",
            take_up_n_per_mm,
            args.take_up_n_per_mm,
            0.01,
            500.0,
        )?;
        set(
            "--end-feel-n-per-mm",
            end_feel_n_per_mm,
            args.end_feel_n_per_mm,
            0.01,
            500.0,
        )?;
    } else if args.onset_mm.is_some() || args.take_up_n_per_mm.is_some() || args.end_feel_n_per_mm.is_some() {
        bail!(
            "--condition {} draws its own tissue; leave out onset, take-up and end-feel",
            args.condition.word()
        );
    }
    if let Some(springs) = args.springs {
        spec.examiner.springs = springs.min(200);
    }
    if let Some(degrees) = args.drive_deg {
        spec.examiner.drive_deg = Some(within("--drive-deg", degrees, 0.0, 180.0)?);
    }
    let breathing = &mut spec.examiner.breathing_mm;
    set("--breathing-mm", breathing, args.breathing_mm, 0.0, 5.0)?;
    if let Some(fault) = args.fault {
        spec.examiner = spec.examiner.with(fault, &spec.tissue.elastic);
    }
    let sensor = &mut spec.sensor;
    set("--rate-hz", &mut sensor.rate_hz, args.rate_hz, 10.0, 10_000.0)?;
    set(
        "--force-noise-n",
        &mut sensor.force_noise_n,
        args.force_noise_n,
        0.0,
        1000.0,
    )?;
    let noise = &mut sensor.displacement_noise_mm;
    set(
        "--displacement-noise-mm",
        noise,
        args.displacement_noise_mm,
        0.0,
        100.0,
    )?;
    set("--offset-n", &mut sensor.offset_n, args.offset_n, -1000.0, 1000.0)?;
    set("--drift-n", &mut sensor.drift_n, args.drift_n, -1000.0, 1000.0)?;
    set("--lag-ms", &mut sensor.lag_ms, args.lag_ms, -1000.0, 1000.0)?;
    if let Some(percent) = args.dropped_percent {
        sensor.dropped_share = within("--dropped-percent", percent, 0.0, 90.0)? / 100.0;
    }
    if let Some(percent) = args.gain_error_percent {
        sensor.gain_error = within("--gain-error-percent", percent, -90.0, 900.0)? / 100.0;
    }
    if let Some(limit_n) = args.saturation_n {
        sensor.saturation_n = Some(within("--saturation-n", limit_n, 1.0, 100_000.0)?);
    }
    sensor.spikes = args.spikes.unwrap_or(sensor.spikes);
    sensor.has_displacement &= !args.force_only;
    Ok(spec)
}

fn set(option: &str, place: &mut f64, value: Option<f64>, low: f64, high: f64) -> anyhow::Result<()> {
    if let Some(value) = value {
        *place = within(option, value, low, high)?;
    }
    Ok(())
}

fn condition(word: &str) -> Result<Condition, String> {
    Condition::parse(word).ok_or_else(|| {
        let words: Vec<&str> = Condition::ALL
            .iter()
            .chain(&Condition::OUTSIDE_THE_LAW)
            .map(|c| c.word())
            .collect();
        format!("expected one of {}", words.join(", "))
    })
}

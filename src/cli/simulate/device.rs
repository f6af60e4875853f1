//! `simulate device`: a virtual device on a pseudo-terminal.

use super::fault;
use crate::acquire::virtual_device::{DeviceSpec, LinkFaults, ScanPosition, Sensors, Unplug, VirtualDevice};
use crate::cli::Outcome;
use crate::cli::terms::term;
use crate::simulate::ExaminerFault;
use crate::study::built_in;
use crate::study::door::{self, FileKind};
use crate::study::plan::Plan;
use crate::terms::{Level, Side};
use anyhow::{Context, bail};
use clap::Args as ClapArgs;
use std::path::PathBuf;

/// Opens a pseudo-terminal that sends as a device would while a hand goes from level to level.
///
/// Its path is printed first; it goes on until Ctrl-C unless told to end.
#[derive(Debug, ClapArgs)]
#[command(after_help = "\
Examples:
  tautpoint simulate device                                one load cell, one displacement sensor, L5 to L1
  tautpoint simulate device --two-handed --asymmetry 40    both hands on at once
  tautpoint simulate device --faults quick,over-ceiling    every second test has a fault
  tautpoint simulate device --unplug-every 20 --unplug-for 3 --link my-device
  tautpoint simulate device --corrupted-percent 1 --seconds 60

`--port sim` needs no second window: the same device inside the program, with these options behind a colon
(`--port sim:rate-hz=2000,faults=quick+deep`).
Faults: sprung-early, inside-the-toe, shallow, deep, quick, unsteady-hold, came-off, uneven-springs, uneven-hands
(with --two-displacements), off-the-line (with --tilt), over-ceiling, press.")]
pub(super) struct DeviceArgs {
    /// Whole number that all random choices follow from: the same seed sends the same bytes.
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u64).range(..=i64::MAX as u64))]
    seed: u64,
    /// Samples a second.
    #[arg(long, value_name = "HZ", default_value_t = 1000.0)]
    rate_hz: f64,
    /// A load cell alone.
    #[arg(long, conflicts_with_all = ["two_handed", "two_displacements"])]
    force_only: bool,
    /// A load cell under each hand, one displacement sensor for both.
    #[arg(long, conflicts_with = "two_displacements")]
    two_handed: bool,
    /// A load cell and a displacement sensor under each hand.
    #[arg(long)]
    two_displacements: bool,
    /// A tilt sensor too.
    #[arg(long)]
    tilt: bool,
    /// Levels in the order of the scan, left then right.
    #[arg(long, value_delimiter = ',', default_value = "L5,L4,L3,L2,L1", value_parser = term::<Level>())]
    levels: Vec<Level>,
    /// Goes along a scan plan instead: a built-in one's name, or a file.
    #[arg(long, value_name = "PLAN", conflicts_with = "levels")]
    plan: Option<String>,
    /// Technique faults, one after the other, in every second test.
    #[arg(long, value_name = "WORD", value_delimiter = ',', value_parser = fault)]
    faults: Vec<ExaminerFault>,
    /// How much stiffer the right is than the left.
    #[arg(
        long,
        value_name = "PERCENT",
        default_value_t = 0.0,
        allow_negative_numbers = true
    )]
    asymmetry: f64,
    /// Time without a hand between two tests.
    #[arg(long, value_name = "S", default_value_t = 1.0)]
    rest_s: f64,
    /// Lines of text instead of frames.
    #[arg(long)]
    ascii: bool,
    /// How many times faster than real; the device's clock goes along.
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0)]
    speed: f64,
    /// How much too fast the device's clock is, in millionths.
    #[arg(
        long,
        value_name = "PPM",
        default_value_t = 0.0,
        allow_negative_numbers = true
    )]
    drift_ppm: f64,
    /// What the device's µs counter begins with; 4290000000 wraps after five seconds.
    #[arg(long, value_name = "US", default_value_t = 0)]
    first_time_us: u32,
    /// Share of bytes lost on the line.
    #[arg(long, value_name = "PERCENT", default_value_t = 0.0)]
    dropped_percent: f64,
    /// Share of bytes changed on the line.
    #[arg(long, value_name = "PERCENT", default_value_t = 0.0)]
    corrupted_percent: f64,
    /// Share of bytes that change places with their neighbour.
    #[arg(long, value_name = "PERCENT", default_value_t = 0.0)]
    reordered_percent: f64,
    /// Goes away after so many seconds, and again after each coming back.
    #[arg(long, value_name = "S", requires = "unplug_for")]
    unplug_every: Option<f64>,
    /// Stays away for so many seconds.
    #[arg(long, value_name = "S", requires = "unplug_every")]
    unplug_for: Option<f64>,
    /// Ends after so many seconds.
    #[arg(long, value_name = "S")]
    seconds: Option<f64>,
    /// Ends after going once through levels or plan.
    #[arg(long)]
    once: bool,
    /// The hand begins when a program first opens the port.
    #[arg(long)]
    wait: bool,
    /// Makes a link to the pseudo-terminal under this name, which stays the same after unplugging.
    #[arg(long, value_name = "PATH")]
    link: Option<PathBuf>,
}

pub(super) fn run(args: &DeviceArgs, quiet: bool) -> anyhow::Result<Outcome> {
    let spec = spec(args)?;
    let device = match &args.link {
        Some(link) => VirtualDevice::start(&spec, Some(link))?,
        // The terminal gets another name each time it comes back: a link in a temporary folder keeps one.
        None if spec.unplug.is_some() => VirtualDevice::start(&spec, None)?,
        None => VirtualDevice::start_unlinked(&spec)?,
    };
    sayln!("{}", device.path().display());
    if !quiet {
        note!("a virtual device sends there; Ctrl-C ends it");
    }
    device.wait();
    Ok(Outcome::Done)
}

fn spec(args: &DeviceArgs) -> anyhow::Result<DeviceSpec> {
    let both = |&level: &Level| [Side::Left, Side::Right].map(|side| ScanPosition { level, side });
    let spec = DeviceSpec {
        seed: args.seed,
        rate_hz: args.rate_hz,
        sensors: match (args.force_only, args.two_handed, args.two_displacements) {
            (true, ..) => Sensors::ForceOnly,
            (_, true, _) => Sensors::TwoHanded,
            (.., true) => Sensors::TwoHandedTwoDisplacements,
            _ => Sensors::OneHand,
        },
        tilt: args.tilt,
        steps: args.levels.iter().flat_map(both).collect(),
        faults: args.faults.clone(),
        asymmetry_percent: args.asymmetry,
        rest_s: args.rest_s,
        ascii: args.ascii,
        speed: args.speed,
        drift_ppm: args.drift_ppm,
        first_time_us: args.first_time_us,
        first_sequence: 0,
        link_faults: LinkFaults {
            dropped: args.dropped_percent / 100.0,
            corrupted: args.corrupted_percent / 100.0,
            reordered: args.reordered_percent / 100.0,
        },
        unplug: args
            .unplug_every
            .zip(args.unplug_for)
            .map(|(every_s, for_s)| Unplug { every_s, for_s }),
        seconds: args.seconds,
        once: args.once,
        waits: args.wait,
    };
    Ok(match &args.plan {
        Some(given) => spec.along(&plan(given)?),
        None => spec,
    })
}

fn plan(given: &str) -> anyhow::Result<Plan> {
    if let Some(plan) = built_in::built_in(given) {
        return Ok(plan);
    }
    let text = door::read_to_string(given.as_ref(), FileKind::Settings).with_context(|| {
        format!(
            "--plan {given} is no built-in plan ({}) and no file that can be read",
            built_in::NAMES.join(", ")
        )
    })?;
    let (plan, problems) = Plan::parse(given, &text);
    match plan {
        Some(plan) => Ok(plan),
        None => {
            let words: Vec<String> = problems.iter().map(ToString::to_string).collect();
            bail!("{}", words.join("\n"))
        }
    }
}

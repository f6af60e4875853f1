//! The firmware of a station, built as a lab would, on this computer, in an emulated AVR and in QEMU's Cortex-M3.

mod damaged;
mod faults;
mod recorded;
mod timing;
mod whole;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::LazyLock;
use tautpoint::acquire::wire::{Decoder, Message, WireCounts};

/// Force in hundredths of a newton, displacement in steps of 5 µm: what 16 bits hold of a hand.
const SCALE: &str = "-DFORCE_UNIT=TAUTPOINT_N -DFORCE_DIGITS=1 -DFORCE_POWER=-2 \
                     -DDISPLACEMENT_UNIT=TAUTPOINT_MM -DDISPLACEMENT_DIGITS=5 -DDISPLACEMENT_POWER=-3";
const PER_COUNT: [&str; 3] = ["--per-count", "0.01", "0.005"];
/// The processor's cycles in a µs.
const CYCLES_PER_US: f64 = 16.0;

/// Whether these programs are here. Where one is missing the check says so and is skipped, or fails under
/// TAUTPOINT_FULL_TESTS=1.
fn are_here(programs: &[&str]) -> bool {
    let missing = programs.iter().find(|p| {
        let found = Command::new("sh")
            .arg("-c")
            .arg(format!("command -v {p}"))
            .output();
        !found.is_ok_and(|f| f.status.success())
    });
    let simavr = Path::new("/usr/include/simavr/sim_avr.h").exists() || !programs.contains(&"avr-gcc");
    let missing = missing.copied().or((!simavr).then_some("libsimavr-dev"));
    if let Some(missing) = missing {
        assert!(
            std::env::var("TAUTPOINT_FULL_TESTS").as_deref() != Ok("1"),
            "{missing} is not installed"
        );
        eprintln!("skipped: {missing} is not installed");
    }
    missing.is_none()
}

const AVR: [&str; 4] = ["make", "cc", "avr-gcc", "avr-objdump"];

fn notes() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("firmware-notes")
}

/// Runs make into a folder and gives what it printed.
fn make(out: &Path, words: &[&str]) -> String {
    let made = Command::new("make")
        .arg("-C")
        .arg(notes())
        .arg(format!("OUT={}", out.display()))
        .args(words)
        .output()
        .unwrap();
    let printed = String::from_utf8_lossy(&made.stdout).into_owned();
    assert!(
        made.status.success(),
        "make {words:?}:\n{printed}{}",
        String::from_utf8_lossy(&made.stderr)
    );
    printed
}

/// Runs make into a folder, which refuses: what it said.
fn refused(words: &[&str]) -> String {
    let folder = tempfile::tempdir().unwrap();
    let made = Command::new("make")
        .arg("-C")
        .arg(notes())
        .arg(format!("OUT={}", folder.path().display()))
        .args(words)
        .output()
        .unwrap();
    assert!(!made.status.success(), "make {words:?}");
    String::from_utf8_lossy(&made.stderr).into_owned()
}

/// The file that was made, by what make printed of its size.
fn built(printed: &str, ending: &str) -> PathBuf {
    let file = printed.split_whitespace().find(|word| word.ends_with(ending));
    PathBuf::from(file.unwrap_or_else(|| panic!("no {ending}: {printed}")))
}

/// The runner, built once for all tests; the folder goes with the program.
fn runner() -> &'static Path {
    static FOLDER: LazyLock<tempfile::TempDir> = LazyLock::new(|| {
        let folder = tempfile::tempdir().unwrap();
        make(folder.path(), &["emulator"]);
        folder
    });
    static RUNNER: LazyLock<PathBuf> = LazyLock::new(|| FOLDER.path().join("runner"));
    &RUNNER
}

/// A firmware for the AVR in a folder of its own.
struct Avr {
    folder: tempfile::TempDir,
    elf: PathBuf,
    printed: String,
}

impl Avr {
    fn new(source: &str, rate_hz: u32, more: &[&str]) -> Avr {
        Avr::defining(source, rate_hz, "", more)
    }

    fn defining(source: &str, rate_hz: u32, defines: &str, more: &[&str]) -> Avr {
        let folder = tempfile::tempdir().unwrap();
        let mut words = vec![
            "avr".to_owned(),
            format!("SOURCE={source}"),
            format!("RATE_HZ={rate_hz}"),
            format!("DEFINES={SCALE} {defines}"),
        ];
        words.extend(more.iter().map(|m| (*m).to_owned()));
        let words: Vec<&str> = words.iter().map(String::as_str).collect();
        let printed = make(folder.path(), &words);
        Avr {
            elf: built(&printed, "-avr.elf"),
            folder,
            printed,
        }
    }

    fn command(&self, more: &[&str]) -> Command {
        let mut command = Command::new(runner());
        command.arg("--elf").arg(&self.elf).args(PER_COUNT).args(more);
        command
    }

    /// Runs as fast as it goes, and listens.
    fn run(&self, seconds: &str, more: &[&str]) -> Run {
        let (out, log) = (self.folder.path().join("sent"), self.folder.path().join("log"));
        let mut command = self.command(&["--seconds", seconds]);
        let ran = command
            .args(more)
            .arg("--out")
            .arg(&out)
            .arg("--log")
            .arg(&log)
            .output()
            .unwrap();
        assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
        Run::new(
            &std::fs::read(out).unwrap(),
            &String::from_utf8_lossy(&ran.stdout),
            &std::fs::read_to_string(log).unwrap(),
        )
    }
}

/// When and what a converter converted: cycle and value of the force, cycle and value of the displacement.
type Conversion = [f64; 4];

/// What a run gave.
struct Run {
    /// Time in µs and both values.
    samples: Vec<(u32, [f64; 2])>,
    hellos: usize,
    counts: WireCounts,
    conversions: Vec<Conversion>,
    report: BTreeMap<String, Vec<String>>,
}

impl Run {
    fn new(sent: &[u8], report: &str, log: &str) -> Run {
        let mut decoder = Decoder::default();
        let (mut samples, mut hellos) = (Vec::new(), 0);
        decoder.push(sent, |heard| match heard {
            Message::Sample { time_us, values } => samples.push((time_us, [values[0], values[1]])),
            Message::Hello { .. } => hellos += 1,
            Message::Unusable(words) => panic!("{words}"),
        });
        assert!(decoder.station().is_some(), "a hello");
        let conversions = log.lines().map(|line| {
            let numbers: Vec<f64> = line.split(' ').map(|n| n.parse().unwrap()).collect();
            numbers.try_into().unwrap()
        });
        Run {
            samples,
            hellos,
            counts: decoder.counts(),
            conversions: conversions.collect(),
            report: report
                .lines()
                .filter_map(|line| {
                    let mut words = line.split(' ').map(str::to_owned);
                    Some((words.next()?, words.collect()))
                })
                .collect(),
        }
    }

    /// A number of the runner's report, by the word before it where there are several.
    fn reported(&self, name: &str, which: &str) -> f64 {
        let words = &self.report[name];
        let at = words.iter().position(|w| w == which).map_or(0, |i| i + 1);
        words[at].parse().unwrap()
    }

    /// The steps between stamps, in µs, the counter's wrap undone.
    fn steps_us(&self) -> Vec<f64> {
        let step = |w: &[(u32, [f64; 2])]| f64::from(w[1].0.wrapping_sub(w[0].0));
        self.samples.windows(2).map(step).collect()
    }

    /// Samples without a force.
    fn without_force(&self) -> usize {
        self.samples.iter().filter(|s| s.1[0].is_nan()).count()
    }

    #[track_caller]
    fn assert_whole(&self) {
        assert_eq!((self.counts.bad, self.counts.late), (0, 0), "{:?}", self.counts);
    }
}

//! `--port sim` and what may follow it: `sim:seed=4,rate-hz=2000,faults=quick+deep`.

use super::spec::{DeviceSpec, ScanPosition, Sensors, Unplug};
use crate::error::{Error, Result};
use crate::simulate::ExaminerFault;
use crate::study::built_in::built_in;
use crate::study::words::nearest;
use crate::terms::{Level, Side};

/// The name of the port that is a virtual device inside this program.
pub const SIM: &str = "sim";

const KEYS: [&str; 21] = [
    "seed",
    "rate-hz",
    "force-only",
    "two-handed",
    "two-displacements",
    "tilt",
    "levels",
    "plan",
    "faults",
    "asymmetry",
    "ascii",
    "speed",
    "drift-ppm",
    "first-time-us",
    "rest-s",
    "corrupted-percent",
    "dropped-percent",
    "reordered-percent",
    "unplug",
    "seconds",
    "once",
];

/// The device that a port's name asks for: `sim`, or `sim:` and `key=value` pairs with commas between, named as the
/// options of `simulate device`. `None` for a name that is no virtual device's.
///
/// # Errors
/// [`Error::Setting`] for a key or value that cannot be meant.
pub fn parse_port_name(port: &str) -> Option<Result<DeviceSpec>> {
    let rest = match port.strip_prefix(SIM)? {
        "" => "",
        more => more.strip_prefix(':')?,
    };
    Some(read(rest))
}

fn read(words: &str) -> Result<DeviceSpec> {
    let mut spec = DeviceSpec::default();
    for word in words.split(',').filter(|w| !w.is_empty()) {
        let (key, value) = word.split_once('=').unwrap_or((word, ""));
        let wrong = |expected: String| Error::Setting {
            what: format!("{key} of the port {SIM}"),
            found: format!("{value:?}"),
            expected,
        };
        let number = || value.parse::<f64>().map_err(|_| wrong("a number".to_owned()));
        match key {
            "seed" => spec.seed = value.parse().map_err(|_| wrong("a whole number".to_owned()))?,
            "rate-hz" => spec.rate_hz = number()?,
            "force-only" => spec.sensors = Sensors::ForceOnly,
            "two-handed" => spec.sensors = Sensors::TwoHanded,
            "two-displacements" => spec.sensors = Sensors::TwoHandedTwoDisplacements,
            "tilt" => spec.tilt = true,
            "levels" => {
                let level = |word: &str| {
                    Level::parse(word).ok_or_else(|| Error::Setting {
                        what: "a level".to_owned(),
                        found: format!("{word:?}"),
                        expected: "C2 to C7, T1 to T12, L1 to L5, sacral_base or SI".to_owned(),
                    })
                };
                let levels: Vec<Level> = value.split('+').map(level).collect::<Result<_>>()?;
                let both = |level| [Side::Left, Side::Right].map(|side| ScanPosition { level, side });
                spec.steps = levels.into_iter().flat_map(both).collect();
            }
            "plan" => {
                let plan = built_in(value).ok_or_else(|| wrong("a built-in plan".to_owned()))?;
                spec = spec.along(&plan);
            }
            "faults" => {
                let fault = |word: &str| {
                    let all = ExaminerFault::ALL.map(ExaminerFault::word).join(", ");
                    ExaminerFault::parse(word).ok_or_else(|| wrong(format!("some of {all} with + between")))
                };
                spec.faults = value.split('+').map(fault).collect::<Result<_>>()?;
            }
            "asymmetry" => spec.asymmetry_percent = number()?,
            "ascii" => spec.ascii = true,
            "speed" => spec.speed = number()?,
            "drift-ppm" => spec.drift_ppm = number()?,
            "first-time-us" => {
                let whole = || wrong("a whole number under 4294967296".to_owned());
                spec.first_time_us = value.parse().map_err(|_| whole())?;
            }
            "rest-s" => spec.rest_s = number()?,
            "corrupted-percent" => spec.link_faults.corrupted = number()? / 100.0,
            "dropped-percent" => spec.link_faults.dropped = number()? / 100.0,
            "reordered-percent" => spec.link_faults.reordered = number()? / 100.0,
            "unplug" => {
                let pair = value
                    .split_once('+')
                    .and_then(|(a, b)| Some((a.parse().ok()?, b.parse().ok()?)));
                let (every_s, for_s) =
                    pair.ok_or_else(|| wrong("seconds plugged in + seconds away, such as 10+2".to_owned()))?;
                spec.unplug = Some(Unplug { every_s, for_s });
            }
            "seconds" => spec.seconds = Some(number()?),
            "once" => spec.once = true,
            _ => {
                let near = nearest(key, KEYS).map_or(String::new(), |n| format!("; did you mean {n}?"));
                return Err(Error::Setting {
                    what: format!("the port {SIM}"),
                    found: format!("followed by {key:?}"),
                    expected: format!("keys among {}{near}", KEYS.join(", ")),
                });
            }
        }
    }
    spec.check()?;
    Ok(spec)
}

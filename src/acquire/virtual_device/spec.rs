//! What a virtual device is and does.

use crate::acquire::station::{self, ChannelQuantity, StationChannel};
use crate::error::{Error, Result};
use crate::simulate::ExaminerFault;
use crate::study::plan::Plan;
use crate::terms::{Level, Side};

/// Which sensors there are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Sensors {
    /// One load cell with one displacement sensor, moved from side to side.
    #[default]
    OneHand,
    /// One load cell alone.
    ForceOnly,
    /// A load cell under each hand, one displacement sensor for both.
    TwoHanded,
    /// A load cell and a displacement sensor under each hand.
    TwoHandedTwoDisplacements,
}

/// One place that the hand goes to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScanPosition {
    pub level: Level,
    pub side: Side,
}

/// Faults of the link, each as a fraction of the bytes.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LinkFaults {
    pub dropped: f64,
    /// Another byte comes in its place.
    pub corrupted: f64,
    /// It changes places with the next one.
    pub reordered: f64,
}

/// The plug is pulled, over and over.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unplug {
    /// Plugged in for this long, in s of this computer's clock.
    pub every_s: f64,
    /// Then away for this long.
    pub for_s: f64,
}

/// A virtual device.
#[derive(Debug, Clone, PartialEq)]
pub struct DeviceSpec {
    /// All random choices follow from it.
    pub seed: u64,
    /// Samples a second on the device's own clock.
    pub rate_hz: f64,
    pub sensors: Sensors,
    /// A tilt sensor as well, for the line of drive.
    pub tilt: bool,
    /// Where the hand goes, in order and over and over; with two hands left and right of a level are one place.
    pub steps: Vec<ScanPosition>,
    /// Made one after the other, in every second test.
    pub faults: Vec<ExaminerFault>,
    /// How much stiffer the right is than the left, in percent.
    pub asymmetry_percent: f64,
    /// Without a hand between two tests, beside what every test begins and ends with.
    pub rest_s: f64,
    /// Lines of text instead of frames.
    pub ascii: bool,
    /// How many times faster than real; the device's clock goes along.
    pub speed: f64,
    /// How much too fast the device's clock is.
    pub drift_ppm: f64,
    /// What the device's µs counter shows when it is switched on.
    pub first_time_us: u32,
    /// The number of the first sample.
    pub first_sequence: u16,
    pub link_faults: LinkFaults,
    pub unplug: Option<Unplug>,
    /// Ends after so long on this computer's clock; `None` goes on.
    pub seconds: Option<f64>,
    /// Ends after going once through the steps.
    pub once: bool,
    /// Behind a pseudo-terminal: the hand begins when a program first opens it. Inside this program it always does.
    pub waits: bool,
}

impl Default for DeviceSpec {
    fn default() -> Self {
        let levels = [Level::L5, Level::L4, Level::L3, Level::L2, Level::L1];
        DeviceSpec {
            seed: 1,
            rate_hz: 1000.0,
            sensors: Sensors::default(),
            tilt: false,
            steps: levels
                .iter()
                .flat_map(|&level| [Side::Left, Side::Right].map(|side| ScanPosition { level, side }))
                .collect(),
            faults: Vec::new(),
            asymmetry_percent: 0.0,
            rest_s: 1.0,
            ascii: false,
            speed: 1.0,
            drift_ppm: 0.0,
            first_time_us: 0,
            first_sequence: 0,
            link_faults: LinkFaults::default(),
            unplug: None,
            seconds: None,
            once: false,
            waits: false,
        }
    }
}

/// Force of one count, in N, displacement in mm, tilt in degrees.
pub(super) const N_PER_COUNT: f64 = 0.001;
pub(super) const MM_PER_COUNT: f64 = 0.0001;
pub(super) const DEG_PER_COUNT: f64 = 0.1;

/// The value of a count.
pub(super) fn value(count: i32, quantity: ChannelQuantity) -> f64 {
    // Divided by the inverse, which is exact: the double nearest to the decimal.
    f64::from(count)
        / match quantity {
            ChannelQuantity::Force => 1.0 / N_PER_COUNT,
            ChannelQuantity::Displacement => 1.0 / MM_PER_COUNT,
            ChannelQuantity::Drive => 1.0 / DEG_PER_COUNT,
        }
}

impl DeviceSpec {
    /// The steps of a plan: `both` is left, then right; each step as often as its trials say.
    #[must_use]
    pub fn along(mut self, plan: &Plan) -> Self {
        self.steps = plan
            .ordered()
            .into_iter()
            .flat_map(|(_, step)| {
                (0..step.trials).flat_map(|_| {
                    step.side.sides().iter().map(|&side| ScanPosition {
                        level: step.level,
                        side,
                    })
                })
            })
            .collect();
        self
    }

    /// Refuses what cannot be meant.
    ///
    /// # Errors
    /// [`Error::Setting`] naming the first such value.
    pub fn check(&self) -> Result<()> {
        let within = |what: &str, value: f64, low: f64, high: f64| {
            if value.is_finite() && (low..=high).contains(&value) {
                return Ok(());
            }
            Err(Error::Setting {
                what: what.to_owned(),
                found: value.to_string(),
                expected: format!("a number from {low} to {high}"),
            })
        };
        within("the rate", self.rate_hz, 10.0, 10_000.0)?;
        within("the speed", self.speed, 0.01, 1000.0)?;
        within("the clock's drift", self.drift_ppm, -10_000.0, 10_000.0)?;
        within("the rest between tests", self.rest_s, 0.0, 3600.0)?;
        within("the asymmetry", self.asymmetry_percent, -150.0, 150.0)?;
        for (what, share) in [
            ("the fraction of bytes dropped", self.link_faults.dropped),
            ("the fraction of bytes corrupted", self.link_faults.corrupted),
            ("the fraction of bytes reordered", self.link_faults.reordered),
        ] {
            within(what, share, 0.0, 0.5)?;
        }
        if let Some(unplug) = self.unplug {
            within("the time between unplugging", unplug.every_s, 0.1, 86_400.0)?;
            within("the time unplugged", unplug.for_s, 0.1, 86_400.0)?;
        }
        if let Some(seconds) = self.seconds {
            within("the number of seconds", seconds, 0.001, 1e7)?;
        }
        if self.steps.is_empty() {
            return Err(Error::Setting {
                what: "the levels".to_owned(),
                found: "none".to_owned(),
                expected: "at least one".to_owned(),
            });
        }
        Ok(())
    }

    /// Whether the device is plugged in, so long after it was started.
    pub(super) fn plugged(&self, elapsed_s: f64) -> bool {
        self.unplug
            .is_none_or(|u| elapsed_s.rem_euclid(u.every_s + u.for_s) < u.every_s)
    }

    /// What the device says it is.
    pub fn says(&self) -> station::Station {
        let channel = |quantity: ChannelQuantity, side: Option<Side>| {
            let (unit, per_count, sensor) = match quantity {
                ChannelQuantity::Force => ("N", N_PER_COUNT, "cell"),
                ChannelQuantity::Displacement => ("mm", MM_PER_COUNT, "probe"),
                ChannelQuantity::Drive => ("deg", DEG_PER_COUNT, "tilt"),
            };
            StationChannel {
                quantity,
                side,
                unit: unit.to_owned(),
                per_count: if self.ascii { 1.0 } else { per_count },
                sensor: Some(match side {
                    Some(side) => format!("sim-{sensor}-{side}"),
                    None => format!("sim-{sensor}"),
                }),
                calibration: None,
            }
        };
        let (left, right) = (Some(Side::Left), Some(Side::Right));
        let force = |side| channel(ChannelQuantity::Force, side);
        let displacement = |side| channel(ChannelQuantity::Displacement, side);
        let mut channels = match self.sensors {
            Sensors::OneHand => vec![force(None), displacement(None)],
            Sensors::ForceOnly => vec![force(None)],
            Sensors::TwoHanded => vec![force(left), force(right), displacement(None)],
            Sensors::TwoHandedTwoDisplacements => {
                vec![force(left), force(right), displacement(left), displacement(right)]
            }
        };
        if self.tilt {
            channels.push(channel(ChannelQuantity::Drive, None));
        }
        station::Station {
            device: "virtual device".to_owned(),
            rate_hz: self.rate_hz,
            channels,
        }
    }
}

//! `tautpoint station`: what is found of a station whose faults are known, and what its noise costs.

use std::process::Command;
use std::time::Instant;
use tautpoint::acquire::station::{
    ChannelQuantity, LineCounts, MAX_CHANNELS, Sample, Station, StationChannel,
};
use tautpoint::instrument::noise_cost::{StationNoise, noise_cost};
use tautpoint::live::sign::PushDirection;
use tautpoint::session::station_check::StationCheck;
use tautpoint::session::station_findings::{StationFindings, Weight};
use tautpoint::settings::Settings;
use tautpoint::simulate::Rng;
use tautpoint::study::gains::ColumnGains;

/// A station and what is wrong with it.
struct Bench {
    rate_hz: f64,
    said_hz: f64,
    force_noise_n: f64,
    unit: &'static str,
    sign: f64,
    mains_n: f64,
    drift_n_per_min: f64,
    limit_n: f64,
    missing_every: usize,
    touched: bool,
    lost: u64,
    damaged: u64,
    late: u64,
    /// What a fault makes of the values at a time.
    fault: fn(f64, usize, &mut [f64; 2]),
    /// What it makes of the stamp.
    stamp: fn(f64, usize) -> f64,
    push_n: f64,
    sensor: Option<&'static str>,
}

impl Default for Bench {
    fn default() -> Self {
        Bench {
            rate_hz: 1000.0,
            said_hz: 1000.0,
            force_noise_n: 0.1,
            unit: "N",
            sign: 1.0,
            mains_n: 0.0,
            drift_n_per_min: 0.0,
            limit_n: f64::INFINITY,
            missing_every: usize::MAX,
            touched: false,
            lost: 0,
            damaged: 0,
            late: 0,
            fault: |_, _, _| {},
            stamp: |t, _| t,
            push_n: 40.0,
            sensor: None,
        }
    }
}

const QUIET_S: f64 = 20.0;

impl Bench {
    fn station(&self) -> Station {
        let channel = |quantity, unit: &str| StationChannel {
            quantity,
            side: None,
            unit: unit.to_owned(),
            per_count: if unit == "counts" { 1.0 } else { 0.001 },
            sensor: self.sensor.map(str::to_owned),
            calibration: None,
        };
        Station {
            device: "bench".to_owned(),
            rate_hz: self.said_hz,
            channels: vec![
                channel(ChannelQuantity::Force, self.unit),
                channel(ChannelQuantity::Displacement, "mm"),
            ],
        }
    }

    /// Quiet, then a push of 40 N for two seconds.
    fn found(&self) -> StationFindings {
        let gains = ColumnGains::default();
        let mut check = StationCheck::new(self.station(), &[], &gains, QUIET_S);
        let mut rng = Rng::new(7);
        let samples: Vec<Sample> = (0..((QUIET_S + 4.0) * self.rate_hz) as usize)
            .map(|i| {
                let t = i as f64 / self.rate_hz;
                let pushed = (t - QUIET_S - 1.0).clamp(0.0, 1.0) * self.push_n;
                let hand = if self.touched && (5.0..6.0).contains(&t) {
                    8.0
                } else {
                    0.0
                };
                let mains = self.mains_n * (std::f64::consts::TAU * 50.0 * t).sin();
                let force = self.sign * (pushed + hand) + mains + self.drift_n_per_min * t / 60.0;
                let mut values = [f64::NAN; MAX_CHANNELS];
                let read = force.min(self.limit_n) + self.force_noise_n * rng.normal();
                values[0] = ((read * 1e3).round() / 1e3).min(self.limit_n);
                values[1] = ((pushed / 10.0 + 0.002 * rng.normal()) * 1e3).round() / 1e3;
                let mut faulty = [values[0], values[1]];
                (self.fault)(t, i, &mut faulty);
                values[..2].copy_from_slice(&faulty);
                if self.unit == "counts" {
                    values[0] = (values[0] * 1e3).round() + 8123.0;
                }
                if i % self.missing_every == self.missing_every - 1 {
                    values[0] = f64::NAN;
                }
                Sample {
                    time_s: (self.stamp)(t, i),
                    arrived: Instant::now(),
                    values,
                }
            })
            .collect();
        samples.chunks(50).for_each(|part| check.push(part));
        check.count(LineCounts {
            lost: self.lost,
            bad: self.damaged,
            late: self.late,
            ..LineCounts::default()
        });
        check.findings(&Settings::default(), &gains).unwrap()
    }
}

#[track_caller]
fn says(found: &StationFindings, weight: Weight, words: &str) {
    assert!(
        found
            .remarks
            .iter()
            .any(|(w, r)| *w == weight && r.contains(words)),
        "{words:?} is not said: {:?}",
        found.remarks
    );
    assert_eq!(
        found.is_fit(),
        found.remarks.iter().all(|(w, _)| *w != Weight::Forbids)
    );
}

#[test]
fn a_good_station_is_fit_and_its_noise_is_known() {
    let found = Bench::default().found();
    assert!(found.is_fit() && found.remarks.is_empty(), "{:?}", found.remarks);
    assert_eq!(found.verdict(), "This station is fit for the work.");
    let force = &found.channels[0];
    assert!((force.noise / 0.1 - 1.0).abs() < 0.03 && (force.step - 0.001).abs() < 1e-9);
    // White noise through a low pass of 20 Hz at 1 kHz: some √(2·20·1.06/1000) of it is left.
    assert!((force.filtered / 0.1 - 0.2).abs() < 0.03, "{}", force.filtered);
    assert_eq!(force.sign.unwrap().direction, PushDirection::Up);
    assert!((found.rate_hz - 1000.0).abs() < 1e-6 && found.jitter_us < 0.01);
    let percent = found.smallest_asymmetry_percent().unwrap();
    assert!((0.01..1.0).contains(&percent), "{percent}");
}

fn with(change: fn(&mut Bench)) -> StationFindings {
    let mut bench = Bench::default();
    change(&mut bench);
    bench.found()
}

#[test]
fn each_fault_of_a_station_is_named() {
    says(
        &with(|b| b.sign = -1.0),
        Weight::Forbids,
        "force counts down when it is pushed",
    );
    says(
        &with(|b| b.unit = "counts"),
        Weight::Forbids,
        "is in counts and no calibration turns it into a unit",
    );
    says(
        &with(|b| b.limit_n = 30.0),
        Weight::Forbids,
        "stood still at 30.0 N under load",
    );
    says(
        &with(|b| b.touched = true),
        Weight::Forbids,
        "moved while nothing was to touch the station",
    );
    says(
        &with(|b| b.drift_n_per_min = 2.0),
        Weight::Limits,
        "drifts by 2.0",
    );
    says(
        &with(|b| b.missing_every = 20),
        Weight::Limits,
        "has no value in 5 %",
    );
    says(
        &with(|b| b.missing_every = 2),
        Weight::Forbids,
        "has no value in 50 %",
    );
    says(
        &with(|b| b.said_hz = 500.0),
        Weight::Limits,
        "hello says 500 samples a second",
    );
    says(&with(|b| b.lost = 100), Weight::Limits, "lost 100");
    says(
        &with(|b| b.force_noise_n = 3.0),
        Weight::Limits,
        "light touches are missed",
    );
    let slow = with(|b| (b.rate_hz, b.said_hz) = (40.0, 40.0));
    says(&slow, Weight::Forbids, "40.0 samples a second are too few");
    assert!(slow.costs.is_empty());
    let noisy = with(|b| b.force_noise_n = 40.0);
    assert!(!noisy.is_fit(), "{:?}", noisy.remarks);
}

/// What is wrong with the values of a sample at a time, by its number.
type ValueFault = fn(f64, usize, &mut [f64; 2]);

/// Every one of these passed as fit, with exit code 0.
#[test]
fn a_channel_that_is_dead_frozen_or_at_its_end_is_never_fit() {
    let dead: [(ValueFault, &str); 8] = [
        (
            |_, _, v| v[0] = 8388.607,
            "force_n stood at 8388607 counts, the end of its converter",
        ),
        (|_, _, v| v[0] = -8388.608, "force_n stood at -8388608 counts"),
        (|_, _, v| v[0] = 32.767, "force_n stood at 32767 counts"),
        (|_, _, v| v[0] = 2_147_483.647, "force_n rests at 2147483.6 N"),
        (
            |_, _, v| v[0] = 0.0,
            "force_n stood at exactly 0.000 N for 20.0 s",
        ),
        (|_, _, v| v[0] = -0.001, "force_n stood at exactly -0.001 N"),
        (|_, _, v| *v = [0.0, 0.0], "force_n stood at exactly 0.000 N"),
        (
            |_, _, v| v[1] = 1.234,
            "displacement_mm stood still while the force was pushed",
        ),
    ];
    for (fault, words) in dead {
        let found = Bench {
            fault,
            ..Bench::default()
        }
        .found();
        says(&found, Weight::Forbids, words);
        if words.contains("exactly") {
            assert_eq!(
                found.smallest_asymmetry_percent(),
                None,
                "no number from a dead channel"
            );
        }
    }
    // After ten seconds nothing moves any more: neither at rest nor when pushed.
    let frozen = with(|b| {
        b.fault = |t, _, v| {
            if t >= 10.0 {
                *v = [0.123, 0.004]
            }
        }
    });
    says(
        &frozen,
        Weight::Forbids,
        "force_n stood at exactly 0.123 N for 14.0 s",
    );
    says(
        &frozen,
        Weight::Forbids,
        "displacement_mm stood at exactly 0.004 mm for 14.0 s",
    );
    // Two seconds of it within a rest are found, too; a sensor of pulses that rests is none.
    let a_while = with(|b| {
        b.fault = |t, _, v| {
            if (5.0..7.0).contains(&t) {
                v[0] = 0.1
            }
        }
    });
    says(
        &a_while,
        Weight::Forbids,
        "force_n stood at exactly 0.100 N for 2.0 s",
    );
    let pulses = with(|b| b.fault = |_, _, v| v[1] = (v[1] / 0.01 - 0.4).round() * 0.01);
    assert!(pulses.is_fit(), "{:?}", pulses.remarks);
    // Where no load is nothing rests at the weight of two people.
    let heavy = with(|b| b.fault = |_, _, v| v[0] += 1600.0);
    says(&heavy, Weight::Forbids, "force_n rests at 1600.0 N");
    let not_tared = with(|b| b.fault = |_, _, v| v[0] += 45.0);
    says(
        &not_tared,
        Weight::Limits,
        "force_n rests at 45.0 N: take the load off",
    );
}

#[test]
fn what_was_not_seen_is_not_fit() {
    says(
        &with(|b| b.push_n = 0.0),
        Weight::Forbids,
        "force_n was not seen pushed: it takes 10 N",
    );
    // The displacement under the force's name.
    let exchanged = with(|b| b.fault = |_, _, v| v.swap(0, 1));
    says(&exchanged, Weight::Forbids, "force_n was not seen pushed");
    let inverted = with(|b| b.fault = |_, _, v| v[1] = -v[1]);
    says(
        &inverted,
        Weight::Forbids,
        "displacement_mm counts down when the force is pushed",
    );
    says(&inverted, Weight::Forbids, "Write displacement = -1 under [gain]");
    // A push that the noise hides is told with what it would have taken.
    let noisy = with(|b| (b.force_noise_n, b.push_n) = (15.0, 20.0));
    let clear = noisy.channels[0].clear;
    assert!(clear > 20.0, "{clear}");
    says(
        &noisy,
        Weight::Forbids,
        &format!("it takes {clear:.0} N more or less than at rest"),
    );
}

/// Whole numbers from 0 to 999 without a pattern.
fn scattered(i: usize) -> f64 {
    let mut h = i as u32;
    for factor in [0x7feb_352d_u32, 0x846c_a68b] {
        h = (h ^ (h >> 16)).wrapping_mul(factor);
    }
    f64::from((h ^ (h >> 15)) % 1000)
}

#[test]
fn drift_stamps_and_line_have_limits() {
    for (drift, weight) in [
        (2.0, Weight::Limits),
        (5.0, Weight::Forbids),
        (-30.0, Weight::Forbids),
    ] {
        let found = Bench {
            drift_n_per_min: drift,
            ..Bench::default()
        }
        .found();
        says(&found, weight, &format!("force_n drifts by {drift:.1}"));
        assert_eq!(found.is_fit(), weight == Weight::Limits);
    }
    says(
        &with(|b| b.drift_n_per_min = 5.0),
        Weight::Forbids,
        "1.67 N within a test of 20 s; more than 1.00 N",
    );
    // 30 % lost, and one in ten damaged.
    says(
        &with(|b| b.lost = 10_000),
        Weight::Forbids,
        "lost 10000 of 34000 samples",
    );
    says(
        &with(|b| (b.lost, b.damaged) = (2_600, 2_600)),
        Weight::Forbids,
        "2600 frames came damaged",
    );
    says(
        &with(|b| b.late = 12_000),
        Weight::Forbids,
        "12000 of 36000 samples came twice",
    );
    // Stamps that waver by up to 2 ms at 200 samples a second.
    let waver = |t: f64, i: usize| t + 4e-6 * scattered(i);
    let found = Bench {
        rate_hz: 200.0,
        said_hz: 200.0,
        stamp: waver,
        ..Bench::default()
    }
    .found();
    says(&found, Weight::Forbids, "Its stamps waver by ");
    let little = |t: f64, i: usize| t + 0.8e-6 * scattered(i);
    let found = Bench {
        rate_hz: 200.0,
        said_hz: 200.0,
        stamp: little,
        ..Bench::default()
    }
    .found();
    says(&found, Weight::Limits, "Its stamps waver by ");
    // Seven seconds more after each thousand samples, none lost; as many samples lost as the gap has are no jump.
    let jumping = |t: f64, i: usize| t + 7.0 * (i / 1000) as f64;
    let found = Bench {
        rate_hz: 200.0,
        said_hz: 200.0,
        stamp: jumping,
        ..Bench::default()
    }
    .found();
    says(
        &found,
        Weight::Forbids,
        "Its stamps jump forward 4 times, by up to 7.01 s, with no sample lost",
    );
    let gap = |t: f64, i: usize| if i > 3000 { t + 0.5 } else { t };
    let found = Bench {
        stamp: gap,
        lost: 500,
        ..Bench::default()
    }
    .found();
    assert!(found.jumps_s.is_empty() && found.is_fit(), "{:?}", found.remarks);
}

#[test]
fn noise_and_steps_are_those_of_the_samples_whatever_ripple_there_is() {
    // 50 Hz at 200 samples a second: third differences see 0.9 of its 1.41 N, and neighbours are never close together.
    let found = with(|b| (b.rate_hz, b.said_hz, b.mains_n) = (200.0, 200.0, 2.0));
    let force = &found.channels[0];
    // 2/√2 and 0.1 N of white noise.
    assert!(
        (force.noise - (2.0_f64 + 0.01).sqrt()).abs() < 0.02,
        "{}",
        force.noise
    );
    assert!((force.step - 0.001).abs() < 1e-9, "{}", force.step);
    // What is said of a touch: five times the noise that is left.
    let noisy = with(|b| b.force_noise_n = 3.0);
    let filtered = noisy.channels[0].filtered;
    says(
        &noisy,
        Weight::Limits,
        &format!(
            "is {filtered:.2} N; a touch is seen from 5 times that, {:.2} N, instead of 1 N",
            5.0 * filtered
        ),
    );
    let glitches = with(|b| {
        b.fault = |_, i, v| {
            if i % 20 == 7 {
                v[0] = -4.6
            }
        }
    });
    says(
        &glitches,
        Weight::Forbids,
        "In 5.00 % of the samples force_n jumps far away",
    );
}

#[test]
fn a_displacement_that_turns_round_is_not_at_its_limit_and_a_slow_converter_is_named() {
    // Steps of 5 µm without noise: two seconds at 4 mm, and at 14 mm of an offset.
    let turning = with(|b| {
        b.push_n = 120.0;
        b.fault = |_, _, v| v[1] = (v[1] / 0.01 - 0.4).round() * 0.01;
    });
    assert!(
        turning.is_fit() && turning.channels[1].limit.is_none(),
        "{:?}",
        turning.remarks
    );
    let slow = with(|b| {
        (b.rate_hz, b.said_hz) = (80.0, 80.0);
        b.fault = |_, i, v| {
            if i % 8 != 0 {
                v[0] = f64::NAN
            }
        };
    });
    says(&slow, Weight::Forbids, "it has one in every 8");
}

/// Before any calibration: the first power-on looks at rest, noise and sign in counts.
#[test]
fn counts_are_shown_as_counts_with_their_noise_and_the_way_they_count() {
    for sign in [1.0, -1.0] {
        let found = Bench {
            unit: "counts",
            sign,
            sensor: Some("cell-4"),
            ..Bench::default()
        }
        .found();
        let force = &found.channels[0];
        assert!(
            (force.rest - 8123.0).abs() < 5.0 && (force.noise - 100.0).abs() < 5.0,
            "{force:?}"
        );
        let way = if sign > 0.0 {
            PushDirection::Up
        } else {
            PushDirection::Down
        };
        assert_eq!(force.sign.unwrap().direction, way);
        says(
            &found,
            Weight::Forbids,
            "force_counts (sensor cell-4) is in counts and no calibration",
        );
    }
    let not_pushed = with(|b| (b.unit, b.push_n) = ("counts", 0.0));
    says(
        &not_pushed,
        Weight::Forbids,
        "force_counts was not seen pushed: it takes 50",
    );
    let dead = Bench {
        unit: "counts",
        fault: |_, _, v| v[0] = 0.0,
        ..Bench::default()
    }
    .found();
    says(
        &dead,
        Weight::Forbids,
        "force_counts stood at exactly 8123.000 counts",
    );
}

#[test]
fn mains_ripple_is_found_where_the_rate_shows_it() {
    for (rate_hz, seen_at_hz) in [(1000.0, 50.0), (80.0, 30.0)] {
        let bench = Bench {
            rate_hz,
            said_hz: rate_hz,
            mains_n: 0.2,
            ..Bench::default()
        };
        let found = bench.found();
        let ripple = found.channels[0].mains.expect("ripple");
        assert!((ripple.amplitude - 0.2).abs() < 0.01, "{ripple:?}");
        assert!(
            ripple.hz == 50.0 && (ripple.seen_at_hz - seen_at_hz).abs() < 1e-6,
            "{ripple:?}"
        );
        says(&found, Weight::Limits, "of mains ripple (50 Hz");
    }
    assert_eq!(Bench::default().found().channels[0].mains, None);
}

#[test]
fn the_command_shows_channels_says_how_fit_it_is_and_makes_a_page() {
    let folder = tempfile::tempdir().unwrap();
    let page = folder.path().join("station.html");
    let run = || {
        Command::new(env!("CARGO_BIN_EXE_tautpoint"))
            .args([
                "station",
                "--port",
                "sim:speed=8",
                "--seconds",
                "0.7",
                "--push-seconds",
                "8",
                "--date",
                "2026-11-29",
            ])
            .arg("--page")
            .arg(&page)
            .output()
            .unwrap()
    };
    let done = run();
    let (said, told) = (
        String::from_utf8_lossy(&done.stdout),
        String::from_utf8_lossy(&done.stderr),
    );
    assert_eq!(done.status.code(), Some(0), "{said}{told}");
    assert!(
        told.contains("hands off for 0.7 s") && told.contains("Now push every force sensor"),
        "{told}"
    );
    assert!(said.starts_with("This station is fit for the work"), "{said}");
    assert!(
        said.contains("tell a difference in end-feel of ") && said.contains("up when pushed"),
        "{said}"
    );
    assert!(
        said.contains("# Station virtual device, checked 2026-11-29:"),
        "{said}"
    );
    let html = std::fs::read_to_string(&page).unwrap();
    assert!(
        html.contains("Checked on 2026-11-29") && html.contains("end_feel_n_per_mm"),
        "{html}"
    );
    // A page that is there is never written over, and that is said before anybody waits.
    let again = run();
    assert_eq!(again.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&again.stderr).contains("station.html"));
}

/// Rate, noise of force and of displacement, as the rows of the page begin.
const ROWS: [[f64; 3]; 7] = [
    [1000.0, 0.1, 0.005],
    [1000.0, 0.3, 0.005],
    [1000.0, 1.0, 0.005],
    [1000.0, 0.1, 0.02],
    [1000.0, 0.1, 0.05],
    [200.0, 0.1, 0.005],
    [80.0, 0.1, 0.005],
];

fn row([rate_hz, force_n, displacement_mm]: [f64; 3]) -> String {
    let noise = StationNoise {
        rate_hz,
        force_n,
        force_step_n: 0.001,
        displacement_mm: Some([displacement_mm, 0.001]),
    };
    let costs = noise_cost(&noise, &Settings::default());
    let mut row = format!("| {rate_hz} Hz, {force_n} N, {displacement_mm} mm |");
    for cost in &costs {
        row += &format!(" {:.1$} |", cost.u95, if cost.u95 < 0.1 { 4 } else { 3 });
    }
    let end_feel = costs
        .iter()
        .find(|c| c.measure.info().name == "end_feel_n_per_mm")
        .unwrap();
    row += &format!(" {:.2} % |", end_feel.smallest_difference_percent(3));
    row
}

#[test]
fn what_noise_costs_on_the_page_is_what_the_program_computes() {
    let page = std::fs::read_to_string("docs/station-hardware.md").unwrap();
    let rows = ROWS.map(row);
    println!("{}", rows.join("\n"));
    for row in rows {
        assert!(page.contains(&row), "not in docs/station-hardware.md: {row}");
    }
}

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
            per_count: 0.001,
            sensor: None,
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
                let pushed = (t - QUIET_S - 1.0).clamp(0.0, 1.0) * 40.0;
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
                if i % self.missing_every == self.missing_every - 1 {
                    values[0] = f64::NAN;
                }
                Sample {
                    time_s: t,
                    arrived: Instant::now(),
                    values,
                }
            })
            .collect();
        samples.chunks(50).for_each(|part| check.push(part));
        check.count(LineCounts {
            lost: self.lost,
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

#[test]
fn each_fault_of_a_station_is_named() {
    let with = |change: fn(&mut Bench)| {
        let mut bench = Bench::default();
        change(&mut bench);
        bench.found()
    };
    says(
        &with(|b| b.sign = -1.0),
        Weight::Forbids,
        "force counts down when it is pushed",
    );
    says(
        &with(|b| b.unit = "counts"),
        Weight::Forbids,
        "no calibration of the study fits it",
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
        said.contains("# Station virtual device, checked 2026-11-29"),
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

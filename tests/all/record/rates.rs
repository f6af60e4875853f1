//! Stations whose rate is too low to be measured, or another one than they say.

use super::bench::one_hand;
use std::time::Instant;
use tautpoint::acquire::station::{MAX_CHANNELS, Sample, Station};
use tautpoint::live::monitor::{Monitor, MonitorOptions};
use tautpoint::settings::Settings;

#[test]
fn a_monitor_bears_any_rate_that_a_hello_may_claim() {
    for claimed_hz in [1.0, 2.0, 5.0, 20.0, 49.0, 50.0, 20_000.0] {
        for step_s in [1e-4, 1e-3, 0.02] {
            let station = Station {
                rate_hz: claimed_hz,
                ..one_hand()
            };
            let mut monitor = Monitor::new(&station, &Settings::default(), MonitorOptions::default());
            for i in 0..900 {
                let mut values = [f64::NAN; MAX_CHANNELS];
                values[0] = 0.1 * f64::from(i * 1000 % 3) + if i > 450 { 40.0 } else { 0.0 };
                values[1] = values[0] / 10.0;
                monitor.push(&Sample {
                    time_s: f64::from(i) * step_s,
                    arrived: Instant::now(),
                    values,
                });
            }
            monitor.finish();
        }
    }
}

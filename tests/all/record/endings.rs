//! What stands in a recording when it has ended, however it ended.

use super::bench::{Bench, kept, one_hand, request, study};
use std::time::{Duration, Instant};
use tautpoint::acquire::station::{MAX_CHANNELS, Sample};
use tautpoint::batch::sums;
use tautpoint::terms::RecordingStatus;

#[test]
fn a_recorder_that_is_dropped_closes_what_is_open() {
    let dir = tempfile::tempdir().unwrap();
    let root = study(dir.path());
    let mut bench = Bench::new(&root, request());
    bench.connect(&one_hand());
    bench.run(2000, 1.0);
    drop(bench);
    let kept = kept(&root);
    assert_eq!(kept.len(), 1);
    let (text, sidecar) = kept.values().next().unwrap();
    assert!(text.lines().count() > 1990, "{}", text.lines().count());
    assert_eq!(sidecar.status, Some(RecordingStatus::Complete));
    let listed = std::fs::read_to_string(root.join("recordings").join(sums::FILE_NAME)).unwrap();
    assert_eq!(listed.lines().count(), 1, "{listed}");
}

#[test]
fn a_clock_that_ran_fast_for_a_minute_is_told_and_for_less_is_not() {
    for (seconds, told) in [(61, true), (50, false)] {
        let dir = tempfile::tempdir().unwrap();
        let root = study(dir.path());
        let mut bench = Bench::new(&root, request());
        bench.connect(&one_hand());
        let begun = Instant::now();
        for tenth in 0..=seconds * 10 {
            let arrived = begun + Duration::from_millis(100 * tenth);
            let mut values = [f64::NAN; MAX_CHANNELS];
            values[..2].copy_from_slice(&[1.0, 1.0]);
            // 200 ppm fast.
            let time_s = tenth as f64 * 0.1 * 1.0002;
            bench.recorder.push(
                &[Sample {
                    time_s,
                    arrived,
                    values,
                }],
                arrived,
            );
        }
        bench.now_ms = 1000 * seconds;
        bench.stop();
        let (name, _) = kept(&root).into_iter().next().unwrap();
        let sidecar = std::fs::read_to_string(root.join(name).with_extension("toml")).unwrap();
        assert_eq!(
            sidecar.contains("clock_drift_ppm = 200"),
            told,
            "{seconds} s: {sidecar}"
        );
        assert_eq!(
            sidecar.contains("clock_drift_ppm"),
            told,
            "{seconds} s: {sidecar}"
        );
    }
}

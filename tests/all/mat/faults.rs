//! What a real mat does wrong: corrupt frames, dead rows, stuck cells, uneven cells, creep, a hand already on.

use super::{COLS, Folder, on_mat, pads, push, read, read_file, record, setup};
use tautpoint::mat::Geometry;
use tautpoint::mat::frame::{FramePlan, Scratch};
use tautpoint::simulate::{BadFrame, MatSensor, SimulatedMat};
use tautpoint::trace::About;

/// Root mean square error of both hands' forces in percent, over good frames with 20 N or more on each.
fn force_error_percent(mat: &SimulatedMat, read: &tautpoint::read::ReadTrace) -> f64 {
    let record = record(read);
    let (mut sum, mut n): (f64, f64) = (0.0, 0.0);
    for i in 0..record.time_s.len() {
        // Rows that were left out of the file shift the frames: look up by time.
        let at = mat
            .time_s
            .iter()
            .position(|t| (t - record.time_s[i]).abs() < 1e-6)
            .unwrap();
        let truth = mat.truth(at);
        if truth.iter().any(|t| t.force_n < 20.0) {
            continue;
        }
        for (k, t) in truth.iter().enumerate() {
            let seen = record.hands[k].force_n[i];
            if seen.is_finite() {
                sum += (100.0 * (seen / t.force_n - 1.0)).powi(2);
                n += 1.0;
            }
        }
    }
    assert!(n > 300.0);
    (sum / n).sqrt()
}

fn notes(read: &tautpoint::read::ReadTrace) -> String {
    read.trace.notes.join("; ")
}

#[test]
fn corrupt_frames_are_left_out_counted_and_named() {
    let made = push(21);
    let mut sensor = MatSensor::good(setup());
    let middle = made.noise_free.time_s.len() / 2;
    sensor.bad_frames = vec![
        (middle, BadFrame::AllZero),
        (middle + 1, BadFrame::AllZero),
        (middle + 20, BadFrame::Saturated),
        (middle + 40, BadFrame::Short),
        (middle + 60, BadFrame::Short),
        (middle + 61, BadFrame::Short),
    ];
    let mat = on_mat(&made, sensor, &pads(50.0), 21);
    let read = read(&mat, About::default());
    let record = record(&read);
    assert_eq!(record.frames_left_out, 6);
    let text = notes(&read);
    for words in [
        "2 of",
        "1 of",
        "3 of",
        "all zero",
        "saturated",
        "of the wrong length",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    let found: Vec<String> = read.problems.iter().map(ToString::to_string).collect();
    assert_eq!(found.len(), 3, "{found:?}");
    // Header, then a line a frame.
    let short = read
        .problems
        .iter()
        .find(|p| p.found.contains("wrong length"))
        .unwrap();
    assert_eq!(short.line, Some(middle as u64 + 42), "{short}");
    for bad in [middle, middle + 20, middle + 40] {
        assert!(read.trace.channels[0].force_n[bad].is_nan());
    }
    assert!(force_error_percent(&mat, &read) < 1.0);
}

#[test]
fn a_dead_row_and_a_stuck_cell_under_the_hands_are_masked_and_named() {
    let made = push(22);
    let mut sensor = MatSensor::good(setup());
    sensor.dead = (10 * COLS..11 * COLS).collect();
    sensor.stuck = vec![(8 * COLS + 12, 75.0), (3 * COLS + 30, 40.0)];
    let mat = on_mat(&made, sensor, &pads(50.0), 22);
    let read = read(&mat, About::default());
    let text = notes(&read);
    assert!(text.contains("36 dead") && text.contains("row 11"), "{text}");
    assert!(text.contains("2 stuck"), "{text}");
    assert!(
        text.contains("row 9 column 13") && text.contains("row 4 column 31"),
        "{text}"
    );
    assert_eq!(record(&read).masked.len(), COLS + 2);
    // A third of each hand's force lies on the dead row and is guessed from the rows beside it.
    let error = force_error_percent(&mat, &read);
    assert!(error < 6.0, "{error}");
    let record = record(&read);
    let top = (0..record.time_s.len())
        .max_by(|a, b| record.hands[0].force_n[*a].total_cmp(&record.hands[0].force_n[*b]))
        .unwrap();
    let hand = record.hands[0].frames[top].unwrap();
    let share = f64::from(hand.filled_n) / hand.force_n;
    assert!((0.2..0.45).contains(&share), "{share}");
}

#[test]
fn cells_named_dead_in_the_sidecar_are_masked_without_being_found() {
    let made = push(23);
    let mut sensor = MatSensor::good(setup());
    sensor.setup.dead = vec![(2, 2), (11, 14)];
    let mat = on_mat(&made, sensor, &pads(50.0), 23);
    let read = read(&mat, About::default());
    assert_eq!(record(&read).masked, [COLS + 1, 10 * COLS + 13]);
    assert!(
        notes(&read).contains("2 named dead in the sidecar"),
        "{}",
        notes(&read)
    );
}

#[test]
fn uneven_cells_stay_within_what_the_budget_says() {
    // 5 % between the cells, spread over the cells of a hand: 5 %·√Σfᵢ²/F on the force. Of 200 hands on 100 mats, 95 % lie
    // within twice that.
    let made = push(30);
    let top = (0..made.noise_free.time_s.len())
        .max_by(|a, b| {
            let force = |i: usize| made.noise_free.channels[0].force_n[i];
            force(*a).total_cmp(&force(*b))
        })
        .unwrap();
    let mut within = 0;
    for seed in 0..100 {
        let mut sensor = MatSensor::good(setup());
        (sensor.non_uniformity, sensor.offset_kpa, sensor.noise_kpa) = (0.05, 0.0, 0.0);
        let mat = on_mat(&made, sensor, &pads(50.0), seed);
        let geometry = Geometry::of(&mat.sensor.setup);
        let plan = FramePlan {
            kpa_per_unit: vec![1.0; geometry.cells()],
            baseline: vec![0.0; geometry.cells()],
            geometry,
            masked: Vec::new(),
            threshold_kpa: 1.0,
            noise_kpa: 0.0,
            full_scale: None,
            total_only: false,
        };
        let raw: Vec<f32> = mat.frame(top).iter().map(|v| v.unwrap() as f32).collect();
        let parts = plan.analyse(&raw, &mut Scratch::new(&plan));
        for t in mat.truth(top) {
            let own = parts.areas.iter().min_by(|a, b| {
                let far = |x: f32| (f64::from(x) - t.across_mm).abs();
                far(a.across_mm).total_cmp(&far(b.across_mm))
            });
            let own = own.unwrap();
            let spread = f64::from(own.sum_of_squares_n2).sqrt() / own.force_n;
            within += usize::from((own.force_n / t.force_n - 1.0).abs() < 2.0 * 0.05 * spread);
        }
    }
    assert!((182..=198).contains(&within), "{within} of 200");
}

#[test]
fn a_recording_that_begins_with_the_hands_on_takes_its_baseline_from_after_the_release() {
    let mut made = push(24);
    let keep = |values: &mut Vec<f64>| {
        values.drain(..200);
    };
    for trace in [&mut made.noise_free, &mut made.trace] {
        keep(&mut trace.time_s);
        for c in &mut trace.channels {
            keep(&mut c.force_n);
            if let Some(x) = &mut c.displacement_mm {
                keep(x);
            }
        }
    }
    let mat = on_mat(&made, MatSensor::good(setup()), &pads(50.0), 24);
    let read = read(&mat, About::default());
    assert_eq!(record(&read).hands.len(), 2);
    let error = force_error_percent(&mat, &read);
    assert!(error < 1.0, "{error}");
}

#[test]
fn cells_at_full_scale_are_told_and_give_no_peak_pressure() {
    let made = push(25);
    let mut sensor = MatSensor::good(setup());
    sensor.full_scale_kpa = Some(40.0);
    sensor.setup.full_scale = Some(40.0);
    let mat = on_mat(&made, sensor, &pads(50.0), 25);
    let read = read(&mat, About::default());
    assert!(
        notes(&read).contains("cells at full scale: in"),
        "{}",
        notes(&read)
    );
    assert!(!record(&read).clipped.is_empty());
}

#[test]
fn single_missing_readings_stand_as_they_did_the_frame_before() {
    let made = push(26);
    let mat = on_mat(&made, MatSensor::good(setup()), &pads(50.0), 26);
    let mut lines: Vec<String> = mat.text().lines().map(str::to_owned).collect();
    for line in lines.iter_mut().skip(250).step_by(7).take(20) {
        let mut cells: Vec<&str> = line.split(',').collect();
        cells[10 * COLS + 12] = "";
        cells[500] = "NaN";
        *line = cells.join(",");
    }
    let folder = super::Folder::new();
    let path = folder.file("mat.csv", &lines.join("\n"));
    let read = super::read_file(&path, &mat.sensor.setup, About::default()).unwrap();
    assert!(
        notes(&read).contains("missing cells: 40 single readings as in"),
        "{}",
        notes(&read)
    );
    assert!(force_error_percent(&mat, &read) < 1.0);
}

#[test]
fn frames_that_come_in_packets_of_one_stamp_are_frames_of_their_own() {
    let made = push(71);
    let mat = on_mat(&made, MatSensor::good(setup()), &pads(50.0), 71);
    let even = read(&mat, About::default());
    // Four frames with the one stamp of the last.
    let lines: Vec<String> = mat.text().lines().map(str::to_owned).collect();
    let time = |line: &str| line.split(',').next().unwrap().to_owned();
    let mut packets = vec![lines[0].clone()];
    for packet in lines[1..].chunks(4) {
        let stamp = time(packet.last().unwrap());
        packets.extend(
            packet
                .iter()
                .map(|l| format!("{stamp}{}", &l[l.find(',').unwrap()..])),
        );
    }
    let text = packets.join("\n") + "\n";
    let folder = Folder::new();
    let parquet = folder.0.path().join("mat.parquet");
    super::reference::write_parquet(&parquet, super::reference::parquet_columns(&text));
    for path in [folder.file("mat.csv", &text), parquet] {
        let read = read_file(&path, &mat.sensor.setup, About::default()).unwrap();
        assert!(
            notes(&read).contains("time stamps rebuilt: samples came 4 to a stamp, stamps 50.0 ms apart"),
            "{}",
            notes(&read)
        );
        assert_eq!(read.trace.time_s.len(), even.trace.time_s.len());
        assert_eq!(record(&read).time_s, read.trace.time_s);
        // What a second of baseline is taken over differs by a packet.
        for (a, b) in read.trace.channels.iter().zip(&even.trace.channels) {
            let apart = a.force_n.iter().zip(&b.force_n).map(|(a, b)| (a - b).abs());
            assert!(apart.fold(0.0, f64::max) < 0.2);
        }
        let rate = 1.0 / (read.trace.time_s[1] - read.trace.time_s[0]);
        assert!((rate - 80.0).abs() < 0.1, "{rate}");
    }
}

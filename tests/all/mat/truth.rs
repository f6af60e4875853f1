//! Two hands with known forces and places at three levels of noise, near and far.

use super::{on_mat, pads, push, read, record, setup};
use tautpoint::simulate::{MatSensor, Pad};
use tautpoint::terms::{Contact, Side};
use tautpoint::trace::About;

/// Largest errors over the frames in which both hands truly press with 20 N or more.
#[derive(Debug, Default)]
struct Errors {
    frames: usize,
    /// Of the mean over the frames, in percent of the true one.
    mean_force_percent: f64,
    /// Root mean square over the frames.
    force_percent: f64,
    centre_cells: f64,
    share: f64,
}

fn errors(noise_kpa: f64, apart_mm: f64, seed: u64) -> Errors {
    let made = push(seed);
    let mut sensor = MatSensor::good(setup());
    sensor.noise_kpa = noise_kpa;
    let mat = on_mat(&made, sensor, &pads(apart_mm), seed);
    let read = read(&mat, About::default());
    let record = record(&read);
    assert_eq!(
        record.hands.len(),
        2,
        "{noise_kpa} kPa, {apart_mm} mm: {:?}",
        read.trace.notes
    );
    assert_eq!(record.hands[0].side, Some(Side::Left));
    let mut e = Errors::default();
    let (mut sums, mut force, mut centre, mut share) = ([[0.0; 2]; 2], 0.0, 0.0, 0.0);
    for i in 0..record.time_s.len() {
        let truth = mat.truth(i);
        if truth.iter().any(|t| t.force_n < 20.0) {
            continue;
        }
        e.frames += 1;
        let mut seen = [0.0; 2];
        for (k, t) in truth.iter().enumerate() {
            let hand = record.hands[k].frames[i].unwrap_or_else(|| panic!("hand {k} lost in frame {i}"));
            seen[k] = hand.force_n;
            sums[k][0] += hand.force_n;
            sums[k][1] += t.force_n;
            force += (100.0 * (hand.force_n / t.force_n - 1.0)).powi(2);
            let off = (hand.across_mm - t.across_mm).hypot(hand.along_mm - t.along_mm);
            centre = f64::max(centre, off / 8.0);
        }
        let true_share = truth[0].force_n / (truth[0].force_n + truth[1].force_n);
        share = f64::max(share, (seen[0] / (seen[0] + seen[1]) - true_share).abs());
    }
    for [seen, true_sum] in sums {
        e.mean_force_percent = e.mean_force_percent.max(100.0 * (seen / true_sum - 1.0).abs());
    }
    e.force_percent = (force / (2 * e.frames) as f64).sqrt();
    e.centre_cells = centre;
    e.share = share;
    e
}

#[test]
fn two_hands_are_found_to_a_hundredth_at_three_levels_of_noise_one_to_fifteen_centimetres_apart() {
    let mut seed = 40;
    for noise_kpa in [0.05, 0.2, 0.4] {
        for apart_mm in [10.0, 25.0, 60.0, 150.0] {
            seed += 1;
            let e = errors(noise_kpa, apart_mm, seed);
            println!("{noise_kpa} kPa, {apart_mm} mm apart: {e:?}");
            assert!(e.frames > 150);
            assert!(
                e.mean_force_percent < 1.0,
                "{noise_kpa} kPa, {apart_mm} mm: {e:?}"
            );
            assert!(e.force_percent < 1.0, "{noise_kpa} kPa, {apart_mm} mm: {e:?}");
            assert!(e.centre_cells < 0.2, "{noise_kpa} kPa, {apart_mm} mm: {e:?}");
            assert!(e.share < 0.01, "{noise_kpa} kPa, {apart_mm} mm: {e:?}");
        }
    }
}

#[test]
fn force_is_the_sum_over_cells_times_their_area_in_every_frame() {
    let made = push(3);
    let mut sensor = MatSensor::good(setup());
    (sensor.noise_kpa, sensor.offset_kpa, sensor.resolution_kpa) = (0.0, 0.0, 0.0);
    let mat = on_mat(&made, sensor, &pads(40.0), 3);
    let read = read(&mat, About::default());
    let record = record(&read);
    for i in 0..record.time_s.len() {
        // 8 mm × 8 mm, and 1 kPa on 1 mm² is a thousandth of a newton: the definition of the pascal.
        let cells: f64 = mat.frame(i).iter().flatten().sum::<f64>() * 64.0 * 1e-3;
        assert!(
            (record.total_n[i] - cells).abs() < 1e-3,
            "frame {i}: {} {cells}",
            record.total_n[i]
        );
        let true_n: f64 = mat.truth(i).iter().map(|t| t.force_n).sum();
        assert!((cells - true_n).abs() < 1e-3, "frame {i}: {cells} {true_n}");
        // Nothing but the hands loads the mat, so the hands hold the whole sum.
        let hands: f64 = record.hands.iter().map(|h| h.force_n[i]).sum();
        assert!((hands - cells).abs() < 0.02, "frame {i}: {hands} {cells}");
    }
}

#[test]
fn one_hand_that_crosses_the_midline_stays_the_same_hand() {
    let made = push(11);
    let mut two = pads(30.0);
    // The right hand makes room first; both stay apart all the way.
    two[0].moves_mm = [110.0, 10.0];
    two[1].moves_mm = [110.0, -10.0];
    two[0].at_mm[0] -= 40.0;
    two[1].at_mm[0] -= 40.0;
    let mat = on_mat(&made, MatSensor::good(setup()), &two, 11);
    let read = read(&mat, About::default());
    let record = record(&read);
    assert_eq!(record.hands.len(), 2);
    for i in (0..record.time_s.len()).filter(|i| mat.truth(*i).iter().all(|t| t.force_n > 20.0)) {
        for (k, t) in mat.truth(i).iter().enumerate() {
            let hand = record.hands[k].frames[i].unwrap();
            assert!(
                (hand.across_mm - t.across_mm).abs() < 2.0,
                "hand {k} in frame {i}"
            );
            assert!(
                (hand.force_n / t.force_n - 1.0).abs() < 0.03,
                "hand {k} in frame {i}"
            );
        }
    }
    let notes = read.trace.notes.join("; ");
    assert!(notes.contains("over the midline: the left hand"), "{notes}");
}

#[test]
fn hands_that_grow_together_under_load_are_cut_apart_and_told() {
    // Soft hands that spread with force: apart when light, one area when pressed.
    let made = push(12);
    let mut two = pads(0.0);
    for pad in &mut two {
        pad.half_mm = [29.0, 20.0];
        pad.growth = 0.45;
    }
    let mut sensor = MatSensor::good(setup());
    sensor.noise_kpa = 0.1;
    let mat = on_mat(&made, sensor, &two, 12);
    let read = read(&mat, About::default());
    let record = record(&read);
    let mut worst: f64 = 0.0;
    for i in (0..record.time_s.len()).filter(|i| mat.truth(*i).iter().all(|t| t.force_n > 20.0)) {
        let truth = mat.truth(i);
        let share = truth[0].force_n / (truth[0].force_n + truth[1].force_n);
        let f = |k: usize| record.hands[k].frames[i].unwrap().force_n;
        worst = worst.max((f(0) / (f(0) + f(1)) - share).abs());
    }
    let told = read
        .problems
        .iter()
        .any(|p| p.found.contains("pressed one loaded area"));
    assert!(told, "{:?}", read.trace.notes);
    // What lies between two hands that overlap cannot be told apart by anything: a few hundredths.
    println!("share off by at most {worst}");
    assert!(worst < 0.05, "{worst}");
}

#[test]
fn a_reinforced_contact_is_one_midline_hand_and_a_named_side_is_that_side() {
    let made = push(13);
    let mat = on_mat(
        &made,
        MatSensor::good(setup()),
        &[Pad::still([142.0, 80.0], [30.0, 24.0])],
        13,
    );
    let about = About {
        contact: Some(Contact::Reinforced),
        ..About::default()
    };
    assert_eq!(read(&mat, about).trace.channels[0].side, Some(Side::Midline));
    let about = About {
        side: Some(Side::Right),
        ..About::default()
    };
    assert_eq!(read(&mat, about).trace.channels[0].side, Some(Side::Right));
}

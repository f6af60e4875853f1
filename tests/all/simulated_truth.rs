//! Simulated tests: what the sensors do to them, and a truth that is true.

use tautpoint::simulate::*;
use tautpoint::terms::{Level, Side};
use tautpoint::trace::Trace;

fn sd(values: &[f64]) -> f64 {
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    (values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (values.len() - 1) as f64).sqrt()
}

/// Force as read minus true force.
fn errors_n(made: &Simulated) -> Vec<f64> {
    let pairs = made.trace.channels[0]
        .force_n
        .iter()
        .zip(&made.noise_free.channels[0].force_n);
    pairs.map(|(read, truth)| read - truth).collect()
}

fn plain(change: impl Fn(&mut Sensor)) -> Simulated {
    let mut spec = TraceSpec::default();
    change(&mut spec.sensor);
    simulate(&spec, 11)
}

#[test]
fn noise_has_the_size_that_was_asked_for() {
    let made = plain(|s| s.force_noise_n = 1.5);
    let noise = errors_n(&made);
    // The standard error of a standard deviation is s/√(2n): 0.8 % of it here; four of them.
    assert!((sd(&noise) - 1.5).abs() < 0.05, "{}", sd(&noise));
    let read = made.trace.channels[0].displacement_mm.as_ref().unwrap();
    let truth = made.noise_free.channels[0].displacement_mm.as_ref().unwrap();
    let noise: Vec<f64> = read.iter().zip(truth).map(|(a, b)| a - b).collect();
    assert!((sd(&noise) - 0.02).abs() < 0.001, "{}", sd(&noise));
}

#[test]
fn offset_drift_and_gain_are_where_the_sensor_says() {
    let quiet = |s: &mut Sensor| {
        s.force_noise_n = 0.0;
        s.force_resolution_n = 0.0;
    };
    let made = plain(|s| {
        quiet(s);
        (s.offset_n, s.drift_n) = (4.0, 1.0);
    });
    let errors = errors_n(&made);
    assert!((errors[0] - 4.0).abs() < 1e-9 && (errors[errors.len() - 1] - 5.0).abs() < 1e-9);
    let made = plain(|s| {
        quiet(s);
        s.gain_error = 0.02;
    });
    for (error, truth) in errors_n(&made).iter().zip(&made.noise_free.channels[0].force_n) {
        assert!((error - 0.02 * truth).abs() < 1e-9);
    }
}

#[test]
fn spikes_and_dropped_samples_are_as_many_as_were_asked_for() {
    let calm = plain(|_| {});
    let spiky = plain(|s| s.spikes = 25);
    let changed = |pick: fn(&Trace) -> &Vec<f64>| {
        pick(&calm.trace)
            .iter()
            .zip(pick(&spiky.trace))
            .filter(|(a, b)| a != b)
            .count()
    };
    // Two of the 25 might meet in one sample; with this seed none does.
    assert_eq!(changed(|t| &t.channels[0].force_n), 17);
    assert_eq!(changed(|t| t.channels[0].displacement_mm.as_ref().unwrap()), 8);
    let full = calm.trace.time_s.len() as f64;
    let rows = plain(|s| s.dropped_share = 0.05);
    // Binomial: 5 % of about 9,000 has a standard deviation of 21 rows; four of them.
    assert!((full - rows.trace.time_s.len() as f64 - 0.05 * full).abs() < 84.0);
    assert_eq!(rows.trace.time_s, rows.noise_free.time_s);
    let cells = plain(|s| (s.dropped_share, s.dropped) = (0.05, Dropped::Cells));
    assert_eq!(cells.trace.time_s.len() as f64, full);
    let missing = |t: &Trace| t.channels[0].force_n.iter().filter(|f| f.is_nan()).count();
    assert_eq!(full as usize - missing(&cells.trace), rows.trace.time_s.len());
    assert_eq!(missing(&cells.trace), missing(&cells.noise_free));
}

#[test]
fn a_saturated_sensor_shows_a_flat_top() {
    let made = plain(|s| s.saturation_n = Some(40.0));
    let force = &made.trace.channels[0].force_n;
    assert!(made.truth.peak_n > 60.0);
    assert_eq!(force.iter().copied().fold(0.0, f64::max), 40.0);
    assert!(force.iter().filter(|f| **f == 40.0).count() > 100);
}

#[test]
fn the_truth_is_what_the_noise_free_trace_shows() {
    for condition in Condition::ALL.into_iter().chain(Condition::OUTSIDE_THE_LAW) {
        let made = condition.simulate(8);
        let truth = &made.truth;
        let channel = &made.noise_free.channels[0];
        let rate_hz = condition.spec(&mut Rng::stream(8, 9)).sensor.rate_hz;
        let Some(x) = &channel.displacement_mm else {
            assert_eq!(condition, Condition::ForceOnly);
            continue;
        };
        if condition == Condition::Dropped {
            continue;
        }
        for spring in &truth.springs {
            let (from, to) = (
                (spring.start_s * rate_hz) as usize,
                (spring.end_s * rate_hz) as usize,
            );
            let highest = x[from..=to].iter().copied().fold(0.0, f64::max);
            // Half a sample off the top of a haversine: 1.8·(π·f·h)²/2 with f ≤ 2.3 Hz, plus tremor.
            let tolerance = if rate_hz < 100.0 { 0.03 } else { 1e-4 };
            assert!(
                (highest - spring.peak_mm).abs() < tolerance,
                "{} {highest} {spring:?}",
                condition.word()
            );
        }
        let Some(onset_s) = truth.onset_s else {
            assert_eq!(condition, Condition::ToeOnly);
            assert!(x.iter().all(|x| *x < truth.onset_mm.unwrap()));
            continue;
        };
        let i = (onset_s * rate_hz) as usize;
        assert!(
            x[..=i].iter().all(|x| *x <= truth.onset_mm.unwrap()),
            "{}",
            condition.word()
        );
        assert!(x[i + 1] >= truth.onset_mm.unwrap());
        let force = &channel.force_n;
        let onset_n = truth.onset_n.unwrap();
        assert!(
            (force[i] - 1e-9..=force[i + 1] + 1e-9).contains(&onset_n),
            "{}",
            condition.word()
        );
    }
}

#[test]
fn force_is_never_below_zero_and_nothing_presses_while_the_hand_is_off() {
    for condition in Condition::ALL {
        let made = condition.simulate(5);
        let (trace, truth) = (&made.noise_free, &made.truth);
        for (t, force) in trace.time_s.iter().zip(&trace.channels[0].force_n) {
            assert!(*force >= 0.0);
            let off = *t < truth.contact_begin_s || *t > truth.contact_end_s + 0.02;
            assert!(!off || *force == 0.0, "{} {t} {force}", condition.word());
        }
    }
}

#[test]
fn conditions_draw_a_different_test_each_time_and_keep_their_own_mark() {
    for seed in 0..100 {
        let early = Condition::EarlySprung.simulate(seed).truth;
        let onset_mm = early.onset_mm.unwrap();
        assert!(early.preload_mm.unwrap() < onset_mm - 0.2);
        assert!(early.springs.iter().all(|s| s.peak_mm > onset_mm + 0.5));
        let toe = Condition::ToeOnly.simulate(seed).truth;
        assert!(
            !toe.crossed()
                && toe
                    .springs
                    .iter()
                    .all(|s| s.peak_mm < toe.onset_mm.unwrap() - 0.5)
        );
        let clean = Condition::Clean.simulate(seed).truth;
        assert!(clean.preload_mm > clean.onset_mm);
        assert!((3..=5).contains(&clean.springs.len()));
        assert_ne!(clean.onset_mm, Condition::Clean.simulate(seed + 1).truth.onset_mm);
    }
}

#[test]
fn each_fault_is_there_to_be_noticed() {
    let elastic = Tissue::default().elastic;
    let made = |fault| {
        let spec = TraceSpec {
            examiner: Examiner::default().with(fault, &elastic),
            ..TraceSpec::default()
        };
        simulate(&spec, 21)
    };
    let excursion = |t: &Truth| t.springs[0].peak_mm - t.preload_mm.unwrap();
    let early = made(ExaminerFault::SprungEarly).truth;
    assert!(early.preload_mm < early.onset_mm && early.crossed());
    assert!(!made(ExaminerFault::InsideTheToe).truth.crossed());
    assert!(excursion(&made(ExaminerFault::Shallow).truth) < 2.0);
    assert!(excursion(&made(ExaminerFault::Deep).truth) > 4.4);
    let quick = made(ExaminerFault::Quick).truth.springs[0];
    // Half the haversine of 0.2 s; 10 to 90 % of its rise takes 0.59 of that.
    assert!(quick.peak_s - quick.start_s < 0.13);
    let uneven: Vec<f64> = made(ExaminerFault::UnevenSprings)
        .truth
        .springs
        .iter()
        .map(|s| s.peak_n)
        .collect();
    assert!(sd(&uneven) / (uneven.iter().sum::<f64>() / 4.0) > 0.10);
    let over = made(ExaminerFault::Over(175.0)).truth.peak_n;
    assert!(over > 175.0 && over < 220.0, "{over}");
    assert!(made(ExaminerFault::Press).truth.springs.is_empty());
    let off = made(ExaminerFault::CameOff);
    let (first, second) = (off.truth.springs[0], off.truth.springs[1]);
    let between = |s: &Simulated, from: f64, to: f64| {
        s.noise_free.channels[0].force_n[(from * 1e3) as usize..(to * 1e3) as usize].to_vec()
    };
    let lowest = between(&off, first.end_s, second.start_s)
        .into_iter()
        .fold(f64::INFINITY, f64::min);
    assert!(lowest < off.truth.preload_n.unwrap() / 2.0);
    let unsteady = made(ExaminerFault::UnsteadyHold);
    let start = unsteady.truth.springs[0].start_s;
    let hold = between(&unsteady, start - 1.2, start);
    assert!(
        sd(&hold) > 0.05 * unsteady.truth.preload_n.unwrap(),
        "{}",
        sd(&hold)
    );
}

#[test]
fn two_hands_share_the_preload_as_asked() {
    let left = Tissue::default();
    let right = left.scaled(0.3);
    let hands = TwoHands {
        shared_displacement: false,
        left_share: 0.65,
    };
    let (examiner, sensor) = (Examiner::default(), Sensor::default());
    let made = simulate_bilateral(&left, &right, &examiner, &sensor, hands, 2);
    let [l, r] = [0, 1].map(|i| made.truths[i].preload_n.unwrap());
    // Breathing and tremor move the held force by a few percent of it.
    assert!((l / (l + r) - 0.65).abs() < 0.02, "{}", l / (l + r));
    assert_eq!(made.trace.channels[0].side, Some(Side::Left));
    let made = simulate_bilateral(&left, &right, &examiner, &sensor, TwoHands::default(), 2);
    let [a, b] = [0, 1].map(|i| made.trace.channels[i].displacement_mm.clone());
    assert_eq!(a, b);
    assert!(made.trace.channels.iter().all(|c| c.displacement_shared));
    let text = trace_text(&made.trace, &sensor);
    assert!(text.starts_with("time_s,force_left_n,force_right_n,displacement_mm\n"));
}

#[test]
fn a_scan_counts_its_tests_and_its_times_run_on() {
    let specs: Vec<TraceSpec> = (0..4).map(|i| Condition::Clean.spec(&mut Rng::new(i))).collect();
    let made = simulate_scan(&specs, true, 3);
    let marker = made.trace.marker.as_ref().unwrap();
    assert_eq!((marker[0], marker[marker.len() - 1]), (1, 4));
    for (i, truth) in made.truths.iter().enumerate() {
        assert_eq!(truth.test as usize, i + 1);
        let at = |t: f64| (t * 1e3) as usize;
        assert_eq!(marker[at(truth.onset_s.unwrap())], i as i64 + 1);
        let x = made.noise_free.channels[0].displacement_mm.as_ref().unwrap();
        let passage = at(truth.onset_s.unwrap());
        assert!(x[passage] <= truth.onset_mm.unwrap() && x[passage + 1] >= truth.onset_mm.unwrap());
        assert_eq!(
            made.noise_free.channels[0].force_n[at(truth.contact_begin_s) - 5],
            0.0
        );
    }
}

#[test]
fn a_cohort_has_the_spread_that_was_asked_for() {
    let cohort = Cohort {
        subjects: 400,
        trials: 2,
        levels: vec![Level::L3],
        asymmetry_percent: vec![(Level::L3, 40.0)],
        ..Cohort::default()
    };
    let (recordings, calls) = cohort.plan(9).unwrap();
    assert_eq!((recordings.len(), calls.len()), (1600, 800));
    let logs: Vec<f64> = recordings
        .iter()
        .map(|p| p.spec.tissue.elastic.end_feel_n_per_mm().unwrap().ln())
        .collect();
    // One-way analysis of variance by hand: left and right of two trials, in the order of the plan.
    let within: Vec<f64> = logs.chunks(4).flat_map(|c| [c[0] - c[2], c[1] - c[3]]).collect();
    let repositioning = (within.iter().map(|d| d * d).sum::<f64>() / (2.0 * within.len() as f64)).sqrt();
    // A normal cut at three standard deviations keeps 0.9866 of its own; the error of the estimate is 2.5 %.
    assert!(
        (repositioning / (0.05 * 0.9866) - 1.0).abs() < 0.1,
        "{repositioning}"
    );
    let means: Vec<f64> = logs.chunks(4).map(|c| c.iter().sum::<f64>() / 4.0).collect();
    let expected = 0.9866 * (0.25f64.powi(2) + 0.08f64.powi(2) + 0.05f64.powi(2) / 4.0).sqrt();
    assert!(
        (sd(&means) / expected - 1.0).abs() < 0.14,
        "{} {expected}",
        sd(&means)
    );
    let ratio = logs.chunks(2).map(|c| c[1] - c[0]).sum::<f64>() / 800.0;
    // 40 % is ln(R/L) = 2·artanh(0.2) = 0.4055; the mean of 800 pairs errs by 0.0025.
    assert!((ratio - 0.405_465).abs() < 0.01, "{ratio}");
}

#[test]
fn a_tilt_sensor_is_recorded_where_there_is_one() {
    let mut spec = TraceSpec::default();
    assert!(simulate(&spec, 1).trace.drive_deg.is_none());
    spec.examiner.drive_deg = Some(72.0);
    let made = simulate(&spec, 1);
    let tilt = made.trace.drive_deg.as_ref().unwrap();
    let mean = tilt.iter().sum::<f64>() / tilt.len() as f64;
    // 0.5 degrees of noise over some 9,000 samples: a standard error of 0.005.
    assert!((mean - 72.0).abs() < 0.02, "{mean}");
    assert!(trace_text(&made.trace, &spec.sensor).starts_with("time_s,force_n,displacement_mm,drive_deg\n"));
}

#[test]
fn a_gap_and_an_uneven_clock_are_where_they_were_asked_for() {
    let gap = plain(|s| s.gap_s = Some([4.0, 4.1]));
    let longest = gap
        .trace
        .time_s
        .windows(2)
        .map(|w| w[1] - w[0])
        .fold(0.0, f64::max);
    assert!((longest - 0.101).abs() < 1e-9, "{longest}");
    let uneven = plain(|s| s.jitter_share = 0.3);
    let steps: Vec<f64> = uneven.trace.time_s.windows(2).map(|w| w[1] - w[0]).collect();
    let (low, high) = steps
        .iter()
        .fold((1.0, 0.0), |(l, h): (f64, f64), s| (l.min(*s), h.max(*s)));
    assert!(
        low > 0.000_399 && low < 0.000_45 && high < 0.001_601 && high > 0.001_55,
        "{low} {high}"
    );
    // The values belong to the uneven times: the same movement read on the even clock, interpolated.
    let even = plain(|_| {});
    let (x, even) = (&uneven.noise_free.channels[0], &even.noise_free.channels[0]);
    let (x, even) = (
        x.displacement_mm.as_ref().unwrap(),
        even.displacement_mm.as_ref().unwrap(),
    );
    for (t, x) in uneven.trace.time_s.iter().zip(x) {
        let place = t * 1e3;
        let i = place as usize;
        let after = even[(i + 1).min(even.len() - 1)];
        let between = even[i] + (place - i as f64) * (after - even[i]);
        assert!((between - x).abs() < 1e-4);
    }
}

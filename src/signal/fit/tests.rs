use super::made::{CUTOFF_HZ, by_the_law, low_passed_noise, noise};
use super::*;
use law::KneeShape;

const RATE_HZ: f64 = 100.0;

fn input<'a>(series: &'a Series, noise: &'a FilteredNoise, springs: &'a [Range<usize>]) -> FitInput<'a> {
    FitInput {
        rate_hz: RATE_HZ,
        cutoff_hz: CUTOFF_HZ,
        force_n: &series.force_n,
        displacement_mm: &series.displacement_mm,
        force_noise_n: 0.02,
        displacement_noise_mm: 0.0,
        noise,
        zero_sd_n: 0.0,
        springs,
        onset_within_mm: None,
    }
}

#[test]
fn what_a_press_was_made_of_comes_back_with_relaxation_and_without() {
    let filtered = noise(RATE_HZ);
    for (ln_time, k) in [(None, vec![1.2, 5.0, 0.4]), (Some(0.4_f64.ln()), vec![1.2, 5.0, 0.4, 1.5, 2.5])] {
        let shape = KneeShape { onset_mm: 4.0, ln_width: 0.3_f64.ln(), ln_time };
        let (made, springs) = by_the_law(RATE_HZ, 2, &shape, 0.3, &k);
        let fit = fit(&input(&made, &filtered, &springs)).unwrap().unwrap();
        for (found, put) in [
            (fit.onset_mm.value, 4.0),
            (fit.take_up_n_per_mm.value, 1.2),
            (fit.end_feel_n_per_mm.value, 6.2),
            (fit.damping_n_s_per_mm.value, 0.4),
            (fit.knee_width_mm, 0.3),
            (fit.relaxation_time_s.unwrap_or(0.4), 0.4),
        ] {
            assert!((found / put - 1.0).abs() < 1e-3, "{found} {put}");
        }
        assert_eq!(fit.relaxation_time_s.is_some(), ln_time.is_some());
        assert!(fit.against_knee.is_empty() && !fit.poor && fit.laws.is_empty(), "{:?}", fit.against_knee);
        assert!(fit.residual_percent.unwrap() < 1e-2, "{:?}", fit.residual_percent);
        // The passage is where the displacement itself reads the onset.
        let i = fit.passage as usize;
        let x = &made.displacement_mm;
        let there = x[i] + (fit.passage - i as f64) * (x[i + 1] - x[i]);
        assert!((there - fit.onset_mm.value).abs() < 1e-9 && x[i - 1] < there, "{there}");
        // The toe's line F0 + k1·x, with the knee's term at 0 counted in, passes zero here.
        let toe_n = 0.3 - 5.0 * 0.3 * (-4.0_f64 / 0.3).exp().ln_1p();
        assert!((fit.unloaded_mm + toe_n / 1.2).abs() < 1e-3, "{}", fit.unloaded_mm);
    }
}

/// The same gain is beyond chance where many samples are independent, and is not where few are.
#[test]
fn relaxation_is_claimed_by_the_independent_samples_there_are() {
    let shape = KneeShape { onset_mm: 4.0, ln_width: 0.3_f64.ln(), ln_time: Some(0.4_f64.ln()) };
    let filtered = noise(RATE_HZ);
    for (springs, claimed) in [(0, false), (8, true)] {
        let (mut made, ranges) = by_the_law(RATE_HZ, springs, &shape, 0.3, &[1.2, 5.0, 0.4, 0.14, 0.14]);
        let disturbance = low_passed_noise(&made, 0.3, 7);
        made.force_n.iter_mut().zip(&disturbance).for_each(|(f, d)| *f += d);
        let fit = fit(&input(&made, &filtered, &ranges)).unwrap().unwrap();
        assert_eq!(fit.relaxation_time_s.is_some(), claimed, "{springs} springs");
    }
}

/// A push that stiffens evenly has no knee, whichever law is asked: neither one as wide as the push nor a bent cable is one.
#[test]
fn a_push_that_stiffens_evenly_has_no_knee() {
    let filtered = noise(RATE_HZ);
    for (square, seed) in [(0.15, 1), (0.4, 2), (0.4, 3)] {
        let (x, springs) = super::made::press(RATE_HZ, 3);
        let n = x.len();
        let mut made = super::made::series(x, vec![0.0; n], RATE_HZ);
        let disturbance = low_passed_noise(&made, 0.3, seed);
        let samples = made.displacement_mm.iter().zip(&made.speed_mm_per_s).zip(&disturbance);
        made.force_n = samples.map(|((x, v), e)| 1.0 + 1.5 * x + square * x * x + 0.3 * v + e).collect();
        let of = FitInput { force_noise_n: 0.3, ..input(&made, &filtered, &springs) };
        let plain = fit(&of).unwrap().unwrap();
        assert!(plain.against_knee.contains(&AgainstKnee::SmoothCurveExplains), "{square}: {:?} {:?}", plain.against_knee, plain.laws);
    }
}

#[test]
fn what_the_family_says_takes_the_place_of_the_plain_law() {
    let shape = KneeShape { onset_mm: 4.0, ln_width: 0.3_f64.ln(), ln_time: None };
    let (made, springs) = by_the_law(RATE_HZ, 2, &shape, 0.3, &[1.2, 5.0, 0.4]);
    let filtered = noise(RATE_HZ);
    let of = FitInput { displacement_noise_mm: 0.01, ..input(&made, &filtered, &springs) };
    let plain = fit(&of).unwrap().unwrap();
    let press = Press::new(&made, &vec![0.01; made.len()], &springs, &filtered);
    let read = |value: f64, by_noise: f64| family::Read { value, by_noise, by_residual: 0.0 };
    let family = Averaged {
        results: [[4.4, 0.3], [9.0, 0.5], [1.5, 0.2], [6.0, 0.4], [0.5, 0.05]],
        laws: Vec::new(),
        winner: [read(4.5, 0.1), read(9.0, 0.2), read(1.6, 0.3), read(6.1, 0.1), read(0.5, 0.02)],
        residual_n: vec![0.1; press.kept.len()],
        rss: 1.0,
        rss_without_onset: 900.0,
        parameters: 6,
        unloaded_mm: -0.7,
        first_damping: 0.45,
    };
    let mut fit = plain.clone();
    fit.take_over(&of, &press, &family, &Bounds::of(&made.displacement_mm).unwrap());
    let pairs = [
        (fit.onset_mm, plain.onset_mm),
        (fit.onset_n, plain.onset_n),
        (fit.take_up_n_per_mm, plain.take_up_n_per_mm),
        (fit.end_feel_n_per_mm, plain.end_feel_n_per_mm),
        (fit.damping_n_s_per_mm, plain.damping_n_s_per_mm),
    ];
    for (k, (now, before)) in pairs.into_iter().enumerate() {
        let [value, u] = family.results[k];
        assert_eq!(now.value, value - before.parts.attenuated);
        assert_eq!(now.parts.attenuated, before.parts.attenuated);
        let by_noise = now.parts.force.hypot(now.parts.displacement);
        assert!((by_noise - family.winner[k].by_noise.min(u)).abs() < 1e-12, "{k}: {by_noise}");
        assert!((by_noise.hypot(now.parts.misfit) / u - 1.0).abs() < 1e-9, "{k}: {:?}", now.parts);
    }
    assert_eq!(fit.first_damping_n_s_per_mm.value, 0.45);
    assert_eq!((fit.unloaded_mm, fit.passage), (-0.7, first_passage(&made.displacement_mm, fit.onset_mm.value)));
    assert!(fit.against_knee.is_empty(), "{:?}", fit.against_knee);
    let force = &made.force_n[springs[0].start..springs[1].end];
    let (low, high) = extremes(force);
    assert!((fit.residual_percent.unwrap() / (100.0 * 0.1 / (high - low)) - 1.0).abs() < 0.02, "{:?}", fit.residual_percent);
}

/// Four parameters more, of which the F test has three: (40 − 30)/3 over 30/100 is 11.1, beyond the 1e-4 point of F(3, 100), which
/// is 7.9; a gain of 20 % alone is not enough with few samples.
#[test]
fn relaxation_pays_by_the_f_test() {
    let of = |rss: f64| Fitted {
        shape: KneeShape { onset_mm: 4.0, ln_width: 0.0, ln_time: None },
        linear: project::Linear { constant: 0.0, coefficients: vec![1.0, 1.0, 1.0], rss },
    };
    assert!(relaxation_pays(&of(40.0), &of(30.0), 109.0));
    assert!(!relaxation_pays(&of(40.0), &of(30.0), 29.0));
    assert!(!relaxation_pays(&of(40.0), &of(33.0), 1e6), "a gain under a fifth");
}

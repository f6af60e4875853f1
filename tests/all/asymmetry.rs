//! Published indices of asymmetry, each got back from ours: all are functions of the one ratio of right to left.

use tautpoint::compare::{log_of_percent, percent_of_log};

/// The other indices that an asymmetry in percent stands for.
struct Others {
    limb_symmetry: f64,
    less_than_larger: f64,
    angle: f64,
}

fn others(percent: f64) -> Others {
    let ratio = log_of_percent(percent).exp();
    Others {
        limb_symmetry: 100.0 / ratio,
        less_than_larger: 100.0 * (1.0 - ratio.min(1.0 / ratio)),
        angle: 100.0 * (45.0 - 1.0_f64.atan2(ratio).to_degrees()) / 90.0,
    }
}

#[test]
fn left_8_and_right_10_have_the_value_of_every_published_index() {
    // Symmetry index (Robinson et al. 1987, JMPT 10:172-176) 22.2222 %; limb symmetry index 100 L/R = 80 %; (max −
    // min)/max = 20 %; symmetry angle 100 (45° − atan2(L, R))/90° (Zifchock et al. 2008, Gait Posture 27:622-627) =
    // 7.044657 %.
    let percent = percent_of_log((10.0_f64 / 8.0).ln());
    assert!((percent - 22.222_2).abs() < 1e-4, "{percent}");
    let o = others(percent);
    assert!((o.limb_symmetry - 80.0).abs() < 1e-9, "{}", o.limb_symmetry);
    assert!((o.less_than_larger - 20.0).abs() < 1e-9, "{}", o.less_than_larger);
    assert!((o.angle - 7.044_657).abs() < 1e-6, "{}", o.angle);
}

#[test]
fn the_index_needs_no_reference_side_and_orders_pairs_as_the_symmetry_angle_does() {
    // Parkinson et al. 2021, J Sports Sci Med 20:594-617: few indices are independent of the reference limb. Derived:
    // the angle is atan(p/200)·100/90 in degrees, so both indices rise together.
    let mut last = f64::NEG_INFINITY;
    for right in (1..=60).map(|k| 0.5 * f64::from(k)) {
        let percent = percent_of_log((right / 8.0_f64).ln());
        assert!((percent + percent_of_log((8.0 / right).ln())).abs() < 1e-9);
        assert!((percent - 100.0 * (right - 8.0) / (0.5 * (right + 8.0))).abs() < 1e-9);
        let angle = 100.0 * (45.0 - 8.0_f64.atan2(right).to_degrees()) / 90.0;
        assert!((angle - 100.0 * (percent / 200.0).atan().to_degrees() / 90.0).abs() < 1e-9);
        assert!(percent > last && percent.abs() < 200.0);
        last = percent;
    }
}

//! Whether samples were taken at their stamps or on the even clock behind them: the samples tell.

/// So many standard errors must speak for the stamps.
const SURE: f64 = 4.0;
/// A sample this many times further off its neighbours' line than half of them are is a spike.
const SPIKE: f64 = 8.0;

/// Each sample is held against the straight line between its two neighbours, once at the stamps and once at the even times.
/// Where the hand moves, wrong times put samples off that line.
///
/// With weights a and 1 − a of the neighbours a sample of white noise σ is off by σ·√(1 + a² + (1 − a)²), which is taken out.
pub(super) fn samples_follow_stamps(stamps: &[f64], even: &[f64], channels: &[&[f64]]) -> bool {
    let mut votes = Vec::new();
    for channel in channels {
        let (by_stamp, by_clock) = (off_line(stamps, channel), off_line(even, channel));
        let mut sizes: Vec<f64> = by_clock.iter().copied().filter(|v| v.is_finite()).collect();
        if sizes.is_empty() {
            continue;
        }
        let middle = sizes.len() / 2;
        let (_, &mut median, _) = sizes.select_nth_unstable_by(middle, f64::total_cmp);
        let limit = SPIKE * SPIKE * median;
        if median <= 0.0 {
            continue;
        }
        let pairs = by_stamp.iter().zip(&by_clock);
        let sound = pairs.filter(|(s, c)| s.is_finite() && c.is_finite() && s.max(**c) <= limit);
        votes.extend(sound.map(|(s, c)| (c - s) / median));
    }
    let n = votes.len() as f64;
    let mean = votes.iter().sum::<f64>() / n;
    let variance = votes.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / n;
    // Neighbours share samples: a third of the votes are independent.
    mean > SURE * (3.0 * variance / n).sqrt()
}

/// Squared distance of each sample but the ends from the line between its neighbours, in standard deviations of σ = 1.
fn off_line(time_s: &[f64], values: &[f64]) -> Vec<f64> {
    let at = time_s.array_windows().zip(values.array_windows());
    at.map(|([t0, t1, t2], [y0, y1, y2])| {
        let a = (t1 - t0) / (t2 - t0);
        let off = y1 - ((1.0 - a) * y0 + a * y2);
        off * off / (1.0 + a * a + (1.0 - a) * (1.0 - a))
    })
    .collect()
}

//! What unloaded cells read, and how noisy they are: from frames before the first touch.

/// At least this long a stretch, in s, and this many frames, makes a baseline.
pub const SHORTEST_S: f64 = 0.2;
const LEAST_FRAMES: usize = 10;
/// The stretch ends when the sum of all cells has risen by this much above its start, in N, or by six of its own
/// standard deviations.
const RISE_N: f64 = 2.0;
/// Kept clear before that, in s, as before every touch (see the force zero of the signal chain).
const BEFORE_TOUCH_S: f64 = 0.35;

/// Readings of unloaded cells.
#[derive(Debug, Clone, PartialEq)]
pub struct Baseline {
    /// Mean reading of each cell, in the mat's unit.
    pub mean: Vec<f32>,
    /// Standard deviation of one reading, the median over the cells, in the mat's unit.
    pub noise: f32,
    /// Cells whose reading never changed.
    pub constant: Vec<bool>,
    /// Cells far noisier than the others.
    pub noisy: Vec<usize>,
    /// Frames it was made of.
    pub frames: usize,
}

/// How many of the first frames are unloaded, by the force on all cells; `None` when they are too few.
///
/// The first 0.2 s set what is unloaded: a recording that begins with a hand on is told apart later, by a stretch
/// that lies lower.
pub fn unloaded_frames(time_s: &[f64], total_n: &[f64]) -> Option<usize> {
    let first = time_s.first()?;
    let least = time_s
        .iter()
        .position(|t| t - first >= SHORTEST_S - 1e-9)?
        .max(LEAST_FRAMES);
    let start = total_n.get(..least)?;
    let mean = start.iter().sum::<f64>() / start.len() as f64;
    let sd = (start.iter().map(|t| (t - mean).powi(2)).sum::<f64>() / (start.len() - 1) as f64).sqrt();
    let limit = mean + RISE_N.max(6.0 * sd);
    let risen = total_n.iter().position(|t| *t > limit).unwrap_or(total_n.len());
    // A lean begins softly: the hand is on long before the limit is passed. Half of the stretch is kept all the same.
    let margin_s = match time_s.get(risen) {
        Some(at) => BEFORE_TOUCH_S.min(0.5 * (at - first)),
        None => 0.0,
    };
    let end_s = time_s.get(risen).copied().unwrap_or(f64::INFINITY) - margin_s;
    let before = time_s.iter().take(risen).take_while(|t| **t < end_s).count();
    (before >= LEAST_FRAMES).then_some(before)
}

/// Mean and noise of unloaded frames, each of `cells` readings one after the other.
///
/// # Formula
/// Noise from differences of successive frames, which take out drift: s² = Σ(yᵢ₊₁ − yᵢ)²/(2(n − 1)), the median over the
/// cells; a mat that never changes has the noise of rounding, step/√12, of its smallest step.
pub fn baseline(frames: &[f32], cells: usize) -> Baseline {
    let count = frames.len() / cells.max(1);
    let mut mean = vec![0.0_f64; cells];
    let mut squares = vec![0.0_f64; cells];
    for (k, frame) in frames.chunks_exact(cells).enumerate() {
        for (cell, v) in frame.iter().enumerate() {
            mean[cell] += f64::from(*v);
            if k > 0 {
                let before = frames[(k - 1) * cells + cell];
                squares[cell] += f64::from(v - before).powi(2);
            }
        }
    }
    let steps = 2.0 * count.saturating_sub(1).max(1) as f64;
    let sd: Vec<f64> = squares.iter().map(|s| (s / steps).sqrt()).collect();
    let mut sorted = sd.clone();
    sorted.sort_unstable_by(f64::total_cmp);
    let noise = sorted.get(cells / 2).copied().unwrap_or(0.0);
    let noisy = match noise > 0.0 {
        true => (0..cells).filter(|c| sd[*c] > 10.0 * noise).collect(),
        false => Vec::new(),
    };
    Baseline {
        mean: mean.iter().map(|m| (m / count.max(1) as f64) as f32).collect(),
        noise: noise as f32,
        constant: squares.iter().map(|s| *s == 0.0).collect(),
        noisy,
        frames: count,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_unloaded_stretch_ends_before_the_lean() {
        let time: Vec<f64> = (0..200).map(|i| f64::from(i) * 0.01).collect();
        let total: Vec<f64> = time.iter().map(|t| (40.0 * (t - 1.0)).max(0.0)).collect();
        let n = unloaded_frames(&time, &total).unwrap();
        assert!((60..100).contains(&n), "{n}");
        assert_eq!(unloaded_frames(&time[..5], &total[..5]), None);
    }

    #[test]
    fn noise_is_the_cells_own_and_drift_is_not_noise() {
        let mut rng = crate::simulate::Rng::new(3);
        let frames: Vec<f32> = (0..400)
            .flat_map(|k| (0..9).map(move |c| (k, c)).collect::<Vec<_>>())
            .map(|(k, c)| 5.0 + 0.01 * k as f32 + c as f32 + (0.2 * rng.normal()) as f32)
            .collect();
        let b = baseline(&frames, 9);
        assert!((b.noise - 0.2).abs() < 0.02, "{}", b.noise);
        assert!((b.mean[3] - (8.0 + 2.0)).abs() < 0.05);
        assert!(b.noisy.is_empty() && !b.constant.contains(&true));
    }
}

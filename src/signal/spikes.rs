//! Spikes: single samples that no hand can make, replaced by what their neighbours say.

/// Half-width of the identifier's window, in samples.
pub const HALF_WIDTH: usize = 5;
const WINDOW: usize = 2 * HALF_WIDTH + 1;
/// Distance from the local median, in scaled MADs, beyond which a sample is a spike.
const SCALED_MADS: f64 = 4.0;
/// The same in standard deviations of the channel's own noise: keeps quiet stretches from being trimmed.
const NOISE_SDS: f64 = 6.0;
/// From this rate on a window of eleven samples is short against any real peak.
pub const WINDOW_FROM_RATE_HZ: f64 = 200.0;

/// Replaces spikes in place and gives the indices replaced, each with what stood there. `noise_sd` is the channel's own white noise.
///
/// At 200 Hz and above a Hampel identifier over 11 samples (Hampel 1974, J Am Stat Assoc 69:383-393; Davies &
/// Gather 1993, J Am Stat Assoc 88:782-792); below, only isolated samples that stand off the line through both
/// neighbours, since eleven samples there would cut real peaks. Less than a window is left alone.
pub fn remove_spikes(y: &mut [f64], rate_hz: f64, noise_sd: f64, filled: &[bool]) -> Vec<(usize, f64)> {
    if rate_hz >= WINDOW_FROM_RATE_HZ {
        hampel(y, noise_sd)
    } else {
        isolated(y, noise_sd, filled)
    }
}

fn hampel(y: &mut [f64], noise_sd: f64) -> Vec<(usize, f64)> {
    let n = y.len();
    let mut found = Vec::new();
    if n < WINDOW {
        return found;
    }
    let floor = NOISE_SDS * noise_sd;
    let raw = y.to_vec();
    // Samples near an end are held against the whole window there: the order of the others is nothing to the identifier.
    for i in (0..HALF_WIDTH).chain(n - HALF_WIDTH..n) {
        let from = i.saturating_sub(HALF_WIDTH).min(n - WINDOW);
        let mut window = [0.0; WINDOW];
        window.copy_from_slice(&raw[from..from + WINDOW]);
        window.swap(i - from, HALF_WIDTH);
        found.extend(spike_median(&window, floor).map(|median| (i, median)));
    }
    each_spike(&raw, floor, |i, median| found.push((i, median)));
    found.sort_unstable_by_key(|(i, _)| *i);
    for (i, value) in &mut found {
        y[*i] = std::mem::replace(value, raw[*i]);
    }
    found
}

/// Finds the spikes among all samples that have half a window on either side, and the medians to put in their places.
pub fn each_spike(raw: &[f64], floor: f64, mut found: impl FnMut(usize, f64)) {
    let mut from = 0;
    while from + WINDOW <= raw.len() {
        // Nearly always none of the next few can be one.
        if from + WINDOW + LANES <= raw.len() && are_near(&raw[from..], floor) {
            from += LANES;
            continue;
        }
        if let Some(median) = spike_median(&raw[from..from + WINDOW], floor) {
            found(from + HALF_WIDTH, median);
        }
        from += 1;
    }
}

/// Samples that are looked at together.
const LANES: usize = 8;
/// So many of a sample's six nearest lie near one that is no spike, as far as can be told without sorting.
const NEAR_ENOUGH: u32 = 5;

/// Whether so many samples in a row, from half a window on, all lie near enough of their six nearest.
fn are_near(from: &[f64], floor: f64) -> bool {
    let middle = &from[HALF_WIDTH..HALF_WIDTH + LANES];
    let mut near = [0; LANES];
    for (first, other) in from.windows(LANES).enumerate().take(HALF_WIDTH + 4).skip(HALF_WIDTH - 3) {
        for k in 0..LANES {
            near[k] += u32::from(first != HALF_WIDTH && (other[k] - middle[k]).abs() <= floor);
        }
    }
    near.iter().all(|n| *n >= NEAR_ENOUGH)
}

/// The median to put in place of the window's middle sample, if that is a spike.
pub fn spike_median(window: &[f64], floor: f64) -> Option<f64> {
    let middle = window[window.len() / 2];
    // Nearly always enough of its neighbours are near it, and then neither count below can fall short.
    if let Ok(eleven) = <&[f64; WINDOW]>::try_from(window) {
        let [_, _, a, b, c, _, d, e, f, _, _] = *eleven;
        let near = [a, b, c, d, e, f].map(|v| u32::from((v - middle).abs() <= floor));
        if near.iter().sum::<u32>() >= NEAR_ENOUGH {
            return None;
        }
    }
    // |middle − median| > floor needs a majority on one side beyond the floor: two counts decide without sorting.
    let need = window.len() / 2 + 1;
    let below = window.iter().filter(|v| **v <= middle + floor).count();
    let above = window.iter().filter(|v| **v >= middle - floor).count();
    if below >= need && above >= need {
        return None;
    }
    let mut sorted = [0.0; WINDOW];
    let sorted = &mut sorted[..window.len()];
    sorted.copy_from_slice(window);
    sorted.sort_unstable_by(f64::total_cmp);
    let median = sorted[sorted.len() / 2];
    let off = (middle - median).abs();
    for v in sorted.iter_mut() {
        *v = (*v - median).abs();
    }
    sorted.sort_unstable_by(f64::total_cmp);
    let mad = 1.4826 * sorted[sorted.len() / 2];
    (off > SCALED_MADS * mad && off > floor).then_some(median)
}

fn isolated(y: &mut [f64], noise_sd: f64, filled: &[bool]) -> Vec<(usize, f64)> {
    let mut found = Vec::new();
    let n = y.len();
    if n < 7 {
        return found;
    }
    let raw = y.to_vec();
    for i in 3..n - 3 {
        if filled.get(i).copied().unwrap_or(false) {
            continue;
        }
        if let Some(line) = isolated_line(&raw[i - 3..=i + 3], noise_sd) {
            y[i] = line;
            found.push((i, raw[i]));
        }
    }
    found
}

/// The value to put in place of the middle of seven samples, if it stands alone off the line through both its
/// neighbours: beyond six standard deviations of that distance, and beyond four times what the trace around it
/// does by itself.
pub fn isolated_line(seven: &[f64], noise_sd: f64) -> Option<f64> {
    let off = |a: f64, b: f64, c: f64| (b - 0.5 * (a + c)).abs();
    let here = off(seven[2], seven[3], seven[4]);
    // The distance of white noise from the mean of its neighbours has 1.5 times its variance.
    if here <= NOISE_SDS * noise_sd * 1.5_f64.sqrt() {
        return None;
    }
    // Around the spike, without the spike itself: distances that skip over it.
    let around = off(seven[0], seven[1], seven[2])
        .max(off(seven[4], seven[5], seven[6]))
        .max(off(seven[1], seven[2], seven[4]))
        .max(off(seven[2], seven[4], seven[5]));
    (here > SCALED_MADS * around).then_some(0.5 * (seven[2] + seven[4]))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn press(rate_hz: f64) -> Vec<f64> {
        let n = (2.0 * rate_hz) as usize;
        (0..n)
            .map(|i| 17.5 * (1.0 - (i as f64 / rate_hz * std::f64::consts::TAU * 2.0).cos()))
            .collect()
    }

    #[test]
    fn a_spike_is_replaced_by_its_surroundings_at_any_rate() {
        for rate in [80.0, 1000.0] {
            let clean = press(rate);
            let mut y = clean.clone();
            let i = y.len() / 3;
            y[i] += 25.0;
            assert_eq!(remove_spikes(&mut y, rate, 0.05, &[]), vec![(i, clean[i] + 25.0)]);
            assert!((y[i] - clean[i]).abs() < 1.0, "{} {}", y[i], clean[i]);
        }
    }

    #[test]
    fn a_spike_on_the_first_or_last_sample_is_replaced_and_a_ramp_that_is_cut_off_is_not() {
        // A line that is pulled often ends on such a sample; through the low pass it would pass for noise of the whole rest.
        let ramp: Vec<f64> = (0..400).map(|i| 0.05 * f64::from(i)).collect();
        let mut y = ramp.clone();
        assert!(remove_spikes(&mut y, 1000.0, 0.05, &[]).is_empty());
        for i in [0, 2, 397, 399] {
            let mut y = ramp.clone();
            y[i] -= 84.0;
            assert_eq!(remove_spikes(&mut y, 1000.0, 0.05, &[]), vec![(i, ramp[i] - 84.0)]);
            assert!((y[i] - ramp[i]).abs() < 0.35, "{} {}", y[i], ramp[i]);
        }
    }

    #[test]
    fn a_real_peak_is_left_alone_at_any_rate() {
        for rate in [50.0, 80.0, 200.0, 1000.0] {
            let clean = press(rate);
            let mut y = clean.clone();
            assert!(remove_spikes(&mut y, rate, 0.0, &[]).is_empty(), "{rate}");
            assert_eq!(y, clean);
        }
    }

    #[test]
    fn one_window_is_enough_and_less_is_left_alone() {
        let mut y = [0.0; WINDOW];
        y[HALF_WIDTH] = 5.0;
        assert_eq!(remove_spikes(&mut y, 1000.0, 0.05, &[]), vec![(HALF_WIDTH, 5.0)]);
        for n in 0..WINDOW {
            let mut y = vec![0.0; n];
            if let Some(middle) = y.get_mut(n / 2) {
                *middle = 5.0;
            }
            assert!(remove_spikes(&mut y, 1000.0, 0.05, &[]).is_empty(), "{n}");
        }
    }

    #[test]
    fn the_quick_count_agrees_with_the_full_identifier() {
        // Oracle: the definition itself, by sorting, on windows with and without a spike.
        for k in 0..500_u32 {
            let w: Vec<f64> = (0..11_u32)
                .map(|i| {
                    let h = (k * 7919 + i * 104_729) % 1000;
                    f64::from(h) / 500.0
                        + if i == 5 && k % 3 == 0 {
                            f64::from(k % 17) - 8.0
                        } else {
                            0.0
                        }
                })
                .collect();
            let mut s = w.clone();
            s.sort_by(f64::total_cmp);
            let median = s[5];
            let mut d: Vec<f64> = w.iter().map(|v| (v - median).abs()).collect();
            d.sort_by(f64::total_cmp);
            let off = (w[5] - median).abs();
            let floor = 0.9;
            let expected = off > 4.0 * 1.4826 * d[5] && off > floor;
            assert_eq!(spike_median(&w, floor).is_some(), expected, "window {k}");
        }
    }
}

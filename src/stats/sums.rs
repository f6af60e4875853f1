//! Sums over long slices in eight lanes: a processor adds several numbers at once, but only where the order is not fixed.
//!
//! The order here is fixed all the same, to every eighth element by itself and then the lanes in pairs, so that the same
//! numbers give the same sum everywhere; rounding grows with n/8 instead of n.
//!
//! Loops count for themselves: tests are built with little optimisation, where each step of an iterator is a call, and most
//! of their time is spent here.

const LANES: usize = 8;

fn folded(lanes: [f64; LANES]) -> f64 {
    let [a, b, c, d, e, f, g, h] = lanes;
    ((a + e) + (c + g)) + ((b + f) + (d + h))
}

/// Σ xᵢ.
pub fn sum(x: &[f64]) -> f64 {
    let mut lanes = [0.0; LANES];
    let (chunks, rest) = x.as_chunks::<LANES>();
    let mut i = 0;
    while i < chunks.len() {
        let x = &chunks[i];
        lanes[0] += x[0];
        lanes[1] += x[1];
        lanes[2] += x[2];
        lanes[3] += x[3];
        lanes[4] += x[4];
        lanes[5] += x[5];
        lanes[6] += x[6];
        lanes[7] += x[7];
        i += 1;
    }
    folded(lanes) + rest.iter().sum::<f64>()
}

/// Σ aᵢ·bᵢ over the shorter of both.
pub fn dot(a: &[f64], b: &[f64]) -> f64 {
    centred_dot(a, 0.0, b, 0.0)
}

/// Σ (aᵢ − ma)·(bᵢ − mb) over the shorter of both.
pub fn centred_dot(a: &[f64], ma: f64, b: &[f64], mb: f64) -> f64 {
    let n = a.len().min(b.len());
    let mut lanes = [0.0; LANES];
    let (a_chunks, a_rest) = a[..n].as_chunks::<LANES>();
    let (b_chunks, b_rest) = b[..n].as_chunks::<LANES>();
    let mut i = 0;
    while i < a_chunks.len() {
        let (a, b) = (&a_chunks[i], &b_chunks[i]);
        lanes[0] += (a[0] - ma) * (b[0] - mb);
        lanes[1] += (a[1] - ma) * (b[1] - mb);
        lanes[2] += (a[2] - ma) * (b[2] - mb);
        lanes[3] += (a[3] - ma) * (b[3] - mb);
        lanes[4] += (a[4] - ma) * (b[4] - mb);
        lanes[5] += (a[5] - ma) * (b[5] - mb);
        lanes[6] += (a[6] - ma) * (b[6] - mb);
        lanes[7] += (a[7] - ma) * (b[7] - mb);
        i += 1;
    }
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(a, b)| (a - ma) * (b - mb)).sum();
    folded(lanes) + rest
}

/// y += k·x, over the shorter of both.
pub fn add_scaled(y: &mut [f64], k: f64, x: &[f64]) {
    let n = y.len().min(x.len());
    let (y, x) = (&mut y[..n], &x[..n]);
    let mut i = 0;
    while i < n {
        y[i] += k * x[i];
        i += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whole_numbers_sum_exactly_whatever_the_length() {
        // Closed forms: Σi = n(n−1)/2, Σi² = (n−1)n(2n−1)/6, and sums about the mean.
        for n in [0_usize, 1, 7, 8, 9, 64, 101] {
            let x: Vec<f64> = (0..n).map(|i| i as f64).collect();
            let m = n as f64;
            assert_eq!(sum(&x), m * (m - 1.0).max(0.0) / 2.0);
            let squares = (m - 1.0).max(0.0) * m * (2.0 * m - 1.0) / 6.0;
            assert_eq!(dot(&x, &x), squares);
            assert_eq!(dot(&x, &[1.0; 200]), sum(&x));
            let mut y = [1.0; 200];
            add_scaled(&mut y, 2.0, &x);
            assert_eq!(sum(&y), 200.0 + 2.0 * sum(&x));
            if n % 2 == 1 {
                let mean = (m - 1.0) / 2.0;
                assert_eq!(centred_dot(&x, mean, &x, mean), squares - m * mean * mean);
            }
        }
    }
}

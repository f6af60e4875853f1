//! Sums over long slices in eight lanes: a processor adds several numbers at once, but only where the order is not fixed.
//!
//! The order here is fixed all the same, to every eighth element by itself and then the lanes in pairs, so that the same
//! numbers give the same sum everywhere; rounding grows with n/8 instead of n.

const LANES: usize = 8;

fn folded(lanes: [f64; LANES]) -> f64 {
    let [a, b, c, d, e, f, g, h] = lanes;
    ((a + e) + (c + g)) + ((b + f) + (d + h))
}

/// Σ xᵢ.
pub fn sum(x: &[f64]) -> f64 {
    let mut lanes = [0.0; LANES];
    let (chunks, rest) = x.as_chunks::<LANES>();
    for x in chunks {
        for (lane, x) in lanes.iter_mut().zip(x) {
            *lane += x;
        }
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
    for (a, b) in a_chunks.iter().zip(b_chunks) {
        for ((lane, a), b) in lanes.iter_mut().zip(a).zip(b) {
            *lane += (a - ma) * (b - mb);
        }
    }
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(a, b)| (a - ma) * (b - mb)).sum();
    folded(lanes) + rest
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
            if n % 2 == 1 {
                let mean = (m - 1.0) / 2.0;
                assert_eq!(centred_dot(&x, mean, &x, mean), squares - m * mean * mean);
            }
        }
    }
}

//! Softplus and its slope for many samples: most of what a fit computes.
//!
//! Written without calls and, inside a stretch, without branches, so that a compiler works on several samples at once;
//! the library's `exp` and `ln_1p` take one at a time. Stretches far from the knee need neither.

/// Samples in a stretch.
const LANES: usize = 4;
/// Beyond this many widths from the knee the softplus is its asymptote to within 2e-9 widths: far below any noise, and
/// most samples of a test lie there.
const FAR: f64 = 20.0;
/// ln 2 in two parts, the first with room for a product with a whole number.
const LN_2: [f64; 2] = [6.931_471_803_691_238e-1, 1.908_214_929_270_587_7e-10];
/// Adding it leaves a number of moderate size rounded to a whole one, in the lowest bits.
const TO_WHOLE: f64 = 6_755_399_441_055_744.0;

/// ln(1 + eᵘ) and its slope 1/(1 + e⁻ᵘ) of each u, to within 1e-12 or, beyond [`FAR`], 5e-8.
///
/// # Formula
/// From e = exp(−|u|): max(u, 0) + ln(1 + e), and 1/(1 + e) or e/(1 + e).
pub fn softplus_and_slope(u: &[f64], soft: &mut [f64], slope: &mut [f64]) {
    let (stretches, rest) = u.as_chunks::<LANES>();
    let (soft_stretches, soft_rest) = soft.as_chunks_mut::<LANES>();
    let (slope_stretches, slope_rest) = slope.as_chunks_mut::<LANES>();
    let mut i = 0;
    while i < stretches.len() {
        stretch(&stretches[i], &mut soft_stretches[i], &mut slope_stretches[i]);
        i += 1;
    }
    let (mut last, mut last_soft, mut last_slope) = ([0.0; LANES], [0.0; LANES], [0.0; LANES]);
    last[..rest.len()].copy_from_slice(rest);
    stretch(&last, &mut last_soft, &mut last_slope);
    soft_rest.copy_from_slice(&last_soft[..soft_rest.len()]);
    slope_rest.copy_from_slice(&last_slope[..slope_rest.len()]);
}

type Lanes = [f64; LANES];

/// An expression of each lane. Written out because tests are built with little optimisation, where a loop over an array is
/// a call a lane.
macro_rules! lanes {
    ($i:ident => $each:expr) => {
        [
            { const $i: usize = 0; $each },
            { const $i: usize = 1; $each },
            { const $i: usize = 2; $each },
            { const $i: usize = 3; $each },
        ]
    };
}

fn stretch(u: &Lanes, soft: &mut Lanes, slope: &mut Lanes) {
    *soft = lanes!(I => if u[I] > 0.0 { u[I] } else { 0.0 });
    *slope = lanes!(I => if u[I] > 0.0 { 1.0 } else { 0.0 });
    let away: Lanes = lanes!(I => if u[I] < 0.0 { -u[I] } else { u[I] });
    if away[0] > FAR && away[1] > FAR && away[2] > FAR && away[3] > FAR {
        return;
    }
    let mut e = exp_of_minus(&lanes!(I => if away[I] < FAR { away[I] } else { FAR }));
    e = lanes!(I => if away[I] <= FAR { e[I] } else { 0.0 });
    let ln = ln_1p(&e);
    *soft = lanes!(I => soft[I] + ln[I]);
    *slope = lanes!(I => if u[I] > 0.0 { 1.0 } else { e[I] } / (1.0 + e[I]));
}

/// Σ cᵢ·x^(n − i), each lane by itself.
#[inline(always)]
fn polynomial<const N: usize>(coefficients: [f64; N], x: &Lanes) -> Lanes {
    let mut sum = [0.0; LANES];
    let mut k = 0;
    while k < N {
        sum = lanes!(I => sum[I] * x[I] + coefficients[k]);
        k += 1;
    }
    sum
}

/// e⁻ˣ for 0 ≤ x ≤ 20: 2ᵏ·eʳ with |r| ≤ ln 2/2, by its Taylor series up to r¹¹, even and odd powers apart.
#[inline(always)]
fn exp_of_minus(x: &Lanes) -> Lanes {
    let shifted = lanes!(I => TO_WHOLE - x[I] * std::f64::consts::LOG2_E);
    let k = lanes!(I => shifted[I] - TO_WHOLE);
    let r = lanes!(I => (-x[I] - k[I] * LN_2[0]) - k[I] * LN_2[1]);
    let s = lanes!(I => r[I] * r[I]);
    let even = [
        1.0 / 3_628_800.0,
        1.0 / 40_320.0,
        1.0 / 720.0,
        1.0 / 24.0,
        0.5,
        1.0,
    ];
    let odd = [
        1.0 / 39_916_800.0,
        1.0 / 362_880.0,
        1.0 / 5_040.0,
        1.0 / 120.0,
        1.0 / 6.0,
        1.0,
    ];
    let (even, odd) = (polynomial(even, &s), polynomial(odd, &s));
    // The exponent of a double is 11 bits that stand above 52 others, and 1023 there means 2⁰.
    let power = lanes!(I => f64::from_bits((shifted[I].to_bits() << 52).wrapping_add(1023 << 52)));
    lanes!(I => (even[I] + r[I] * odd[I]) * power[I])
}

/// ln(1 + e) for 0 ≤ e ≤ 1 as 2·artanh(z), z = e/(2 + e) ≤ 1/3: Σ z²ⁿ/(2n + 1) up to n = 11, even and odd n apart.
#[inline(always)]
fn ln_1p(e: &Lanes) -> Lanes {
    let z = lanes!(I => e[I] / (2.0 + e[I]));
    let s = lanes!(I => z[I] * z[I]);
    let s2 = lanes!(I => s[I] * s[I]);
    let even = polynomial(
        [1.0 / 21.0, 1.0 / 17.0, 1.0 / 13.0, 1.0 / 9.0, 1.0 / 5.0, 1.0],
        &s2,
    );
    let odd = polynomial(
        [
            1.0 / 23.0,
            1.0 / 19.0,
            1.0 / 15.0,
            1.0 / 11.0,
            1.0 / 7.0,
            1.0 / 3.0,
        ],
        &s2,
    );
    lanes!(I => 2.0 * z[I] * (even[I] + s[I] * odd[I]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn they_are_the_librarys_own() {
        let u: Vec<f64> = (-40_000..=40_000).map(|i| f64::from(i) / 997.0).collect();
        let (mut soft, mut slope) = (vec![0.0; u.len()], vec![0.0; u.len()]);
        softplus_and_slope(&u, &mut soft, &mut slope);
        for ((u, soft), slope) in u.iter().zip(soft).zip(slope) {
            let e = (-u.abs()).exp();
            let off = if u.abs() > FAR { 3e-9 } else { 1e-12 };
            assert!((soft - u.max(0.0) - e.ln_1p()).abs() < off, "{u}: {soft}");
            let wanted = if *u > 0.0 { 1.0 / (1.0 + e) } else { e / (1.0 + e) };
            assert!((slope - wanted).abs() < off, "{u}: {slope}");
        }
    }

    #[test]
    fn where_a_sample_stands_makes_no_difference() {
        let u: Vec<f64> = (0..61).map(|i| f64::from(i * i % 61) - 30.0).collect();
        let of = |u: &[f64]| {
            let (mut soft, mut slope) = (vec![0.0; u.len()], vec![0.0; u.len()]);
            softplus_and_slope(u, &mut soft, &mut slope);
            (soft, slope)
        };
        let (soft, slope) = of(&u);
        for from in 0..9 {
            let (part, part_slope) = of(&u[from..]);
            assert_eq!(
                (part, part_slope),
                (soft[from..].to_vec(), slope[from..].to_vec())
            );
        }
    }
}

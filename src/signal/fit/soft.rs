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
    for ((u, soft), slope) in stretches.iter().zip(soft_stretches).zip(slope_stretches) {
        stretch(u, soft, slope);
    }
    let (mut last, mut last_soft, mut last_slope) = ([0.0; LANES], [0.0; LANES], [0.0; LANES]);
    last[..rest.len()].copy_from_slice(rest);
    stretch(&last, &mut last_soft, &mut last_slope);
    soft_rest.copy_from_slice(&last_soft[..soft_rest.len()]);
    slope_rest.copy_from_slice(&last_slope[..slope_rest.len()]);
}

type Lanes = [f64; LANES];

fn stretch(u: &Lanes, soft: &mut Lanes, slope: &mut Lanes) {
    *soft = u.map(|u| u.max(0.0));
    *slope = u.map(|u| if u > 0.0 { 1.0 } else { 0.0 });
    let away = u.map(f64::abs);
    if away.iter().all(|a| *a > FAR) {
        return;
    }
    let mut e = exp_of_minus(&away.map(|a| a.min(FAR)));
    for i in 0..LANES {
        e[i] = if away[i] <= FAR { e[i] } else { 0.0 };
    }
    let ln = ln_1p(&e);
    for i in 0..LANES {
        soft[i] += ln[i];
        slope[i] = if u[i] > 0.0 { 1.0 } else { e[i] } / (1.0 + e[i]);
    }
}

/// Σ cᵢ·x^(n − i), each lane by itself.
#[inline(always)]
fn polynomial<const N: usize>(coefficients: [f64; N], x: &Lanes) -> Lanes {
    let mut sum = [0.0; LANES];
    for c in coefficients {
        for i in 0..LANES {
            sum[i] = sum[i] * x[i] + c;
        }
    }
    sum
}

/// e⁻ˣ for 0 ≤ x ≤ 20: 2ᵏ·eʳ with |r| ≤ ln 2/2, by its Taylor series up to r¹¹, even and odd powers apart.
#[inline(always)]
fn exp_of_minus(x: &Lanes) -> Lanes {
    let shifted = x.map(|x| TO_WHOLE - x * std::f64::consts::LOG2_E);
    let (mut r, mut s) = ([0.0; LANES], [0.0; LANES]);
    for i in 0..LANES {
        let k = shifted[i] - TO_WHOLE;
        r[i] = (-x[i] - k * LN_2[0]) - k * LN_2[1];
        s[i] = r[i] * r[i];
    }
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
    let mut e = [0.0; LANES];
    for i in 0..LANES {
        // The exponent of a double is 11 bits that stand above 52 others, and 1023 there means 2⁰.
        let power = f64::from_bits((shifted[i].to_bits() << 52).wrapping_add(1023 << 52));
        e[i] = (even[i] + r[i] * odd[i]) * power;
    }
    e
}

/// ln(1 + e) for 0 ≤ e ≤ 1 as 2·artanh(z), z = e/(2 + e) ≤ 1/3: Σ z²ⁿ/(2n + 1) up to n = 11, even and odd n apart.
#[inline(always)]
fn ln_1p(e: &Lanes) -> Lanes {
    let z = e.map(|e| e / (2.0 + e));
    let s = z.map(|z| z * z);
    let s2 = s.map(|s| s * s);
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
    let mut ln = [0.0; LANES];
    for i in 0..LANES {
        ln[i] = 2.0 * z[i] * (even[i] + s[i] * odd[i]);
    }
    ln
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

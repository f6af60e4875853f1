//! Standard uncertainties of several sources combined and expanded.

use super::quantile::t_quantile;

/// Half-width that holds the truth with 95 %, of a standard uncertainty with its degrees of freedom (infinite when it is
/// known). `None` when it is not above 0: then nothing is known, which is not the same as being exact.
///
/// # Formula
/// U = t(0.975, ν)·u, ν at least 1.
///
/// # Source
/// JCGM 100:2008, G.3.2.
pub fn expanded_95(u: f64, df: f64) -> Option<f64> {
    let t = t_quantile(0.975, df.max(1.0)).ok()?;
    (u > 0.0).then_some(t * u)
}

/// Combined standard uncertainty of independent parts and its effective degrees of freedom, each part a standard
/// uncertainty with its own. `None` when no part is above 0, or one is beyond every number.
///
/// # Formula
/// u² = Σ uᵢ², ν by [`welch_satterthwaite`].
///
/// # Source
/// JCGM 100:2008, G.4.1.
pub fn combined(parts: impl IntoIterator<Item = (f64, f64)>) -> Option<(f64, f64)> {
    let (variance, df) = welch_satterthwaite(parts.into_iter().map(|(u, df)| (u * u, df)));
    (variance > 0.0 && variance.is_finite()).then(|| (variance.sqrt(), df))
}

/// Sum of independent variances and its effective degrees of freedom.
///
/// # Formula
/// ν = (Σ vᵢ)²/Σ(vᵢ²/νᵢ) (Welch–Satterthwaite); infinite when every part is known.
pub fn welch_satterthwaite(variances: impl IntoIterator<Item = (f64, f64)>) -> (f64, f64) {
    let parts: Vec<(f64, f64)> = variances.into_iter().collect();
    let largest = parts.iter().map(|p| p.0).fold(0.0, f64::max);
    // By a power of two, which costs no digit, so that squares stay within what a number can be.
    let unit = largest.log2().floor().clamp(-1000.0, 1000.0).exp2();
    let (mut sum, mut bottom) = (0.0, 0.0);
    for (variance, df) in parts {
        let variance = variance / unit;
        sum += variance;
        bottom += variance * variance / df;
    }
    let df = if bottom > 0.0 {
        sum * sum / bottom
    } else {
        f64::INFINITY
    };
    (sum * unit, df)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, G.4.2, the product of three inputs observed 10, 5 and 15 times (from memory).
    #[test]
    fn the_guides_example_has_19_degrees_of_freedom() {
        let (u, df) = combined([(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)]).unwrap();
        assert!((u - 1.03).abs() < 0.005, "{u}");
        assert!((df - 19.0).abs() < 0.05, "{df}");
    }

    #[test]
    fn degrees_of_freedom_do_not_depend_on_the_unit() {
        let parts = [(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)];
        let (_, df) = combined(parts).unwrap();
        for scale in [1e-100, 1e-20, 1e20, 1e100] {
            let scaled = combined(parts.map(|(u, df)| (u * scale, df))).unwrap();
            assert!((scaled.1 / df - 1.0).abs() < 1e-12, "{scale}: {scaled:?}");
        }
        assert_eq!(combined([(1e300, 3.0)]), None);
    }

    /// JCGM 100:2008, H.1.6: 25 (18), 9.7 (25.6), 2.9 (50) and 16.6 (2) nm give u = 32 nm and ν = 16; here with the t of
    /// 95 % (from memory).
    #[test]
    fn the_guides_gauge_block_has_16_degrees_of_freedom() {
        let (u, df) = combined([(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]).unwrap();
        assert!((u - 31.7).abs() < 0.05, "{u}");
        assert!((expanded_95(u, df).unwrap() / u - 2.12).abs() < 0.02, "{df}");
    }

    #[test]
    fn known_parts_alone_take_the_normal_factor_and_nothing_known_is_missing() {
        const KNOWN: f64 = f64::INFINITY;
        let (u, df) = combined([(3.0, KNOWN), (4.0, KNOWN)]).unwrap();
        assert!(
            (expanded_95(u, df).unwrap() / 5.0 - 1.959_964).abs() < 1e-6,
            "{u} {df}"
        );
        assert_eq!(combined([(0.0, 3.0)]), None);
        assert_eq!(combined([]), None);
        assert_eq!(expanded_95(0.0, 3.0), None);
    }
}

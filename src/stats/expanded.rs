//! Standard uncertainties of several sources put together.

use super::quantile::t_quantile;

/// Half-width that holds the truth with 95 % of parts that do not hang together, each a standard uncertainty with its
/// degrees of freedom (`None` for one that is known). `None` when no part is above 0: then nothing is known, which is
/// not the same as being exact.
///
/// # Formula
/// u² = Σ uᵢ², ν = u⁴/Σ(uᵢ⁴/νᵢ), at least 1 (Welch–Satterthwaite), U = t(0.975, ν)·u.
///
/// # Source
/// JCGM 100:2008, G.4.1.
pub fn expanded_95(parts: impl IntoIterator<Item = (f64, Option<f64>)>) -> Option<f64> {
    let (u, df) = combined(parts);
    if u > 0.0 {
        Some(t_quantile(0.975, df.max(1.0)).ok()? * u)
    } else {
        None
    }
}

/// Combined standard uncertainty and its effective degrees of freedom.
fn combined(parts: impl IntoIterator<Item = (f64, Option<f64>)>) -> (f64, f64) {
    let (mut u2, mut bottom) = (0.0, 0.0);
    for (u, df) in parts {
        u2 += u * u;
        bottom += df.map_or(0.0, |df| u.powi(4) / df);
    }
    let df = if bottom > 0.0 {
        u2 * u2 / bottom
    } else {
        f64::INFINITY
    };
    (u2.sqrt(), df)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, G.4.2, the product of three inputs observed 10, 5 and 15 times (from memory).
    #[test]
    fn the_guides_example_has_19_degrees_of_freedom() {
        let (u, df) = combined([(0.25, Some(9.0)), (0.57, Some(4.0)), (0.82, Some(14.0))]);
        assert!((u - 1.03).abs() < 0.005, "{u}");
        assert!((df - 19.0).abs() < 0.05, "{df}");
    }

    #[test]
    fn known_parts_alone_take_the_normal_factor_and_nothing_known_is_missing() {
        let u95 = expanded_95([(3.0, None), (4.0, None)]).unwrap();
        assert!((u95 / 5.0 - 1.959_964).abs() < 1e-6, "{u95}");
        assert_eq!(expanded_95([(0.0, Some(3.0))]), None);
        assert_eq!(expanded_95([]), None);
    }
}

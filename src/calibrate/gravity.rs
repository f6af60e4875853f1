//! Masses to forces: local gravity and the lift of the air.

use crate::stats::{StatsResult, StatsError};

/// Standard gravity in m/s², exact by definition (NIST SP 811, Appendix B.8).
pub const STANDARD_G: f64 = 9.806_65;
/// Air at 20 °C, 1013 hPa and half humidity, in kg/m³, as conventional masses assume (OIML D 28:2004).
pub const AIR_KG_PER_M3: f64 = 1.2;
/// Density that conventional masses assume, in kg/m³ (OIML D 28:2004).
pub const MASS_KG_PER_M3: f64 = 8000.0;
/// Standard relative uncertainty, in percent, of a force computed with standard gravity at a place nobody named:
/// gravity at sea level runs from 0.268 % below to 0.260 % above it; rectangular, so 0.27/√3.
pub const UNKNOWN_PLACE_U_PERCENT: f64 = 0.156;

// Defining and derived constants of WGS 84 (NGA.STND.0036, tables 3.1 to 3.6).
const SEMI_MAJOR_M: f64 = 6_378_137.0;
const FLATTENING: f64 = 1.0 / 298.257_223_563;
const ROTATION_PER_S: f64 = 7.292_115e-5;
const GM_M3_PER_S2: f64 = 3.986_004_418e14;
const EQUATOR_G: f64 = 9.780_325_335_9;
const POLE_G: f64 = 9.832_184_937_8;

/// Normal gravity at a place, in m/s².
///
/// `latitude_deg` from −90 to 90; `height_m` above the ellipsoid (above the sea will do: 30 m more change the sixth
/// digit), from −500 to 10 000 m. Real gravity differs by up to about 0.005 %.
///
/// # Formula
/// γ = γe(1 + k sin²φ)/√(1 − e² sin²φ), γ(h) = γ[1 − (2/a)(1 + f + m − 2f sin²φ)h + 3h²/a²].
///
/// # Errors
/// [`StatsError::Range`] when latitude or height is outside.
///
/// # Source
/// Somigliana's formula with the constants of WGS 84 (NGA.STND.0036, 4.1 and 4.2).
///
/// ```
/// let g = tautpoint::calibrate::gravity::local_gravity(45.0, 0.0).unwrap();
/// assert!((g - 9.8061977693).abs() < 1e-9);
/// ```
pub fn local_gravity(latitude_deg: f64, height_m: f64) -> StatsResult<f64> {
    let within = |what, found: f64, low: f64, high: f64, expected| {
        if (low..=high).contains(&found) {
            Ok(found)
        } else {
            Err(StatsError::Range {
                what,
                found,
                expected,
            })
        }
    };
    let latitude = within(
        "the latitude",
        latitude_deg,
        -90.0,
        90.0,
        "degrees from -90 to 90",
    )?;
    let h = within(
        "the height",
        height_m,
        -500.0,
        10_000.0,
        "metres from -500 to 10000",
    )?;
    let b = SEMI_MAJOR_M * (1.0 - FLATTENING);
    let e2 = FLATTENING * (2.0 - FLATTENING);
    let k = b * POLE_G / (SEMI_MAJOR_M * EQUATOR_G) - 1.0;
    let m = ROTATION_PER_S.powi(2) * SEMI_MAJOR_M.powi(2) * b / GM_M3_PER_S2;
    let sin2 = latitude.to_radians().sin().powi(2);
    let at_sea = EQUATOR_G * (1.0 + k * sin2) / (1.0 - e2 * sin2).sqrt();
    let per_m = 2.0 / SEMI_MAJOR_M * (1.0 + FLATTENING + m - 2.0 * FLATTENING * sin2);
    Ok(at_sea * (1.0 - per_m * h + 3.0 * (h / SEMI_MAJOR_M).powi(2)))
}

/// Gravity by the simpler formula that legal weighing uses, in m/s²; a check on [`local_gravity`].
///
/// # Formula
/// g = 9.780318(1 + 0.0053024 sin²φ − 0.0000058 sin²2φ) − 0.000003085 h.
///
/// # Source
/// WELMEC guide 2, appendix on gravity zones.
pub fn welmec_gravity(latitude_deg: f64, height_m: f64) -> f64 {
    let phi = latitude_deg.to_radians();
    let sin2 = phi.sin().powi(2);
    let double2 = (2.0 * phi).sin().powi(2);
    9.780_318 * (1.0 + 0.005_302_4 * sin2 - 0.000_005_8 * double2) - 0.000_003_085 * height_m
}

/// Force of a mass hanging or standing in air.
///
/// `g` in m/s², densities in kg/m³; gives N for each kg.
///
/// # Formula
/// F/m = g(1 − ρ_air/ρ_mass).
pub fn newtons_per_kg(g: f64, air_kg_per_m3: f64, mass_kg_per_m3: f64) -> f64 {
    g * (1.0 - air_kg_per_m3 / mass_kg_per_m3)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steel_in_air_is_lifted_by_15_parts_in_100000() {
        let ratio = newtons_per_kg(STANDARD_G, AIR_KG_PER_M3, MASS_KG_PER_M3) / STANDARD_G;
        assert!((ratio - 0.99985).abs() < 1e-12);
    }

    #[test]
    fn a_latitude_over_90_is_refused() {
        assert!(local_gravity(91.0, 0.0).is_err());
        assert!(local_gravity(f64::NAN, 0.0).is_err());
    }
}

//! Units accepted at the door. Inside, everything is s, N, mm, N/mm and mJ (= N·mm).

/// Newtons in a pound-force: 0.45359237 kg × 9.80665 m/s², exact by definition (NIST SP 811, Appendix B.8).
pub const N_PER_LBF: f64 = 4.448_221_615_260_5;
/// Newtons in a kilogram-force, exact by definition (NIST SP 811, Appendix B.8).
pub const N_PER_KGF: f64 = 9.806_65;
/// Millimetres in an inch, exact by definition (NIST SP 811, Appendix B.8).
pub const MM_PER_IN: f64 = 25.4;
/// Kilopascals in a conventional millimetre of mercury: 13,595.1 kg/m³ × 9.80665 m/s² × 1 mm (ISO 80000-4; NIST SP 811,
/// Appendix B.8 gives 1.333 224 E+02 Pa).
pub const KPA_PER_MMHG: f64 = 0.133_322_387_415;

/// What a column of a trace measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Quantity {
    Time,
    Force,
    Displacement,
}

impl Quantity {
    /// The word that a heading begins with.
    pub fn word(self) -> &'static str {
        match self {
            Quantity::Time => "time",
            Quantity::Force => "force",
            Quantity::Displacement => "displacement",
        }
    }

    /// The unit suffixes a heading may end in, the inner unit first.
    pub fn suffixes(self) -> &'static [&'static str] {
        match self {
            Quantity::Time => &["s", "ms", "us", "min"],
            Quantity::Force => &["n", "kn", "mn", "gf", "kgf", "lbf", "counts"],
            Quantity::Displacement => &["mm", "um", "cm", "m", "in", "counts"],
        }
    }
}

/// How a raw number becomes the inner unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unit {
    /// Multiply by this to get s, N or mm.
    Scale(f64),
    /// Sensor counts: a calibration is needed.
    Counts,
}

impl Unit {
    /// Reads a unit suffix (`n`, `lbf`, `um`, …), upper or lower case.
    ///
    /// ```
    /// use tautpoint::units::{Quantity, Unit};
    /// assert_eq!(Unit::parse(Quantity::Displacement, "in"), Some(Unit::Scale(25.4)));
    /// assert_eq!(Unit::parse(Quantity::Force, "mm"), None);
    /// ```
    pub fn parse(quantity: Quantity, suffix: &str) -> Option<Unit> {
        let suffix = suffix.to_ascii_lowercase();
        let scale = match (quantity, suffix.as_str()) {
            (Quantity::Time, "s") | (Quantity::Force, "n") | (Quantity::Displacement, "mm") => 1.0,
            (Quantity::Time, "ms") => 1e-3,
            (Quantity::Time, "us") => 1e-6,
            (Quantity::Time, "min") => 60.0,
            (Quantity::Force, "kn") => 1e3,
            // No load cell under a hand reads meganewtons.
            (Quantity::Force, "mn") => 1e-3,
            (Quantity::Force, "gf") => N_PER_KGF / 1e3,
            (Quantity::Force, "kgf") => N_PER_KGF,
            (Quantity::Force, "lbf") => N_PER_LBF,
            (Quantity::Displacement, "um") => 1e-3,
            (Quantity::Displacement, "cm") => 10.0,
            (Quantity::Displacement, "m") => 1e3,
            (Quantity::Displacement, "in") => MM_PER_IN,
            (Quantity::Force | Quantity::Displacement, "counts") => return Some(Unit::Counts),
            _ => return None,
        };
        Some(Unit::Scale(scale))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_eighth_of_an_inch_is_3_175_mm() {
        // The size of a spring as taught: common practice, no source; the conversion is exact by definition.
        assert!((MM_PER_IN / 8.0 - 3.175).abs() < 1e-12);
    }

    #[test]
    fn a_pound_force_is_its_mass_under_standard_gravity() {
        assert!((0.453_592_37 * N_PER_KGF - N_PER_LBF).abs() < 1e-12);
    }

    #[test]
    fn a_millimetre_of_mercury_is_its_column_under_standard_gravity() {
        // 13.5951 g/cm³ is the conventional density of mercury (NIST SP 811, footnote to Appendix B.8, from memory).
        assert!((13_595.1 * N_PER_KGF * 1e-3 * 1e-3 - KPA_PER_MMHG).abs() < 1e-12);
    }

    #[test]
    fn every_listed_suffix_parses() {
        for q in [Quantity::Time, Quantity::Force, Quantity::Displacement] {
            for s in q.suffixes() {
                assert!(Unit::parse(q, s).is_some(), "{} {s}", q.word());
            }
        }
    }
}

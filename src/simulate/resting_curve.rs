//! Force at rest against depth, of tissue that the whole-trace fit does not describe, and its onset by the written definition.

/// Force at rest against depth.
#[derive(Debug, Clone, Copy)]
pub(super) enum RestingCurve {
    /// Two slopes joined by a knee of some width.
    Knee { toe: f64, slope: f64, onset_mm: f64, width_mm: f64 },
    /// a·xⁿ, then its tangent.
    Power { factor: f64, power: f64, end_mm: f64 },
    /// A(e^{Bx} − 1), then its tangent.
    Exponential { rate_per_mm: f64, end_mm: f64, slope: f64 },
    /// Three lines. The toe is the first, or the first two by their least-squares line.
    Lines { slopes: [f64; 3], bends_mm: [f64; 2], toe_is_first: bool },
}

/// Onset and slopes by the written definition.
#[derive(Debug, Clone, Copy)]
pub(super) struct KnownLines {
    pub onset_mm: f64,
    pub toe_n_per_mm: f64,
    pub end_n_per_mm: f64,
}

impl RestingCurve {
    /// The tangent at the end has the slope asked for.
    pub fn power(power: f64, end_mm: f64, slope: f64) -> Self {
        RestingCurve::Power {
            factor: slope / (power * libm::pow(end_mm, power - 1.0)),
            power,
            end_mm,
        }
    }

    pub fn force_n(&self, x: f64) -> f64 {
        if x <= 0.0 {
            return 0.0;
        }
        match *self {
            RestingCurve::Knee { toe, slope, onset_mm, width_mm } => {
                let soft = |x: f64| {
                    let u = (x - onset_mm) / width_mm;
                    width_mm * (u.max(0.0) + libm::log1p(libm::exp(-u.abs())))
                };
                toe * x + (slope - toe) * (soft(x) - soft(0.0))
            }
            RestingCurve::Power { factor, power, end_mm } => {
                let inside = x.min(end_mm);
                let slope = factor * power * libm::pow(end_mm, power - 1.0);
                factor * libm::pow(inside, power) + slope * (x - inside)
            }
            RestingCurve::Exponential { rate_per_mm, end_mm, slope } => {
                let inside = x.min(end_mm);
                let scale = slope / (rate_per_mm * libm::exp(rate_per_mm * end_mm));
                scale * libm::expm1(rate_per_mm * inside) + slope * (x - inside)
            }
            RestingCurve::Lines { slopes, bends_mm, .. } => {
                let beyond = |bend: f64| (x - bend).max(0.0);
                slopes[0] * x + (slopes[1] - slopes[0]) * beyond(bends_mm[0]) + (slopes[2] - slopes[1]) * beyond(bends_mm[1])
            }
        }
    }

    /// Where the toe's line and the end line meet (METHODS.md §10.2): a curved toe's line is that of least squares.
    pub fn known(&self) -> KnownLines {
        let (toe_to, end_from) = match *self {
            RestingCurve::Knee { toe, slope, onset_mm, .. } => {
                return KnownLines { onset_mm, toe_n_per_mm: toe, end_n_per_mm: slope };
            }
            RestingCurve::Power { end_mm, .. } | RestingCurve::Exponential { end_mm, .. } => (end_mm, end_mm),
            RestingCurve::Lines { bends_mm, toe_is_first, .. } => {
                (bends_mm[usize::from(!toe_is_first)], bends_mm[1])
            }
        };
        let (at_zero, toe) = self.line_to(toe_to);
        let end = self.force_n(end_from + 1.0) - self.force_n(end_from);
        let end_at_zero = self.force_n(end_from) - end * end_from;
        KnownLines {
            onset_mm: (at_zero - end_at_zero) / (end - toe),
            toe_n_per_mm: toe,
            end_n_per_mm: end,
        }
    }

    /// Intercept and slope of the least-squares line over 0 to `to`, by the midpoints of many equal parts.
    fn line_to(&self, to: f64) -> (f64, f64) {
        const PARTS: u32 = 4000;
        let (mut area, mut moment) = (0.0, 0.0);
        for i in 0..PARTS {
            let x = to * (f64::from(i) + 0.5) / f64::from(PARTS);
            let force = self.force_n(x) / f64::from(PARTS);
            area += force;
            moment += force * (x - to / 2.0);
        }
        let slope = 12.0 * moment / (to * to);
        (area - slope * to / 2.0, slope)
    }
}

#[cfg(test)]
mod tests {
    use super::super::Elastic;
    use super::*;

    #[test]
    fn lines_of_curved_toes_are_those_of_their_integrals() {
        // By hand for a·x² over 0 to L: slope a·L, intercept −a·L²/6; for a tangent of slope 2aL from a·L² they meet at 5L/6.
        let square = RestingCurve::power(2.0, 6.0, 12.0).known();
        assert!((square.toe_n_per_mm - 6.0).abs() < 1e-5, "{square:?}");
        assert!((square.onset_mm - 5.0).abs() < 1e-5, "{square:?}");
        // The other generator's exact integrals.
        let other = Elastic::ExponentialToe { curvature_per_mm: 0.4, toe_end_mm: 7.0, end_feel_n_per_mm: 10.0 };
        let own = RestingCurve::Exponential { rate_per_mm: 0.4, end_mm: 7.0, slope: 10.0 }.known();
        assert!((own.onset_mm - other.onset_mm().unwrap()).abs() < 1e-5, "{own:?}");
        assert!((own.toe_n_per_mm - other.take_up_n_per_mm().unwrap()).abs() < 1e-5, "{own:?}");
    }
}

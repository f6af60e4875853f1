//! A calibration's residuals: how far each reading lies off the curve, over the loads.

use super::axis::{SMALL, Scale, axes};
use super::canvas::{Canvas, Figure};
use super::palette::{ACCENT, BAND, INK, QUIET};
use super::shape::{Align, Area, words};
use crate::format;
use crate::calibrate::{Direction, NewCalibration, unit_sign};

const WIDTH: f64 = 760.0;
const HEIGHT: f64 = 320.0;
const PANEL: Area = Area {
    left: 72.0,
    top: 44.0,
    right: 736.0,
    bottom: 270.0,
};

/// Draws the residuals in N or mm, with two standard deviations of a reading as a band; filled marks were reached from
/// below, open ones from above.
pub fn residuals(made: &NewCalibration) -> Figure {
    let c = &made.calibration;
    let unit = unit_sign(c.quantity);
    let points: Vec<(f64, f64, Option<Direction>)> = made
        .residuals
        .iter()
        .map(|(applied, off, direction)| (*applied, off / c.slope(*applied).abs(), *direction))
        .collect();
    let most = points.iter().fold(0.0, |m: f64, p| m.max(p.1.abs()));
    let band = c.range.map(|x| 2.0 * c.scatter(x));
    let top = 1.15 * most.max(band[0]).max(band[1]).max(1e-12 * c.span());
    // Small residuals in a smaller unit: an axis has room for few decimals.
    let (factor, small) = match (top, unit) {
        (t, "mm") if t < 0.05 => (1e3, "µm"),
        (t, "N") if t < 5e-5 => (1e6, "µN"),
        (t, "N") if t < 0.05 => (1e3, "mN"),
        _ => (1.0, unit),
    };
    let name = format!("off the curve ({small})");
    let mut canvas = Canvas::new(WIDTH, HEIGHT);
    let title = "How far each reading lies off the calibration curve";
    canvas.words((14.0, 22.0), title, words(15.0, INK).bold());
    let margin = 0.03 * c.span();
    let x = Scale::new(c.range[0] - margin, c.range[1] + margin, PANEL.left, PANEL.right);
    let y = Scale::new(-top * factor, top * factor, PANEL.bottom, PANEL.top);
    let edge = |sign: f64| -> Vec<(f64, f64)> {
        (0..=40)
            .map(|i| {
                let at = c.range[0] + c.span() * f64::from(i) / 40.0;
                (x.px(at), y.px(sign * 2.0 * c.scatter(at) * factor))
            })
            .collect()
    };
    let mut outline = edge(1.0);
    outline.extend(edge(-1.0).into_iter().rev());
    canvas.fill(&outline, BAND);
    axes(&mut canvas, PANEL, x, y, &format!("applied ({unit})"), &name);
    for (applied, off, direction) in &points {
        let at = (x.px(*applied), y.px(off * factor));
        match direction {
            Some(Direction::Down) => canvas.ring(at, 3.5, ACCENT, 1.5),
            _ => canvas.dot(at, 3.5, ACCENT),
        }
    }
    let down = points.iter().filter(|p| p.2 == Some(Direction::Down)).count();
    let marks = match down {
        0 => "band: two standard deviations of a reading".to_owned(),
        _ => "filled: on the way up, open: on the way down; band: two standard deviations of a reading"
            .to_owned(),
    };
    canvas.words(
        (WIDTH - 24.0, PANEL.top - 6.0),
        &marks,
        words(SMALL, QUIET).aligned(Align::End),
    );
    let worst = points.iter().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
    let alt = format!(
        "{} readings from {} to {} {unit}, {down} of them on the way down; the one furthest off the curve lies {} {unit} \
         off, at {} {unit}.",
        points.len(),
        format::number(c.range[0], 1),
        format::number(c.range[1], 1),
        worst.map_or_else(|| "0".to_owned(), |w| format!("{:.4}", w.1)),
        worst.map_or_else(|| "0".to_owned(), |w| format::number(w.0, 1)),
    );
    canvas.figure(title.to_owned(), alt)
}

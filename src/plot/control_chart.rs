//! Control charts of the daily check: one panel for each load, one point a check.

use super::axis::{SMALL, Scale, ticks};
use super::canvas::{Canvas, Figure};
use super::palette::{ACCENT, BAND, GREY, INK, PAPER, QUIET};
use super::shape::{Align, Area, words};
use super::text;
use crate::format;
use crate::calibrate::drift::{Chart, ControlState, LimitsFrom};
use crate::calibrate::unit_sign;

const WIDTH: f64 = 760.0;
const PANEL_HEIGHT: f64 = 150.0;
const GAP: f64 = 58.0;
const TOP: f64 = 64.0;
const LEFT: f64 = 72.0;
const RIGHT: f64 = 736.0;

/// Draws the charts under each other; `None` without any.
pub fn control_chart(charts: &[Chart], calibration: &str) -> Option<Figure> {
    if charts.is_empty() {
        return None;
    }
    let height = TOP + charts.len() as f64 * (PANEL_HEIGHT + GAP);
    let mut canvas = Canvas::new(WIDTH, height);
    let title = format!("Checks of {} with known loads", text::one_line(calibration));
    canvas.words(
        (14.0, 22.0),
        &text::fit(&title, 15.0, WIDTH - 60.0),
        words(15.0, INK).bold(),
    );
    let mut alt = Vec::new();
    for (i, chart) in charts.iter().enumerate() {
        let top = TOP + i as f64 * (PANEL_HEIGHT + GAP);
        panel(&mut canvas, chart, top);
        alt.push(words_of(chart));
    }
    let alt = alt.join(" ");
    Some(canvas.figure(title, alt))
}

/// What a chart says, in a sentence.
pub fn words_of(chart: &Chart) -> String {
    let unit = unit_sign(chart.quantity);
    let state = match &chart.state {
        ControlState::In { since } => format!("in control since {}", day(since)),
        ControlState::Out { since } => format!("out of control since {}", day(since)),
    };
    let from = match chart.limits_from {
        LimitsFrom::Checks(n) => format!("limits from the first {n} checks"),
        LimitsFrom::Calibration => "limits from the calibration, too few checks yet".to_owned(),
    };
    let newest = chart.points.last().map_or(0.0, |p| p.error);
    format!(
        "At {} {unit}: {state}; newest error {newest:.4} {unit}, {from}, {:.4} to {:.4} {unit}; {} of {} checks outside.",
        trimmed(chart.applied),
        chart.limits[0],
        chart.limits[1],
        chart.outside,
        chart.points.len(),
    )
}

/// The day of a time stamp.
fn day(stamp: &str) -> &str {
    stamp.get(..10).unwrap_or(stamp)
}

/// At most four decimals, no idle zeros.
fn trimmed(value: f64) -> String {
    let text = format!("{value:.4}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn panel(canvas: &mut Canvas, chart: &Chart, top: f64) {
    let unit = unit_sign(chart.quantity);
    let bottom = top + PANEL_HEIGHT;
    let [low, high] = chart.limits;
    let (least, most) = chart.points.iter().fold((low, high), |(least, most), p| {
        (least.min(p.error), most.max(p.error))
    });
    let margin = 0.1 * (most - least).max(1e-9);
    let x = Scale::new(0.4, chart.points.len() as f64 + 0.6, LEFT, RIGHT);
    let y = Scale::new(least - margin, most + margin, bottom, top);
    let band = Area {
        left: LEFT,
        right: RIGHT,
        top: y.px(high),
        bottom: y.px(low),
    };
    canvas.area(band, BAND);
    canvas.hair((LEFT, top), (LEFT, bottom), INK);
    canvas.hair((LEFT, bottom), (RIGHT, bottom), INK);
    let (at, decimals) = ticks(y.low, y.high, 5);
    for value in at {
        canvas.hair((LEFT - 4.0, y.px(value)), (LEFT, y.px(value)), INK);
        let label = format::number(value, decimals);
        canvas.words(
            (LEFT - 7.0, y.px(value) + 4.2),
            &label,
            words(SMALL, QUIET).aligned(Align::End),
        );
    }
    canvas.dashes((LEFT, y.px(chart.centre)), (RIGHT, y.px(chart.centre)), GREY, 1.0);
    let places: Vec<(f64, f64)> = chart
        .points
        .iter()
        .enumerate()
        .map(|(i, p)| (x.px(i as f64 + 1.0), y.px(p.error)))
        .collect();
    canvas.line(&places, GREY, 1.0);
    for (place, point) in places.iter().zip(&chart.points) {
        match chart.is_outside(point.error) {
            true => {
                canvas.dot(*place, 5.0, ACCENT);
                canvas.dot(*place, 1.6, PAPER);
            }
            false => canvas.dot(*place, 3.0, INK),
        }
    }
    let state = match &chart.state {
        ControlState::In { since } => format!("in control since {}", day(since)),
        ControlState::Out { since } => format!("out of control since {}", day(since)),
    };
    let heading = format!("{} {unit} applied: {state}", trimmed(chart.applied));
    canvas.words((LEFT, top - 24.0), &heading, words(13.0, INK).bold());
    let from = match chart.limits_from {
        LimitsFrom::Checks(n) => format!("band: mean ± 3 sigma of the first {n} checks"),
        LimitsFrom::Calibration => "band: ± 3 standard uncertainties of the calibration".to_owned(),
    };
    canvas.words((LEFT, top - 9.0), &from, words(SMALL, QUIET));
    canvas.words_up(
        (LEFT - 52.0, (top + bottom) / 2.0),
        &format!("error ({unit})"),
        words(SMALL, INK).aligned(Align::Middle),
    );
    for (i, align) in [(0, Align::Start), (chart.points.len() - 1, Align::End)] {
        if i == 0 && chart.points.len() == 1 && align == Align::End {
            continue;
        }
        let at = (places[i].0, bottom + 17.0);
        canvas.words(
            at,
            day(&chart.points[i].checked_at),
            words(SMALL, QUIET).aligned(align),
        );
    }
}

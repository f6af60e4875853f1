//! Where a class is: one dot a learner with its interval, for one measure, beside the band it should lie in.

use crate::format;
use super::axis::{MARGIN, SMALL, Scale, ticks};
use super::canvas::{Canvas, Figure};
use super::palette::{ACCENT, BAND, GREY, INK, QUIET};
use super::progress::{OVER, axis_end, over_words};
use super::shape::{Align, Area, words};
use super::text;

const WIDTH: f64 = 310.0;
const TOP: f64 = 30.0;
const LEFT: f64 = 12.0;
const RIGHT: f64 = 296.0;
/// Room for codes, when they are shown.
const CODES: f64 = 76.0;
const ROW: f64 = 15.0;
const BELOW: f64 = 30.0;

/// One learner.
#[derive(Debug, Clone, PartialEq)]
pub struct ClassDot {
    /// `None` leaves the dot without a label.
    pub code: Option<String>,
    /// `None` where no test gave one.
    pub mean: Option<f64>,
    /// Pushes over the ceiling, which a mean would hide: a cross each.
    pub over: Vec<f64>,
    pub interval: Option<[f64; 2]>,
    /// Made without any feedback: drawn as an open mark.
    pub open: bool,
}

/// What a figure of a class shows.
#[derive(Debug, Clone, PartialEq)]
pub struct ClassDots<'a> {
    pub label: &'a str,
    pub unit: &'a str,
    pub decimals: usize,
    /// From the top down, as they are to stand.
    pub dots: &'a [ClassDot],
    pub band: Option<[Option<f64>; 2]>,
    pub band_words: &'a str,
}

/// Draws the dots; `None` without any.
pub fn class_dots(class: &ClassDots<'_>) -> Option<Figure> {
    // A band alone is no figure.
    if class.dots.is_empty() {
        return None;
    }
    let values = class.dots.iter().flat_map(|d| d.mean.iter().chain(&d.over).copied());
    let values = values.chain(class.band.into_iter().flatten().flatten());
    let end = axis_end(values, class.dots.iter().filter_map(|d| d.interval))?;
    let left = if class.dots.iter().any(|d| d.code.is_some()) {
        CODES
    } else {
        LEFT
    };
    let bottom = TOP + ROW * class.dots.len() as f64 + 6.0;
    let height = bottom + BELOW;
    let x = Scale::new(0.0, end, left, RIGHT);
    let mut canvas = Canvas::new(WIDTH, height);
    let heading = format!("{}, {}", class.label, class.unit);
    canvas.words(
        (MARGIN, 16.0),
        &text::fit(&heading, 13.0, WIDTH - 2.0 * MARGIN),
        words(13.0, INK).bold(),
    );
    if let Some([low, high]) = class.band {
        let area = Area {
            left: low.map_or(left, |v| x.px(v)).max(left),
            right: high.map_or(RIGHT, |v| x.px(v)).min(RIGHT),
            top: TOP,
            bottom,
        };
        canvas.area(area, BAND);
        if let (Some(end), None) | (None, Some(end)) = (low, high) {
            canvas.dashes((x.px(end), TOP), (x.px(end), bottom), GREY, 1.0);
        }
    }
    canvas.hair((left, bottom), (RIGHT, bottom), INK);
    let (at, decimals) = ticks(x.low, x.high, 5);
    for value in at {
        canvas.hair((x.px(value), bottom), (x.px(value), bottom + 4.0), INK);
        canvas.words(
            (x.px(value), bottom + 17.0),
            &format::number(value, decimals),
            words(SMALL, QUIET).aligned(Align::Middle),
        );
    }
    for (i, dot) in class.dots.iter().enumerate() {
        draw_dot(&mut canvas, dot, x, TOP + ROW * (i as f64 + 0.5) + 3.0);
    }
    let alt = alt(class);
    Some(canvas.figure(heading, alt))
}

fn draw_dot(canvas: &mut Canvas, dot: &ClassDot, x: Scale, y: f64) {
    if let Some(code) = &dot.code {
        let code = text::fit(&text::one_line(code), SMALL, CODES - 12.0);
        canvas.words(
            (CODES - 8.0, y + 4.2),
            &code,
            words(SMALL, QUIET).aligned(Align::End),
        );
    }
    if let Some([low, high]) = dot.interval {
        let end = |v: f64| x.px(v.clamp(x.low, x.high));
        canvas.line(&[(end(low), y), (end(high), y)], ACCENT, 1.4);
        if high > x.high {
            let tip = RIGHT + 5.0;
            canvas.fill(&[(tip, y), (tip - 7.0, y - 3.5), (tip - 7.0, y + 3.5)], ACCENT);
        }
    }
    for peak in &dot.over {
        canvas.cross((x.px(*peak), y), OVER, INK, 2.0);
    }
    match (dot.mean, dot.open) {
        (Some(mean), true) => canvas.ring((x.px(mean), y), 3.8, ACCENT, 1.5),
        (Some(mean), false) => canvas.dot((x.px(mean), y), 4.2, ACCENT),
        (None, _) => {}
    }
}

/// What is to be seen, in words; codes only where the figure has them.
fn alt(class: &ClassDots<'_>) -> String {
    let number = |v: f64| format::number(v, class.decimals);
    let one = |d: &ClassDot| {
        let code = d.code.as_ref().map_or(String::new(), |c| format!("{c} "));
        let range = d.interval.map_or(String::new(), |[low, high]| {
            format!(" ({} to {})", number(low), number(high))
        });
        let open = if d.open { ", without feedback" } else { "" };
        let mean = d.mean.map_or_else(|| "no mean".to_owned(), number);
        format!("{code}{mean}{range}{open}{}", over_words(&d.over, class.decimals))
    };
    let dots: Vec<String> = class.dots.iter().map(one).collect();
    let band = match class.band {
        Some([Some(low), Some(high)]) => {
            format!(" Band {} to {}, {}.", number(low), number(high), class.band_words)
        }
        Some([None, Some(high)]) => format!(" Band up to {}, {}.", number(high), class.band_words),
        Some([Some(low), None]) => format!(" Band from {}, {}.", number(low), class.band_words),
        _ => String::new(),
    };
    format!(
        "Each learner's mean {} in {}: {}.{band}",
        class.label,
        class.unit,
        dots.join("; ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn dot(code: Option<&str>, mean: f64) -> ClassDot {
        ClassDot {
            code: code.map(str::to_owned),
            mean: Some(mean),
            over: Vec::new(),
            interval: Some([mean - 1.0, mean + 1.0]),
            open: false,
        }
    }

    fn class(dots: &[ClassDot]) -> ClassDots<'_> {
        ClassDots {
            label: "excursion",
            unit: "mm",
            decimals: 1,
            dots,
            band: Some([Some(2.0), Some(4.4)]),
            band_words: "this study's band",
        }
    }

    #[test]
    fn a_code_stands_in_the_figure_only_when_it_was_given() {
        let named = class_dots(&class(&[dot(Some("L-05"), 3.0)])).unwrap();
        assert!(named.svg.contains("L-05") && named.alt.contains("L-05 3.0 (2.0 to 4.0)"));
        let over = class_dots(&class(&[ClassDot {
            over: vec![9.0],
            ..dot(None, 3.0)
        }]))
        .unwrap();
        assert!(over.alt.contains("3.0 (2.0 to 4.0), over the ceiling: 9.0"), "{}", over.alt);
        let unnamed = class_dots(&class(&[dot(None, 3.0)])).unwrap();
        assert!(!unnamed.svg.contains("L-05"));
        assert_eq!(class_dots(&class(&[])), None);
    }
}

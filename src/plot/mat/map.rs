//! Pressure on a mat as areas of one hue with lines of equal pressure: two maps side by side, and a strip of small ones.

use crate::format;
use crate::plot::axis::{MARGIN, SMALL, ticks};
use crate::plot::canvas::{Canvas, Figure};
use super::contour::{areas_over, contours};
use crate::plot::palette::{HAIR, INK, PAPER, QUIET, shade};
use crate::plot::shape::{Align, Area, Point, words};
use crate::plot::text;
use crate::mat::MatTest;
use crate::mat::shown::MapFrame;
use crate::terms::{Level, Side};
use plotters::style::RGBColor;

const WIDTH: f64 = 760.0;
/// Highest and widest that a map of a pair is drawn, in px.
const MAP_WIDE: f64 = 350.0;
const MAP_HIGH: f64 = 330.0;
const TOP: f64 = 74.0;
/// Free space between maps, in px.
const BETWEEN: f64 = 24.0;
/// Steps of pressure at most.
const STEPS: usize = 7;
/// Free space around the loaded part, in mm: in the pair of maps and in a strip.
const ROOM_MM: f64 = 40.0;
const STRIP_ROOM_MM: f64 = 12.0;

/// Pressures at which the hue steps, the lowest first.
pub(super) struct Steps {
    levels: Vec<f64>,
    decimals: usize,
}

impl Steps {
    /// Round steps up to the highest pressure; the lowest is what counts as loaded.
    pub(super) fn of(test: &MatTest) -> Steps {
        let high = f64::from(test.highest_kpa())
            .max(2.0 * test.threshold_kpa)
            .max(1e-3);
        let (at, decimals) = ticks(0.0, high, STEPS);
        let mut levels: Vec<f64> = vec![test.threshold_kpa.max(1e-6)];
        levels.extend(
            at.into_iter()
                .filter(|v| *v > 1.5 * test.threshold_kpa && *v < high),
        );
        Steps { levels, decimals }
    }

    fn colour(&self, step: usize) -> RGBColor {
        shade((step as f64 + 0.6) / self.levels.len() as f64)
    }
}

/// Part of a mat that is drawn, in mm from its upper left: left, top, right, bottom.
type DrawnPart = [f64; 4];

/// One map in its place.
pub(super) fn draw_map(
    canvas: &mut Canvas,
    place: Area,
    test: &MatTest,
    map: &MapFrame,
    steps: &Steps,
    part: DrawnPart,
) {
    let scale = (place.right - place.left) / (part[2] - part[0]);
    let [wide, high] = test.pitch_mm;
    let px = |(x, y): Point| {
        (
            place.left + ((x + 0.5) * wide - part[0]) * scale,
            place.top + ((y + 0.5) * high - part[1]) * scale,
        )
    };
    let clip = |(x, y): Point| (x.clamp(place.left, place.right), y.clamp(place.top, place.bottom));
    for (k, level) in steps.levels.iter().enumerate() {
        for area in areas_over(&map.kpa, test.cells[0], *level) {
            let points: Vec<Point> = area.into_iter().map(|p| clip(px(p))).collect();
            canvas.fill(&points, steps.colour(k));
        }
        for line in contours(&map.kpa, test.cells[0], *level) {
            let closed = line.iter().chain(line.first()).map(|p| clip(px(*p)));
            let points: Vec<Point> = closed.collect();
            canvas.line(&points, if k == 0 { QUIET } else { PAPER }, 0.75);
        }
    }
    frame(canvas, place);
    if let Some(midline) = test.midline_mm.filter(|m| part[0] < *m && *m < part[2]) {
        let x = place.left + (midline - part[0]) * scale;
        canvas.hair((x, place.top), (x, place.bottom), HAIR);
    }
}

fn frame(canvas: &mut Canvas, a: Area) {
    let corners = [
        (a.left, a.top),
        (a.right, a.top),
        (a.right, a.bottom),
        (a.left, a.bottom),
    ];
    for k in 0..4 {
        canvas.hair(corners[k], corners[(k + 1) % 4], HAIR);
    }
}

/// The whole mat.
fn whole(test: &MatTest) -> DrawnPart {
    [
        0.0,
        0.0,
        test.cells[0] as f64 * test.pitch_mm[0],
        test.cells[1] as f64 * test.pitch_mm[1],
    ]
}

/// The part that is ever loaded, with some room, inside the mat.
fn loaded(test: &MatTest, maps: &[MapFrame], room_mm: f64) -> DrawnPart {
    let mat = whole(test);
    let mut part = [f64::INFINITY, f64::INFINITY, 0.0, 0.0];
    for map in maps {
        for (cell, p) in map.kpa.iter().enumerate() {
            if f64::from(*p) > test.threshold_kpa {
                let x = (cell % test.cells[0]) as f64 * test.pitch_mm[0];
                let y = (cell / test.cells[0]) as f64 * test.pitch_mm[1];
                part = [
                    part[0].min(x),
                    part[1].min(y),
                    part[2].max(x + test.pitch_mm[0]),
                    part[3].max(y + test.pitch_mm[1]),
                ];
            }
        }
    }
    if part[2] <= part[0] {
        return mat;
    }
    [
        (part[0] - room_mm).max(mat[0]),
        (part[1] - room_mm).max(mat[1]),
        (part[2] + room_mm).min(mat[2]),
        (part[3] + room_mm).min(mat[3]),
    ]
}

/// What a side is called in a figure.
pub(super) fn hand_words(side: Option<Side>) -> &'static str {
    match side {
        Some(Side::Left) => "left",
        Some(Side::Right) => "right",
        Some(Side::Midline) => "midline",
        None => "hand",
    }
}

/// `left 31 N, right 35 N`.
fn forces(test: &MatTest, map: &MapFrame) -> String {
    let parts: Vec<String> = test
        .hands
        .iter()
        .zip(&map.force_n)
        .filter_map(|(hand, force)| {
            Some(format!(
                "{} {} N",
                hand_words(hand.side),
                format::number((*force)?, 0)
            ))
        })
        .collect();
    parts.join(", ")
}

/// Which test it is.
pub(super) fn heading(test: &MatTest, what: &str) -> String {
    let level = test.level.map_or("level not named", Level::label);
    format!("{level}: {what}")
}

/// Title and recording at the top of a figure.
pub(super) fn title(canvas: &mut Canvas, width: f64, test: &MatTest, title: &str) {
    canvas.words((MARGIN, 22.0), title, words(15.0, INK).bold());
    let name = format!("{}, test {}", text::one_line(&test.recording), test.test);
    let room = width - 40.0 - text::width(title, 15.0, true);
    if room > 60.0 {
        let name = text::fit(&name, SMALL, room);
        canvas.words(
            (width - MARGIN, 22.0),
            &name,
            words(SMALL, QUIET).aligned(Align::End),
        );
    }
}

/// Swatches of the steps with their pressures.
fn key(canvas: &mut Canvas, left: f64, top: f64, steps: &Steps) {
    const WIDE: f64 = 44.0;
    for (k, level) in steps.levels.iter().enumerate() {
        let x = left + k as f64 * WIDE;
        let swatch = Area {
            left: x,
            top,
            right: x + WIDE,
            bottom: top + 10.0,
        };
        canvas.area(swatch, steps.colour(k));
        let decimals = if k == 0 {
            steps.decimals.max(1)
        } else {
            steps.decimals
        };
        canvas.words(
            (x, top + 24.0),
            &format::number(*level, decimals),
            words(SMALL, QUIET).aligned(Align::Middle),
        );
    }
    let end = left + steps.levels.len() as f64 * WIDE;
    canvas.words((end + 10.0, top + 10.0), "kPa and more", words(SMALL, QUIET));
}

/// Maps of pressure at preload and at the peak, on one scale of hue. `None` when there is no map.
pub(super) fn maps(test: &MatTest) -> Option<Figure> {
    if test.maps.is_empty() {
        return None;
    }
    let part = loaded(test, &test.maps, ROOM_MM);
    let (mm_wide, mm_high) = (part[2] - part[0], part[3] - part[1]);
    let scale = (MAP_WIDE / mm_wide).min(MAP_HIGH / mm_high);
    let (wide, high) = (mm_wide * scale, mm_high * scale);
    let height = TOP + high + 86.0;
    let mut canvas = Canvas::new(WIDTH, height);
    let name = heading(test, "pressure under the hands");
    title(&mut canvas, WIDTH, test, &name);
    let steps = Steps::of(test);
    for (k, map) in test.maps.iter().enumerate() {
        let left = 12.0 + k as f64 * (wide + BETWEEN);
        let place = Area {
            left,
            top: TOP,
            right: left + wide,
            bottom: TOP + high,
        };
        draw_map(&mut canvas, place, test, map, &steps, part);
        let what = format!("{}: {}", map.label, forces(test, map));
        canvas.words((left, TOP - 24.0), &what, words(SMALL, INK));
        canvas.words(
            (left + wide / 2.0, TOP - 8.0),
            "head",
            words(SMALL, QUIET).aligned(Align::Middle),
        );
        canvas.words((left, TOP + high + 16.0), "subject's left", words(SMALL, QUIET));
        canvas.words(
            (left + wide, TOP + high + 16.0),
            "right",
            words(SMALL, QUIET).aligned(Align::End),
        );
        if let Some(midline) = test.midline_mm.filter(|m| part[0] < *m && *m < part[2]) {
            let x = left + (midline - part[0]) * scale;
            if (x - left).min(left + wide - x) > 120.0 {
                let style = words(SMALL, QUIET).aligned(Align::Middle);
                canvas.words((x, TOP + high + 16.0), "midline", style);
            }
        }
    }
    key(&mut canvas, 34.0, TOP + high + 38.0, &steps);
    ruler(&mut canvas, WIDTH - 30.0, TOP + high + 44.0, scale);
    let alt = alt(test, &test.maps);
    Some(canvas.figure(name, alt))
}

/// Five centimetres at the scale of the map, ending at `right`.
fn ruler(canvas: &mut Canvas, right: f64, y: f64, px_per_mm: f64) {
    let left = right - 50.0 * px_per_mm;
    canvas.hair((left, y), (right, y), INK);
    for x in [left, right] {
        canvas.hair((x, y - 3.0), (x, y + 3.0), INK);
    }
    canvas.words(
        ((left + right) / 2.0, y + 16.0),
        "50 mm",
        words(SMALL, QUIET).aligned(Align::Middle),
    );
}

fn alt(test: &MatTest, maps: &[MapFrame]) -> String {
    let told: Vec<String> = maps
        .iter()
        .map(|m| {
            let most = m.kpa.iter().copied().fold(0.0, f32::max);
            format!(
                "{}: {}, at most {} kPa",
                m.label,
                forces(test, m),
                format::number(f64::from(most), 0)
            )
        })
        .collect();
    format!("Maps of pressure on the mat. {}.", told.join("; "))
}

/// A strip of small maps through one spring, on the scale of hue of [`maps`]. `None` when there was no spring.
pub(super) fn strip(test: &MatTest) -> Option<Figure> {
    if test.strip.is_empty() {
        return None;
    }
    const ONE_HIGH: f64 = 150.0;
    let part = loaded(test, &test.strip, STRIP_ROOM_MM);
    let (mm_wide, mm_high) = (part[2] - part[0], part[3] - part[1]);
    let n = test.strip.len() as f64;
    let room = (WIDTH - 2.0 * 12.0 - (n - 1.0) * 6.0) / n;
    let scale = (room / mm_wide).min(ONE_HIGH / mm_high);
    let (wide, high) = (mm_wide * scale, mm_high * scale);
    let top = 44.0;
    let height = top + high + 74.0;
    let mut canvas = Canvas::new(WIDTH, height);
    let name = heading(test, "one spring on the mat");
    title(&mut canvas, WIDTH, test, &name);
    let steps = Steps::of(test);
    for (k, map) in test.strip.iter().enumerate() {
        let left = 12.0 + k as f64 * (wide + 6.0);
        let place = Area {
            left,
            top,
            right: left + wide,
            bottom: top + high,
        };
        draw_map(&mut canvas, place, test, map, &steps, part);
        let middle = left + wide / 2.0;
        let style = words(SMALL, QUIET).aligned(Align::Middle);
        canvas.words((middle, top + high + 16.0), &map.label, style);
        let sum: f64 = map.force_n.iter().flatten().sum();
        let style = words(SMALL, INK).aligned(Align::Middle);
        canvas.words(
            (middle, top + high + 32.0),
            &format!("{} N", format::number(sum, 0)),
            style,
        );
    }
    canvas.words(
        (12.0, height - 10.0),
        "time since the start of the spring, force of all hands; hue as in the maps at preload and peak",
        words(SMALL, QUIET),
    );
    let alt = alt(test, &test.strip);
    Some(canvas.figure(name, alt))
}

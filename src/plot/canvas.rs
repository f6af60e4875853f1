//! One SVG canvas: shapes in page pixels, a map of what is taken so that labels keep clear, and the SVG of it.

use super::palette;
use super::simplify::thin;
use super::text;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{FontTransform, TextStyle};

/// Units of the drawing for each pixel of the page. The backend rounds to whole units; four to a pixel make
/// curves smooth.
const FINE: f64 = 4.0;
/// Fonts a browser may have that are as wide as DejaVu Sans, widest claim first.
const FONTS: &str = "DejaVu Sans, Verdana, Bitstream Vera Sans, sans-serif";
/// Stands in for the fonts while drawing: they are named once, on the root.
const FONT_STAND_IN: &str = "f";
/// Side of a cell of the map of taken places, in px.
const CELL: f64 = 3.0;
/// Baseline to baseline, as a share of the size.
const LEADING: f64 = 1.3;

/// A point in px, from the upper left.
pub type Point = (f64, f64);

/// Where a text stands to its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Align {
    Start,
    Middle,
    End,
}

/// A box in px.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Area {
    pub left: f64,
    pub top: f64,
    pub right: f64,
    pub bottom: f64,
}

/// How words look.
#[derive(Debug, Clone, Copy)]
pub struct Style {
    pub size: f64,
    pub colour: RGBColor,
    pub bold: bool,
    pub align: Align,
}

/// Words of one size and colour, left-aligned.
pub fn words(size: f64, colour: RGBColor) -> Style {
    Style {
        size,
        colour,
        bold: false,
        align: Align::Start,
    }
}

impl Style {
    /// The same, aligned otherwise.
    pub fn aligned(self, align: Align) -> Style {
        Style { align, ..self }
    }

    /// The same, bold.
    pub fn bold(self) -> Style {
        Style { bold: true, ..self }
    }
}

enum Shape {
    Line(Vec<Point>, RGBColor, f64),
    Area(Area, RGBColor),
    Fill(Vec<Point>, RGBColor),
    Dot(Point, f64, RGBColor),
    Ring(Point, f64, RGBColor, f64),
    Words(Point, String, Style, bool),
}

/// A drawing of `width` × `height` px.
pub struct Canvas {
    width: f64,
    height: f64,
    shapes: Vec<Shape>,
    taken: Vec<u16>,
    columns: usize,
}

impl Canvas {
    /// An empty drawing.
    pub fn new(width: f64, height: f64) -> Canvas {
        let columns = (width / CELL).ceil() as usize;
        let rows = (height / CELL).ceil() as usize;
        Canvas {
            width,
            height,
            shapes: Vec::new(),
            taken: vec![0; columns * rows],
            columns,
        }
    }

    /// A line through points; labels keep clear of it.
    pub fn line(&mut self, points: &[Point], colour: RGBColor, width: f64) {
        let points = thin(points);
        for pair in points.windows(2) {
            self.take_segment(pair[0], pair[1]);
        }
        self.shapes.push(Shape::Line(points, colour, width));
    }

    /// A hair line: labels may cross it.
    pub fn hair(&mut self, from: Point, to: Point, colour: RGBColor) {
        self.shapes.push(Shape::Line(vec![from, to], colour, 1.0));
    }

    /// A dashed line; labels keep clear of it.
    pub fn dashes(&mut self, from: Point, to: Point, colour: RGBColor, width: f64) {
        const ON: f64 = 7.0;
        const OFF: f64 = 4.0;
        let (dx, dy) = (to.0 - from.0, to.1 - from.1);
        let length = dx.hypot(dy);
        let at = |s: f64| (from.0 + dx * s / length, from.1 + dy * s / length);
        let mut s = 0.0;
        while s < length {
            let ends = vec![at(s), at((s + ON).min(length))];
            self.shapes.push(Shape::Line(ends, colour, width));
            s += ON + OFF;
        }
        self.take_segment(from, to);
    }

    /// A band behind the data: takes no place.
    pub fn area(&mut self, area: Area, colour: RGBColor) {
        self.shapes.push(Shape::Area(area, colour));
    }

    /// A filled shape, such as an arrow's head.
    pub fn fill(&mut self, points: &[Point], colour: RGBColor) {
        self.shapes.push(Shape::Fill(points.to_vec(), colour));
    }

    /// A filled mark.
    pub fn dot(&mut self, at: Point, radius: f64, colour: RGBColor) {
        self.take(around(at, radius), 3);
        self.shapes.push(Shape::Dot(at, radius, colour));
    }

    /// An open mark; what lies under it does not show through.
    pub fn ring(&mut self, at: Point, radius: f64, colour: RGBColor, width: f64) {
        self.dot(at, radius, palette::PAPER);
        self.shapes.push(Shape::Ring(at, radius, colour, width));
    }

    /// Words with their baseline at `at`; other labels keep clear of them.
    pub fn words(&mut self, at: Point, content: &str, style: Style) {
        let content = text::one_line(content);
        self.take(words_area(at, &content, style), 8);
        self.shapes.push(Shape::Words(at, content, style, false));
    }

    /// Words running upwards, centred on `at`.
    pub fn words_up(&mut self, at: Point, content: &str, style: Style) {
        let content = text::one_line(content);
        self.shapes.push(Shape::Words(at, content, style, true));
    }

    /// Puts words at the first place that is free, else at the least taken, and gives their box.
    ///
    /// `wordings` are ways to break the same words into lines, the preferred first; each place is the left end of
    /// the first baseline. `None` when there is no place or no wording.
    pub fn place(
        &mut self,
        wordings: &[&[&str]],
        style: Style,
        inside: Area,
        places: &[Point],
    ) -> Option<Area> {
        let mut best: Option<(u32, Area, &[&str])> = None;
        for &lines in wordings {
            for &place in places {
                let area = lines_area(lines, style, inside, place);
                let cost = self.cost(area);
                if best.is_none_or(|(least, ..)| cost < least) {
                    best = Some((cost, area, lines));
                }
            }
        }
        let (cost, area, lines) = best?;
        if cost == 0 {
            // Only hair lines can run here: they stop at the words.
            self.area(area, palette::PAPER);
        }
        for (i, line) in lines.iter().enumerate() {
            let down = style.size * (0.85 + LEADING * i as f64);
            let style = style.aligned(Align::Start);
            self.words((area.left, area.top + down), line, style);
        }
        Some(area)
    }

    fn cells(&self, a: Area) -> impl Iterator<Item = usize> + use<> {
        let rows = self.taken.len() / self.columns.max(1);
        let columns = self.columns;
        let index = |v: f64, n: usize| ((v / CELL).floor().max(0.0) as usize).min(n);
        let (c0, c1) = (index(a.left, columns), index(a.right + CELL, columns));
        let (r0, r1) = (index(a.top, rows), index(a.bottom + CELL, rows));
        (r0..r1).flat_map(move |r| (c0..c1).map(move |c| r * columns + c))
    }

    fn take(&mut self, area: Area, weight: u16) {
        for cell in self.cells(area) {
            self.taken[cell] = self.taken[cell].saturating_add(weight);
        }
    }

    fn take_segment(&mut self, a: Point, b: Point) {
        let steps = ((b.0 - a.0).hypot(b.1 - a.1) / CELL).ceil().clamp(1.0, 5000.0);
        for i in 0..=(steps as usize) {
            let s = i as f64 / steps;
            let at = (a.0 + (b.0 - a.0) * s, a.1 + (b.1 - a.1) * s);
            self.take(around(at, 0.5), 1);
        }
    }

    fn cost(&self, area: Area) -> u32 {
        self.cells(area).map(|c| u32::from(self.taken[c])).sum()
    }

    /// The SVG, with a title and a description for those who do not see it.
    pub fn svg(&self, title: &str, alt: &str) -> String {
        let size = (
            (self.width * FINE).round() as u32,
            (self.height * FINE).round() as u32,
        );
        let mut raw = String::new();
        {
            let mut backend = SVGBackend::with_string(&mut raw, size);
            for shape in &self.shapes {
                draw(&mut backend, shape);
            }
            let _ = backend.present();
        }
        self.finish(&raw, title, alt)
    }

    /// Page size instead of canvas size, names for readers, and what the backend repeats on every element once.
    ///
    /// Each replaced piece holds a quotation mark or an angle bracket, which the backend escapes in words.
    fn finish(&self, raw: &str, title: &str, alt: &str) -> String {
        let body = raw.split_once('\n').map_or(raw, |(_, rest)| rest);
        let body = body
            .replace(" opacity=\"1\"", "")
            .replace(&format!(" font-family=\"{FONT_STAND_IN}\""), "")
            .replace(" dy=\"-0.5ex\"", "")
            .replace(" text-anchor=\"start\"", "")
            .replace(" \"/>", "\"/>")
            .replace("\n</text>", "</text>");
        let mut body: String = body
            .lines()
            .map(|line| match line.starts_with("<text") {
                true => line.to_owned(),
                false => format!("{line}\n"),
            })
            .collect();
        // The opening tag of a text ends its line; its words follow on the same line now.
        body = body.replace("</text>", "</text>\n");
        let (title, alt) = (
            text::escape(&text::one_line(title)),
            text::escape(&text::one_line(alt)),
        );
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" aria-label=\"{title}\" \
             width=\"{}\" height=\"{}\" viewBox=\"0 0 {} {}\" font-family=\"{FONTS}\" \
             stroke-linejoin=\"round\">\n<title>{title}</title>\n<desc>{alt}</desc>\n{body}",
            self.width,
            self.height,
            (self.width * FINE).round(),
            (self.height * FINE).round(),
        )
    }
}

fn around((x, y): Point, radius: f64) -> Area {
    Area {
        left: x - radius,
        top: y - radius,
        right: x + radius,
        bottom: y + radius,
    }
}

/// The box of several lines whose first baseline begins at a point, moved inside the limits.
fn lines_area(lines: &[&str], style: Style, inside: Area, (x, y): Point) -> Area {
    let wide = lines
        .iter()
        .map(|l| text::width(l, style.size, style.bold))
        .fold(0.0, f64::max);
    let height = style.size * (1.1 + LEADING * (lines.len() as f64 - 1.0));
    let left = x.min(inside.right - wide).max(inside.left);
    let top = (y - style.size * 0.85)
        .min(inside.bottom - height)
        .max(inside.top);
    Area {
        left,
        top,
        right: left + wide,
        bottom: top + height,
    }
}

fn words_area((x, y): Point, content: &str, style: Style) -> Area {
    let wide = text::width(content, style.size, style.bold);
    let left = match style.align {
        Align::Start => x,
        Align::Middle => x - wide / 2.0,
        Align::End => x - wide,
    };
    Area {
        left,
        top: y - style.size * 0.8,
        right: left + wide,
        bottom: y + style.size * 0.2,
    }
}

/// Hands one shape to the backend. Into a string it cannot fail: its only error is a file's.
fn draw(backend: &mut SVGBackend<'_>, shape: &Shape) {
    let fine = |v: f64| {
        let v = (v * FINE).round();
        if v.is_finite() { v as i32 } else { 0 }
    };
    let point = |p: &Point| (fine(p.0), fine(p.1));
    let stroke = |colour: &RGBColor, width: f64| colour.stroke_width(fine(width).max(1) as u32);
    let _ = match shape {
        Shape::Line(points, colour, width) => {
            backend.draw_path(points.iter().map(point), &stroke(colour, *width))
        }
        Shape::Area(a, colour) => backend.draw_rect(
            (fine(a.left), fine(a.top)),
            (fine(a.right), fine(a.bottom)),
            &colour.filled(),
            true,
        ),
        Shape::Fill(points, colour) => backend.fill_polygon(points.iter().map(point), &colour.filled()),
        Shape::Dot(at, radius, colour) => {
            backend.draw_circle(point(at), fine(*radius) as u32, &colour.filled(), true)
        }
        Shape::Ring(at, radius, colour, width) => {
            backend.draw_circle(point(at), fine(*radius) as u32, &stroke(colour, *width), false)
        }
        Shape::Words(at, content, style, upwards) => {
            let horizontal = match style.align {
                Align::Start => HPos::Left,
                Align::Middle => HPos::Center,
                Align::End => HPos::Right,
            };
            let weight = if style.bold {
                FontStyle::Bold
            } else {
                FontStyle::Normal
            };
            let mut font: FontDesc =
                (FONT_STAND_IN, backend_size((style.size * FINE).round()), weight).into();
            if *upwards {
                font = font.transform(FontTransform::Rotate270);
            }
            let style = TextStyle::from(font)
                .color(&style.colour)
                .pos(Pos::new(horizontal, VPos::Bottom));
            backend.draw_text(content, &style, point(at))
        }
    };
}

/// The size that the backend, which divides by 1.24, writes as the whole number `size`.
fn backend_size(size: f64) -> f64 {
    let near = size * 1.24;
    [near, near.next_up(), near.next_down()]
        .into_iter()
        .find(|v| v / 1.24 == size)
        .unwrap_or(near)
}

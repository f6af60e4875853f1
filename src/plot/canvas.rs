//! One canvas: drawn in page pixels, with a map of what is taken so that labels keep clear.

use super::shape::{Align, Area, Point, Style};
use super::simplify::thin;
use super::svg::{Pixels, Svg, fine};
use super::{palette, text};
use plotters::drawing::DrawingArea;
use plotters::element::{Circle, Drawable, PathElement, PointCollection, Polygon, Rectangle, Text};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, FontDesc, FontFamily, FontStyle, FontTransform, RGBColor, ShapeStyle, TextStyle};
use std::cell::RefCell;
use std::rc::Rc;

/// Side of a cell of the map of taken places, in px.
const CELL: f64 = 3.0;
/// Baseline to baseline, as a share of the size.
const LEADING: f64 = 1.3;

/// A finished figure.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// A whole SVG document, without a declaration: it stands in a page or in a file of its own.
    pub svg: String,
    /// Width on the page, in px.
    pub width: f64,
    /// Height on the page, in px.
    pub height: f64,
    /// What it shows, in a few words.
    pub title: String,
    /// What is to be seen, for those who do not see it.
    pub alt: String,
}

/// A drawing of `width` × `height` px.
pub struct Canvas {
    width: f64,
    height: f64,
    svg: Rc<RefCell<Svg>>,
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
            svg: Rc::new(RefCell::new(Svg::new(width, height))),
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
        self.draw(PathElement::new(points, stroke(colour, width)));
    }

    /// A hair line: labels may cross it.
    pub fn hair(&mut self, from: Point, to: Point, colour: RGBColor) {
        self.draw(PathElement::new([from, to], stroke(colour, 1.0)));
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
            let ends = [at(s), at((s + ON).min(length))];
            self.draw(PathElement::new(ends, stroke(colour, width)));
            s += ON + OFF;
        }
        self.take_segment(from, to);
    }

    /// A band behind the data: takes no place.
    pub fn area(&mut self, area: Area, colour: RGBColor) {
        let corners = [(area.left, area.top), (area.right, area.bottom)];
        self.draw(Rectangle::new(corners, colour.filled()));
    }

    /// A filled shape, such as an arrow's head.
    pub fn fill(&mut self, points: &[Point], colour: RGBColor) {
        self.draw(Polygon::new(points, colour.filled()));
    }

    /// A filled mark.
    pub fn dot(&mut self, at: Point, radius: f64, colour: RGBColor) {
        self.take(around(at, radius), 3);
        self.draw(Circle::new(at, fine(radius), colour.filled()));
    }

    /// An open mark; what lies under it does not show through.
    pub fn ring(&mut self, at: Point, radius: f64, colour: RGBColor, width: f64) {
        self.dot(at, radius, palette::PAPER);
        self.draw(Circle::new(at, fine(radius), stroke(colour, width)));
    }

    /// A cross of two strokes, on a rim of paper so that it stands out from what lies under it.
    pub fn cross(&mut self, (x, y): Point, half: f64, colour: RGBColor, width: f64) {
        self.take(around((x, y), half), 3);
        let strokes = [[(x - half, y - half), (x + half, y + half)], [(x - half, y + half), (x + half, y - half)]];
        for (colour, width) in [(palette::PAPER, width + 2.0), (colour, width)] {
            for ends in strokes {
                self.draw(PathElement::new(ends, stroke(colour, width)));
            }
        }
    }

    /// Words with their baseline at `at`; other labels keep clear of them.
    pub fn words(&mut self, at: Point, content: &str, style: Style) {
        let content = text::one_line(content);
        self.take(words_area(at, &content, style), 8);
        self.draw(Text::new(content, at, look(style)));
    }

    /// Words running upwards, centred on `at`.
    pub fn words_up(&mut self, at: Point, content: &str, style: Style) {
        let look = look(style).transform(FontTransform::Rotate270);
        self.draw(Text::new(text::one_line(content), at, look));
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

    fn draw<E: Drawable<Svg>>(&mut self, element: E)
    where
        for<'a> &'a E: PointCollection<'a, Point>,
    {
        let area = DrawingArea::from(&self.svg).apply_coord_spec(Pixels);
        // Writing to a string cannot fail.
        let _ = area.draw(&element);
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

    /// The drawing with a title, and a description for those who do not see it.
    pub fn figure(&self, title: String, alt: String) -> Figure {
        Figure {
            svg: self.svg.borrow().document(&title, &alt),
            width: self.width,
            height: self.height,
            title,
            alt,
        }
    }
}

/// A line never so thin that it is gone.
fn stroke(colour: RGBColor, width: f64) -> ShapeStyle {
    colour.stroke_width(fine(width).max(1) as u32)
}

/// The family is the document's.
fn look(style: Style) -> TextStyle<'static> {
    let weight = if style.bold { FontStyle::Bold } else { FontStyle::Normal };
    let horizontal = match style.align {
        Align::Start => HPos::Left,
        Align::Middle => HPos::Center,
        Align::End => HPos::Right,
    };
    TextStyle {
        font: FontDesc::new(FontFamily::SansSerif, f64::from(fine(style.size)), weight),
        color: style.colour.to_backend_color(),
        pos: Pos::new(horizontal, VPos::Bottom),
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

//! Shapes as an SVG document.

use super::palette::Colour;
use super::shape::{Align, Point, Shape};
use super::text;
use std::fmt::{self, Display, Write};

/// Units of the drawing for each pixel of the page. Coordinates are whole units; four to a pixel make curves smooth.
const FINE: f64 = 4.0;
/// Fonts a browser may have that are as wide as DejaVu Sans, widest claim first.
const FONTS: &str = "DejaVu Sans, Verdana, Bitstream Vera Sans, sans-serif";

/// A whole document of `width` × `height` px, with a title and a description for those who do not see it.
pub fn document(width: f64, height: f64, shapes: &[Shape], title: &str, alt: &str) -> String {
    let [title, alt] = [title, alt].map(|t| text::escape(&text::one_line(t)));
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" aria-label=\"{title}\" \
         width=\"{width}\" height=\"{height}\" viewBox=\"0 0 {} {}\" font-family=\"{FONTS}\" \
         stroke-linejoin=\"round\">\n<title>{title}</title>\n<desc>{alt}</desc>\n",
        fine(width),
        fine(height),
    );
    for shape in shapes {
        // Writing to a string cannot fail.
        let _ = write_shape(&mut out, shape);
    }
    out.push_str("</svg>\n");
    out
}

fn write_shape(out: &mut String, shape: &Shape) -> fmt::Result {
    match shape {
        Shape::Line(points, colour, width) => {
            let (width, points) = (stroke(*width), list(points));
            writeln!(
                out,
                r#"<polyline fill="none" stroke="{colour}" stroke-width="{width}" points="{points}"/>"#
            )
        }
        Shape::Area(a, colour) => {
            let [x, y, right, bottom] = [a.left, a.top, a.right, a.bottom].map(fine);
            let (width, height) = (right - x, bottom - y);
            writeln!(
                out,
                r#"<rect x="{x}" y="{y}" width="{width}" height="{height}" fill="{colour}" stroke="none"/>"#
            )
        }
        Shape::Fill(points, colour) => {
            writeln!(out, r#"<polygon fill="{colour}" points="{}"/>"#, list(points))
        }
        Shape::Dot(at, radius, colour) => circle(out, *at, *radius, colour, "none", 1),
        Shape::Ring(at, radius, colour, width) => circle(out, *at, *radius, "none", colour, stroke(*width)),
        Shape::Words(at, content, style, upwards) => {
            let [x, y] = [at.0, at.1].map(fine);
            let anchor = match style.align {
                Align::Start => "",
                Align::Middle => " text-anchor=\"middle\"",
                Align::End => " text-anchor=\"end\"",
            };
            let weight = if style.bold { " font-weight=\"bold\"" } else { "" };
            let turn = match upwards {
                true => format!(" transform=\"rotate(270, {x}, {y})\""),
                false => String::new(),
            };
            writeln!(
                out,
                r#"<text x="{x}" y="{y}"{anchor} font-size="{}" fill="{}"{weight}{turn}>{}</text>"#,
                fine(style.size),
                style.colour,
                text::escape(content),
            )
        }
    }
}

fn circle(
    out: &mut String,
    at: Point,
    radius: f64,
    fill: impl Display,
    line: impl Display,
    width: i32,
) -> fmt::Result {
    let [x, y, r] = [at.0, at.1, radius].map(fine);
    writeln!(
        out,
        r#"<circle cx="{x}" cy="{y}" r="{r}" fill="{fill}" stroke="{line}" stroke-width="{width}"/>"#
    )
}

/// In units of the drawing; what is not finite lands on 0.
fn fine(px: f64) -> i32 {
    let units = (px * FINE).round();
    if units.is_finite() { units as i32 } else { 0 }
}

/// Width of a stroke, never so thin that it is gone.
fn stroke(px: f64) -> i32 {
    fine(px).max(1)
}

fn list(points: &[Point]) -> String {
    let each = points.iter().map(|p| format!("{},{}", fine(p.0), fine(p.1)));
    each.collect::<Vec<_>>().join(" ")
}

impl Display for Colour {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "#{:02X}{:02X}{:02X}", self.0, self.1, self.2)
    }
}

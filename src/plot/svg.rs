//! SVG as a drawing backend, and the document around what was drawn.

use super::shape::Point;
use super::text;
use plotters::coord::CoordTranslate;
use plotters_backend::text_anchor::HPos;
use plotters_backend::{
    BackendColor, BackendCoord, BackendStyle, BackendTextStyle, DrawingBackend, DrawingErrorKind, FontStyle,
    FontTransform,
};
use std::fmt::{self, Arguments, Write};

/// Units of the drawing for each pixel of the page. Coordinates are whole units; four to a pixel make curves smooth.
const FINE: f64 = 4.0;
/// Fonts a browser may have that are as wide as DejaVu Sans, widest claim first.
const FONTS: &str = "DejaVu Sans, Verdana, Bitstream Vera Sans, sans-serif";

/// In units of the drawing; what is not finite lands on 0.
pub fn fine(px: f64) -> i32 {
    let units = (px * FINE).round();
    if units.is_finite() { units as i32 } else { 0 }
}

/// Coordinates in px of the page.
pub struct Pixels;

impl CoordTranslate for Pixels {
    type From = Point;

    fn translate(&self, &(x, y): &Point) -> BackendCoord {
        (fine(x), fine(y))
    }
}

/// A drawing of `width` × `height` px, and the elements in it.
pub struct Svg {
    width: f64,
    height: f64,
    elements: String,
}

impl Svg {
    /// An empty drawing.
    pub fn new(width: f64, height: f64) -> Svg {
        Svg {
            width,
            height,
            elements: String::new(),
        }
    }

    /// The whole document, with a title and a description for those who do not see it.
    pub fn document(&self, title: &str, alt: &str) -> String {
        let [title, alt] = [title, alt].map(|t| text::escape(&text::one_line(t)));
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" aria-label=\"{title}\" \
             width=\"{}\" height=\"{}\" viewBox=\"0 0 {} {}\" font-family=\"{FONTS}\" \
             stroke-linejoin=\"round\">\n<title>{title}</title>\n<desc>{alt}</desc>\n{}</svg>\n",
            self.width,
            self.height,
            fine(self.width),
            fine(self.height),
            self.elements,
        )
    }

    fn write(&mut self, element: Arguments<'_>) -> Written {
        writeln!(self.elements, "{element}").map_err(DrawingErrorKind::DrawingError)
    }
}

type Written = Result<(), DrawingErrorKind<fmt::Error>>;

/// Every colour covers what lies under it, and words stand with their baseline on their point.
impl DrawingBackend for Svg {
    type ErrorType = fmt::Error;

    fn get_size(&self) -> (u32, u32) {
        (fine(self.width) as u32, fine(self.height) as u32)
    }

    fn ensure_prepared(&mut self) -> Written {
        Ok(())
    }

    fn present(&mut self) -> Written {
        Ok(())
    }

    fn draw_pixel(&mut self, (x, y): BackendCoord, colour: BackendColor) -> Written {
        self.draw_rect((x, y), (x + 1, y + 1), &colour, true)
    }

    fn draw_line<S: BackendStyle>(&mut self, from: BackendCoord, to: BackendCoord, style: &S) -> Written {
        self.draw_path([from, to], style)
    }

    fn draw_path<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(
        &mut self,
        path: I,
        style: &S,
    ) -> Written {
        self.write(format_args!(
            r#"<polyline fill="none" stroke="{}" stroke-width="{}" points="{}"/>"#,
            colour(style.color()),
            style.stroke_width(),
            list(path),
        ))
    }

    fn draw_rect<S: BackendStyle>(
        &mut self,
        (x, y): BackendCoord,
        (right, bottom): BackendCoord,
        style: &S,
        fill: bool,
    ) -> Written {
        let (fill, line) = fill_and_line(style, fill);
        let (width, height) = (right - x, bottom - y);
        self.write(format_args!(
            r#"<rect x="{x}" y="{y}" width="{width}" height="{height}" fill="{fill}" stroke="{line}"/>"#
        ))
    }

    fn fill_polygon<S: BackendStyle, I: IntoIterator<Item = BackendCoord>>(
        &mut self,
        corners: I,
        style: &S,
    ) -> Written {
        let (fill, corners) = (colour(style.color()), list(corners));
        self.write(format_args!(r#"<polygon fill="{fill}" points="{corners}"/>"#))
    }

    fn draw_circle<S: BackendStyle>(
        &mut self,
        (x, y): BackendCoord,
        radius: u32,
        style: &S,
        fill: bool,
    ) -> Written {
        let (fill, line) = fill_and_line(style, fill);
        let width = style.stroke_width();
        self.write(format_args!(
            r#"<circle cx="{x}" cy="{y}" r="{radius}" fill="{fill}" stroke="{line}" stroke-width="{width}"/>"#
        ))
    }

    fn draw_text<S: BackendTextStyle>(&mut self, words: &str, style: &S, (x, y): BackendCoord) -> Written {
        let anchor = match style.anchor().h_pos {
            HPos::Left => "",
            HPos::Center => " text-anchor=\"middle\"",
            HPos::Right => " text-anchor=\"end\"",
        };
        let look = match style.style() {
            FontStyle::Normal => "",
            FontStyle::Bold => " font-weight=\"bold\"",
            FontStyle::Italic => " font-style=\"italic\"",
            FontStyle::Oblique => " font-style=\"oblique\"",
        };
        let turn = |degrees: u16| format!(" transform=\"rotate({degrees}, {x}, {y})\"");
        let turn = match style.transform() {
            FontTransform::None => String::new(),
            FontTransform::Rotate90 => turn(90),
            FontTransform::Rotate180 => turn(180),
            FontTransform::Rotate270 => turn(270),
        };
        self.write(format_args!(
            r#"<text x="{x}" y="{y}"{anchor} font-size="{}" fill="{}"{look}{turn}>{}</text>"#,
            style.size(),
            colour(style.color()),
            text::escape(words),
        ))
    }
}

/// What a closed shape is filled with and what is drawn around it: one of them is nothing.
fn fill_and_line(style: &impl BackendStyle, fill: bool) -> (String, String) {
    let (colour, none) = (colour(style.color()), "none".to_owned());
    if fill { (colour, none) } else { (none, colour) }
}

fn colour(BackendColor { rgb: (r, g, b), .. }: BackendColor) -> String {
    format!("#{r:02X}{g:02X}{b:02X}")
}

fn list(points: impl IntoIterator<Item = BackendCoord>) -> String {
    let each = points.into_iter().map(|(x, y)| format!("{x},{y}"));
    each.collect::<Vec<_>>().join(" ")
}

//! The shapes of a figure, in px.

use super::palette::Colour;

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
    pub colour: Colour,
    pub bold: bool,
    pub align: Align,
}

/// Words of one size and colour, left-aligned.
pub fn words(size: f64, colour: Colour) -> Style {
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

/// What a canvas is made of.
pub enum Shape {
    /// Through points, with a colour and a width.
    Line(Vec<Point>, Colour, f64),
    Area(Area, Colour),
    Fill(Vec<Point>, Colour),
    /// Centre, radius, colour.
    Dot(Point, f64, Colour),
    /// Centre, radius, colour, width.
    Ring(Point, f64, Colour, f64),
    /// Baseline, one line of words, look, and whether they run upwards.
    Words(Point, String, Style, bool),
}

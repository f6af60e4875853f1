//! Points, boxes and the look of words, in px.

use plotters::style::RGBColor;

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

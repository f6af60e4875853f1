//! An address as a square that a tablet's camera reads (QR code, ISO/IEC 18004).

use crate::error::{Error, Result};
use qrcode::{Color, EcLevel, QrCode};
use std::fmt::Write as _;

/// Empty modules around it: the standard asks for four.
const QUIET: usize = 4;

/// The square as SVG: dark on light in every colour scheme, since cameras expect it so.
///
/// # Errors
/// [`Error::Refused`] when the text is too long for any square.
pub fn svg(text: &str) -> Result<String> {
    let code = QrCode::with_error_correction_level(text, EcLevel::M).map_err(|e| Error::Refused {
        found: format!("an address that no square can hold: {e}"),
        advice: "type the address instead".to_owned(),
    })?;
    let width = code.width();
    let side = width + 2 * QUIET;
    let mut path = String::new();
    for (i, colour) in code.to_colors().iter().enumerate() {
        if *colour == Color::Dark {
            let _ = write!(path, "M{} {}h1v1h-1z", i % width + QUIET, i / width + QUIET);
        }
    }
    Ok(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {side} {side}\" shape-rendering=\"crispEdges\">\
         <rect width=\"{side}\" height=\"{side}\" fill=\"#fff\"/><path d=\"{path}\" fill=\"#000\"/></svg>"
    ))
}

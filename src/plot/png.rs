//! SVG to PNG with a font of our own, so that the picture is the same on every machine.

use super::canvas::Figure;
use crate::error::{Error, Result};
use resvg::{tiny_skia, usvg};
use std::sync::{Arc, OnceLock};

/// DejaVu Sans, regular and bold; never the system's fonts.
fn fonts() -> Arc<usvg::fontdb::Database> {
    static FONTS: OnceLock<Arc<usvg::fontdb::Database>> = OnceLock::new();
    FONTS
        .get_or_init(|| {
            let mut fonts = usvg::fontdb::Database::new();
            fonts.load_font_data(dejavu::sans::regular().to_vec());
            fonts.load_font_data(dejavu::sans::bold().to_vec());
            fonts.set_sans_serif_family("DejaVu Sans");
            Arc::new(fonts)
        })
        .clone()
}

/// Draws a figure as PNG on white.
///
/// `scale` is pixels of the picture for each pixel of the page: 2 suits a slide, 3.125 a print at 300 dots per inch.
///
/// # Errors
/// [`Error::Setting`] when the scale is not from 0.1 to 20 or the picture would be larger than memory allows.
pub fn png(figure: &Figure, scale: f64) -> Result<Vec<u8>> {
    let refuse = |found: String| Error::Setting {
        what: "scale of the picture".to_owned(),
        found,
        expected: "a number from 0.1 to 20".to_owned(),
    };
    if !(0.1..=20.0).contains(&scale) {
        return Err(refuse(scale.to_string()));
    }
    let options = usvg::Options {
        fontdb: fonts(),
        font_family: "DejaVu Sans".to_owned(),
        ..usvg::Options::default()
    };
    let tree = usvg::Tree::from_str(&figure.svg, &options).map_err(|e| refuse(e.to_string()))?;
    let pixels = |length: f64| (length * scale).ceil().max(1.0) as u32;
    let (width, height) = (pixels(figure.width), pixels(figure.height));
    let mut picture = tiny_skia::Pixmap::new(width, height)
        .ok_or_else(|| refuse(format!("{scale}, a picture of {width} by {height}")))?;
    picture.fill(tiny_skia::Color::WHITE);
    let scale = scale as f32;
    resvg::render(
        &tree,
        tiny_skia::Transform::from_scale(scale, scale),
        &mut picture.as_mut(),
    );
    picture.encode_png().map_err(|e| refuse(e.to_string()))
}

//! One accent and greys, told apart in black and white too: they differ in lightness, and nothing is said by
//! colour alone.

use plotters::style::RGBColor;

/// Curves, axes, words: nearly black (lightness 10 of 100).
pub const INK: RGBColor = RGBColor(0x1c, 0x1c, 0x1c);
/// What is pointed at: the onset, the end-feel, a named side, the ceiling. Blue of the colour-blind-safe set of
/// Okabe & Ito 2008, "Color Universal Design", a little darker, so that it may carry words on a band too.
pub const ACCENT: RGBColor = RGBColor(0x00, 0x6e, 0xac);
/// Second-rank words: 7:1 on white (WCAG 2.2 level AAA asks 7:1).
pub const QUIET: RGBColor = RGBColor(0x59, 0x59, 0x59);
/// Take-up and other curves that are context (lightness 60).
pub const GREY: RGBColor = RGBColor(0x8f, 0x8f, 0x8f);
/// Hair lines.
pub const HAIR: RGBColor = RGBColor(0xc8, 0xc8, 0xc8);
/// Bands behind data.
pub const BAND: RGBColor = RGBColor(0xee, 0xee, 0xee);
/// Inside of an open mark.
pub const PAPER: RGBColor = RGBColor(0xff, 0xff, 0xff);

/// One hue for pressure, from a breath of it at 0 to its darkest at 1: lightness falls evenly, so that it reads in black
/// and white too.
pub fn shade(share: f64) -> RGBColor {
    const LIGHT: [f64; 3] = [214.0, 230.0, 241.0];
    const DARK: [f64; 3] = [4.0, 48.0, 82.0];
    let s = share.clamp(0.0, 1.0);
    let mix = |k: usize| (LIGHT[k] + s * (DARK[k] - LIGHT[k])).round() as u8;
    RGBColor(mix(0), mix(1), mix(2))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance, WCAG 2.2, "relative luminance".
    fn luminance(c: RGBColor) -> f64 {
        let part = |v: u8| {
            let s = f64::from(v) / 255.0;
            if s <= 0.04045 {
                s / 12.92
            } else {
                ((s + 0.055) / 1.055).powf(2.4)
            }
        };
        0.2126 * part(c.0) + 0.7152 * part(c.1) + 0.0722 * part(c.2)
    }

    /// Contrast ratio, WCAG 2.2, "contrast ratio".
    fn contrast(a: RGBColor, b: RGBColor) -> f64 {
        let (a, b) = (luminance(a), luminance(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    #[test]
    fn a_darker_shade_is_more_pressure() {
        let steps: Vec<f64> = (0..=8).map(|k| luminance(shade(f64::from(k) / 8.0))).collect();
        assert!(steps.windows(2).all(|w| w[0] > w[1] + 0.01), "{steps:?}");
    }

    #[test]
    fn words_can_be_read_on_paper_and_on_a_band() {
        for ink in [INK, ACCENT, QUIET] {
            // WCAG 2.2, success criterion 1.4.3: 4.5:1 for text.
            assert!(contrast(ink, PAPER) >= 4.5);
            assert!(contrast(ink, BAND) >= 4.5);
        }
    }

    #[test]
    fn curves_stand_out_from_paper_and_from_each_other_without_colour() {
        // WCAG 2.2, success criterion 1.4.11: 3:1 for graphics.
        assert!(contrast(GREY, PAPER) >= 3.0);
        assert!(contrast(INK, GREY) >= 3.0);
        assert!(contrast(INK, ACCENT) >= 3.0);
    }
}

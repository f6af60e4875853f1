//! What all pages share: one set-up of templates, the head with what a page lets in, tables, the style.

mod table;

pub use table::{PageCell, PageTable};

use crate::error::{Error, Result};
use minijinja::value::Serde;
use minijinja::{Environment, UndefinedBehavior, context};
use serde::Serialize;
use sha2::{Digest, Sha256};

/// The style of pages for the screen.
pub const STYLE: &str = include_str!("style.css");
const FRAME: &str = include_str!("frame.html");

/// A page to be made.
pub struct Page<'a> {
    /// What it is, for the message when it cannot be made: `the report's page`.
    pub what: &'a str,
    /// Its own templates by name, the page last. Names end in `.html`: everything put into them is escaped.
    pub templates: &'a [(&'a str, &'a str)],
    pub style: &'a str,
    pub script: Option<&'a str>,
}

impl Page<'_> {
    /// The page with `view` as `page`. Lines that held only instructions of a template are left out.
    ///
    /// # Errors
    /// [`Error::Refused`] when the page could not be put together; that is a fault of the program.
    pub fn render(&self, view: &impl Serialize) -> Result<String> {
        let html = self.fill(view).map_err(|e| Error::Refused {
            found: format!("{} could not be made: {e:#}", self.what),
            advice: "please report this as a fault of tautpoint".to_owned(),
        })?;
        Ok(without_blank_lines(&html))
    }

    fn fill(&self, view: &impl Serialize) -> Result<String, minijinja::Error> {
        let mut environment = Environment::new();
        environment.set_undefined_behavior(UndefinedBehavior::Strict);
        environment.add_template("frame.html", FRAME)?;
        let mut name = "frame.html";
        for (own, text) in self.templates {
            environment.add_template(own, text)?;
            name = own;
        }
        // The hash is that of the lines as they will stand in the page.
        let script = self.script.map(without_blank_lines);
        let frame = context! {
            version => env!("CARGO_PKG_VERSION"),
            style => self.style,
            style_hash => content_hash(self.style),
            script_hash => script.as_deref().map(content_hash),
        };
        environment
            .get_template(name)?
            .render(context! { page => Serde(view), frame, script })
    }
}

fn without_blank_lines(text: &str) -> String {
    let lines = text.lines().filter(|line| !line.trim().is_empty());
    lines.flat_map(|line| [line, "\n"]).collect()
}

/// The hash by which a page lets in this style sheet or script and no other (CSP level 3).
fn content_hash(text: &str) -> String {
    format!("sha256-{}", base64(&Sha256::digest(text.as_bytes())))
}

/// Base 64 with padding (RFC 4648, section 4).
pub fn base64(bytes: &[u8]) -> String {
    const SIGNS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::new();
    for chunk in bytes.chunks(3) {
        let word = chunk
            .iter()
            .fold(0u32, |w, b| (w << 8) | u32::from(*b))
            .wrapping_shl(8 * (3 - chunk.len() as u32));
        for i in 0..4 {
            if i <= chunk.len() {
                out.push(char::from(SIGNS[(word >> (18 - 6 * i)) as usize & 63]));
            } else {
                out.push('=');
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn base64_is_that_of_the_standard() {
        // RFC 4648, section 10, test vectors.
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(base64(plain.as_bytes()), coded);
        }
    }
}

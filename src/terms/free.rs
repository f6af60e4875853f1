//! Words that a lab may choose itself: never empty.

use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use std::fmt;

macro_rules! free_terms {
    ($($(#[$of_it:meta])* $name:ident,)+) => {
        $(
            $(#[$of_it])*
            #[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
            #[serde(into = "String", try_from = "String")]
            pub struct $name(Cow<'static, str>);

            impl $name {
                /// The text without outer blanks; `None` when nothing is left.
                pub fn new(text: &str) -> Option<$name> {
                    let text = text.trim();
                    (!text.is_empty()).then(|| $name(Cow::Owned(text.to_owned())))
                }

                /// One that the program itself knows.
                pub(crate) const fn known(text: &'static str) -> $name {
                    assert!(!text.is_empty());
                    $name(Cow::Borrowed(text))
                }

                /// The text.
                pub fn as_str(&self) -> &str {
                    &self.0
                }
            }

            impl fmt::Display for $name {
                fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                    f.pad(&self.0)
                }
            }

            impl From<$name> for String {
                fn from(it: $name) -> String {
                    it.0.into_owned()
                }
            }

            impl TryFrom<String> for $name {
                type Error = &'static str;

                fn try_from(text: String) -> Result<$name, &'static str> {
                    $name::new(&text).ok_or("empty text")
                }
            }
        )+
    };
}

free_terms! {
    /// How the subject lies or sits: `prone`, `propped on elbows`.
    Posture,
    /// The bony point under the contact: `transverse processes`.
    Landmark,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_is_no_posture() {
        assert_eq!(Posture::new(" \t"), None);
        assert_eq!(Posture::new(" prone ").unwrap().as_str(), "prone");
        assert!(serde_json::from_str::<Landmark>("\"\"").is_err());
        let landmark: Landmark = serde_json::from_str("\"PSIS\"").unwrap();
        assert_eq!(landmark, Landmark::known("PSIS"));
        assert_eq!(serde_json::to_string(&landmark).unwrap(), "\"PSIS\"");
    }
}

//! Closed lists of words: what each of them can do.

use serde::{Deserialize, Deserializer, Serializer, de};

/// A word out of a closed list.
pub trait Term: Copy + PartialEq + 'static {
    /// The whole list, in its own order.
    const ALL: &'static [Self];

    /// The word as files and tables have it.
    fn word(self) -> &'static str;

    /// Reads exactly that word.
    fn parse(word: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|t| t.word() == word)
    }

    /// Every word, in the list's order.
    fn words() -> Vec<&'static str> {
        Self::ALL.iter().map(|t| t.word()).collect()
    }
}

/// An enum of words: printed, parsed and kept by serde as the word that stands beside each.
macro_rules! closed_terms {
    (
        $(#[$of_all:meta])*
        $seen:vis enum $name:ident {
            $($(#[$of_one:meta])* $one:ident = $word:literal,)+
        }
    ) => {
        $(#[$of_all])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        $seen enum $name {
            $(#[doc = concat!("`", $word, "`.")] $(#[$of_one])* $one,)+
        }

        impl $crate::terms::Term for $name {
            const ALL: &'static [$name] = &[$($name::$one),+];

            fn word(self) -> &'static str {
                match self {
                    $($name::$one => $word,)+
                }
            }
        }

        #[allow(dead_code, reason = "a list that is private need not use all that a list can do")]
        impl $name {
            /// The whole list.
            pub const ALL: &'static [$name] = <$name as $crate::terms::Term>::ALL;

            /// The word in files, tables and on pages.
            pub fn word(self) -> &'static str {
                $crate::terms::Term::word(self)
            }

            /// Reads the word; nothing else is one.
            pub fn parse(word: &str) -> Option<$name> {
                $crate::terms::Term::parse(word)
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.pad(self.word())
            }
        }

        impl serde::Serialize for $name {
            fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
                $crate::terms::closed::serialize(*self, to)
            }
        }

        impl<'de> serde::Deserialize<'de> for $name {
            fn deserialize<D: serde::Deserializer<'de>>(from: D) -> Result<$name, D::Error> {
                $crate::terms::closed::deserialize(from)
            }
        }
    };
}
pub(crate) use closed_terms;

pub(crate) fn serialize<T: Term, S: Serializer>(term: T, to: S) -> Result<S::Ok, S::Error> {
    to.serialize_str(term.word())
}

pub(crate) fn deserialize<'de, T: Term, D: Deserializer<'de>>(from: D) -> Result<T, D::Error> {
    let word = String::deserialize(from)?;
    T::parse(&word).ok_or_else(|| de::Error::custom(format!("{word} is none of {}", T::words().join(", "))))
}

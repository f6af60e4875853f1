//! Words of a closed list on the command line.

use crate::terms::Term;
use clap::builder::{PossibleValuesParser, TypedValueParser};

/// Takes one of the words; the help lists them, and the nearest is offered for a wrong one.
pub(super) fn term<T: Term + Send + Sync>() -> impl TypedValueParser<Value = T> {
    PossibleValuesParser::new(T::words()).try_map(|word| T::parse(&word).ok_or("no such word"))
}

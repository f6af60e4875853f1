//! What a mixed model cannot do, and which variances a design cannot tell.

use std::fmt;

/// Whether the variance of a random term can be told from the residual's and from those of the terms before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Identified {
    /// It can.
    Yes,
    /// There is one level only.
    OneLevel,
    /// The fixed effects explain all that its levels could differ in.
    InFixed,
    /// Each level has one row, so that it is the residual.
    IsResidual,
    /// It parts the rows as an earlier term does.
    SameAs(usize),
    /// A mixture of earlier terms is the same.
    InOthers,
}

impl fmt::Display for Identified {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Identified::Yes => f.write_str("can be told"),
            Identified::OneLevel => f.write_str("one level only"),
            Identified::InFixed => f.write_str("the fixed effects explain it"),
            Identified::IsResidual => f.write_str("one value a level, so that it is part of the residual"),
            Identified::SameAs(_) => f.write_str("goes together with another effect everywhere"),
            Identified::InOthers => f.write_str("cannot be told from other effects together"),
        }
    }
}

/// Why a mixed model cannot be fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum MixedError {
    /// Values, fixed columns and terms are not equally long.
    #[error("the values and the columns of a mixed model differ in length")]
    Lengths,
    /// A value is NaN or infinite.
    #[error("a mixed model holds a value that is not finite; leave missing values out first")]
    NotFinite,
    /// As many unknowns as rows, or more.
    #[error("a mixed model needs more values than it has effects: {rows} values, {unknowns} unknown")]
    TooFew { rows: usize, unknowns: usize },
    /// A fixed effect that those before it explain.
    #[error("fixed effect {column} of a mixed model is explained by those before it")]
    FixedDependent { column: usize },
    /// The design cannot tell a term's variance.
    #[error("term {term} of a mixed model: {why}")]
    NotIdentified { term: usize, why: Identified },
    /// Nothing is left for the residual.
    #[error("the effects of a mixed model explain every value, so that no error is left")]
    NoResidual,
    /// The search came to no end.
    #[error("a mixed model has no point of highest likelihood that could be found")]
    NotFound,
}

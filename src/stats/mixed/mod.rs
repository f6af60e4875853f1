//! Linear mixed models: crossed and nested random effects of unbalanced, incomplete data by restricted maximum
//! likelihood (REML).
//!
//! y = Xβ + Σ Z_k b_k + e, b_k ~ N(0, φ_k I), e ~ N(0, σ² I); a level of each random term for every row. The deviance is
//! profiled over β and σ², so that only θ_k = √(φ_k/σ²) are searched (METHODS.md §13).

mod design;
mod error;
mod fit;
mod generalised;
mod identify;
mod inference;
mod minimise;
mod sparse;
mod system;
mod term;

pub use design::MixedDesign;
pub use error::{Identified, MixedError};
pub use fit::{FixedEffect, VarianceInformation, MixedFit};
pub use generalised::VarianceDraws;
pub use term::RandomTerm;

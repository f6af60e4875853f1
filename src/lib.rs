//! tautpoint measures manual spinal palpation.
//!
//! Data flows one way; each module imports only those named before it here.

#![forbid(unsafe_code)]
// Without `internals` nothing but the program reaches some of what tests look at.
#![cfg_attr(not(feature = "internals"), allow(dead_code, unused_imports))]

/// The rooms of the crate, in the order data flows through them. They are private: what is promised is re-exported.
/// The project's own tests and benches look inside by the feature `internals`, which promises nothing.
macro_rules! rooms {
    ($($(#[$gate:meta])* mod $room:ident;)*) => {$(
        $(#[$gate])*
        #[cfg(feature = "internals")]
        #[doc(hidden)]
        pub mod $room;
        $(#[$gate])*
        #[cfg(not(feature = "internals"))]
        mod $room;
    )*};
}

rooms! {
    mod error;
    mod units;
    mod terms;
    mod format;
    mod stats;
    mod settings;
    mod columns;
    mod trace;
    mod study;
    mod calibrate;
    mod mat;
    mod read;
    mod write;
    mod signal;
    mod simulate;
    mod instrument;
    mod acquire;
    mod compare;
    mod agreement;
    mod technique;
    mod results;
    mod batch;
    mod cohort;
    mod plot;
    mod report;
    mod live;
    mod session;
}

/// The program; public for `main.rs` alone.
#[doc(hidden)]
pub mod cli;

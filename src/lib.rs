//! tautpoint measures manual spinal palpation.
//!
//! Data flows one way; each module imports only those named before it here.

#![forbid(unsafe_code)]

/// The rooms of the crate, in the order data flows through them. They are private: what is promised is re-exported
/// below. The project's own tests and benches look inside by the feature `internals`, which promises nothing.
macro_rules! rooms {
    ($($(#[$gate:meta])* $room:ident;)*) => {$(
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
    error;
    units;
    settings;
    columns;
    trace;
    study;
    stats;
    calibrate;
    mat;
    read;
    write;
    signal;
    simulate;
    instrument;
    acquire;
    compare;
    agreement;
    technique;
    plot;
    report;
    batch;
    cohort;
    live;
}

/// The program. It is public for `main.rs` alone.
#[doc(hidden)]
pub mod cli;

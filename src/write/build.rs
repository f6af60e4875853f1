//! What this program is: which build, by which compiler, for which platform.

use serde_json::{Value, json};

/// Fingerprint of this build: its sources, dependencies, features, target and compiler.
pub const BUILD: &str = env!("TAUTPOINT_BUILD");
/// The compiler's name and version, as it says them.
const COMPILER: &str = env!("TAUTPOINT_COMPILER");
/// The platform it was built for.
const PLATFORM: &str = env!("TAUTPOINT_PLATFORM");

/// The three as `run.json` and the JSON of an analysis name them.
pub fn build() -> Value {
    json!({ "fingerprint": BUILD, "compiler": COMPILER, "platform": PLATFORM })
}

//! Makes the fingerprint of the build: what two programs must share so that one may go on from what the other kept.
//!
//! It is a hash of the sources, the manifest, the locked dependencies, the features, the target and the compiler, and of
//! nothing that differs between two builds of the same: no path, no time.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

fn main() {
    let mut files = Vec::new();
    files_under(Path::new("src"), &mut files);
    files.sort();
    files.extend(["build.rs", "Cargo.toml", "Cargo.lock"].map(PathBuf::from));
    let mut hash = Fnv::new();
    for file in &files {
        // Cargo.lock is not there in every package.
        let Ok(bytes) = fs::read(file) else { continue };
        hash.part(file.to_string_lossy().replace('\\', "/").as_bytes());
        hash.part(&bytes);
    }
    let set = |(name, _): &(String, String)| name.starts_with("CARGO_FEATURE_");
    let mut features: Vec<(String, String)> = std::env::vars().filter(set).collect();
    features.sort();
    for (feature, _) in &features {
        hash.part(feature.as_bytes());
    }
    hash.part(std::env::var("TARGET").unwrap_or_default().as_bytes());
    let compiler = compiler();
    hash.part(&compiler);
    println!("cargo::rustc-env=TAUTPOINT_BUILD={:032x}", hash.0);
    let named = String::from_utf8_lossy(&compiler);
    println!(
        "cargo::rustc-env=TAUTPOINT_COMPILER={}",
        named.lines().next().unwrap_or("unknown")
    );
    println!(
        "cargo::rustc-env=TAUTPOINT_PLATFORM={}",
        std::env::var("TARGET").unwrap_or_default()
    );
    for watched in ["src", "build.rs", "Cargo.toml", "Cargo.lock"] {
        if Path::new(watched).exists() {
            println!("cargo::rerun-if-changed={watched}");
        }
    }
}

fn files_under(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() {
            files_under(&path, files);
        } else {
            files.push(path);
        }
    }
}

/// What the compiler says of its version.
fn compiler() -> Vec<u8> {
    let compiler = std::env::var_os("RUSTC").unwrap_or_else(|| "rustc".into());
    let told = Command::new(compiler).arg("-vV").output();
    told.map(|o| o.stdout).unwrap_or_default()
}

/// FNV-1a of 128 bits (Fowler, Noll and Vo; parameters as in IETF RFC 9923): no secret is kept by it.
struct Fnv(u128);

impl Fnv {
    fn new() -> Fnv {
        Fnv(0x6c62_272e_07bb_0142_62b8_2175_6295_c58d)
    }

    /// Takes in a part, its length first, so that two parts are not the same as one.
    fn part(&mut self, bytes: &[u8]) {
        for byte in (bytes.len() as u64).to_le_bytes().iter().chain(bytes) {
            self.0 = (self.0 ^ u128::from(*byte)).wrapping_mul(0x0100_0000_0000_0000_0000_013b);
        }
    }
}

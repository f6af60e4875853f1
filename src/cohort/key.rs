//! The key of what was shared: a secret and which code stands for which, in a file that stays in the lab.

use crate::study::door::{self, FileKind};
use crate::error::{Error, Result};
use crate::read::hex;
use crate::write::{lock_file, write_new_private, write_private_file_whole};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use toml::{Table, Value};

const SECRET_LENGTH: usize = 32;

/// What is replaced, each with codes of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum CodeKind {
    Subject,
    Examiner,
    Session,
    Site,
    Group,
    Posture,
}

impl CodeKind {
    pub fn word(self) -> &'static str {
        match self {
            CodeKind::Subject => "subject",
            CodeKind::Examiner => "examiner",
            CodeKind::Session => "session",
            CodeKind::Site => "site",
            CodeKind::Group => "group",
            CodeKind::Posture => "posture",
        }
    }

    const ALL: [CodeKind; 6] = [
        CodeKind::Subject,
        CodeKind::Examiner,
        CodeKind::Session,
        CodeKind::Site,
        CodeKind::Group,
        CodeKind::Posture,
    ];
}

/// The secret, and what was replaced by what.
pub(super) struct PseudonymKey {
    path: PathBuf,
    secret: [u8; SECRET_LENGTH],
    given: Mutex<BTreeMap<(CodeKind, String), String>>,
}

impl PseudonymKey {
    /// Opens a key file, or begins one with a new secret.
    ///
    /// # Errors
    /// [`Error::Refused`] when the file is there and holds no secret, [`Error::Io`] when it cannot be read or
    /// this system gives no random bytes.
    pub fn open(path: &Path) -> Result<PseudonymKey> {
        if path.symlink_metadata().is_err() {
            let key = PseudonymKey {
                path: path.to_owned(),
                secret: new_secret()?,
                given: Mutex::default(),
            };
            // Whoever is first begins the file; all others go on with what is in it.
            if write_new_private(path, key.text().as_bytes())? {
                return Ok(key);
            }
        }
        let advice = "check that the key file may be read";
        let text = door::read_to_string(path, FileKind::Hashes).map_err(|e| Error::io(path, e, advice))?;
        PseudonymKey::parse(path, &text)
    }

    fn parse(path: &Path, text: &str) -> Result<PseudonymKey> {
        let mut given = BTreeMap::new();
        let no = || Error::Refused {
            found: format!("{} is no key file", path.display()),
            advice: "name the key file of earlier sharing, or a new file".to_owned(),
        };
        let table: Table = text.parse().map_err(|_| no())?;
        for kind in CodeKind::ALL {
            let codes = table.get(kind.word()).and_then(Value::as_table);
            for (code, shared) in codes.into_iter().flatten() {
                let shared = shared.as_str().ok_or_else(no)?;
                given.insert((kind, code.clone()), shared.to_owned());
            }
        }
        let secret = table.get("secret").and_then(Value::as_str);
        Ok(PseudonymKey {
            path: path.to_owned(),
            secret: secret.and_then(bytes_of_hex).ok_or_else(no)?,
            given: Mutex::new(given),
        })
    }

    /// Writes the key file with everything replaced so far, by this run and by others with the same key meanwhile.
    ///
    /// # Errors
    /// As [`write_private_file_whole`]; [`Error::Refused`] when the file holds another secret by now.
    pub fn save(&self) -> Result<()> {
        let advice = "check that the key file may be read and written";
        let _alone = lock_file(&self.path).map_err(|e| Error::io(&self.path, e, advice))?;
        let text = door::read_to_string(&self.path, FileKind::Hashes).map_err(|e| Error::io(&self.path, e, advice))?;
        let now = PseudonymKey::parse(&self.path, &text)?;
        if now.secret != self.secret {
            return Err(Error::Refused {
                found: format!("{} holds another secret than when this run began", self.path.display()),
                advice: "nothing was written; run it again".to_owned(),
            });
        }
        let others = now.given.into_inner().unwrap_or_else(PoisonError::into_inner);
        self.lock().extend(others);
        write_private_file_whole(&self.path, self.text().as_bytes())
    }

    fn lock(&self) -> MutexGuard<'_, BTreeMap<(CodeKind, String), String>> {
        self.given.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn text(&self) -> String {
        let mut text = format!(
            "# Keep this file in the lab, apart from what is shared: whoever has it can tell who is who.\n\
             # Each code of the lab with the one that stands for it. To withdraw somebody, look the code up here.\n\
             format = 1\nsecret = \"{}\"\n",
            hex(&self.secret)
        );
        let given = self.lock();
        for kind in CodeKind::ALL {
            let codes: Vec<_> = given.iter().filter(|((k, _), _)| *k == kind).collect();
            if !codes.is_empty() {
                let _ = write!(text, "\n[{}]\n", kind.word());
            }
            for ((_, code), shared) in codes {
                let code = Value::String(code.clone()).to_string();
                let _ = writeln!(text, "{code} = \"{shared}\"");
            }
        }
        text
    }

    pub fn hash(&self, kind: &str, text: &str) -> [u8; 32] {
        // Two rounds, the outer one over a hash of fixed length: nobody can lengthen a known text.
        let inner = Sha256::digest([self.secret.as_slice(), kind.as_bytes(), &[0], text.as_bytes()].concat());
        Sha256::digest([self.secret.as_slice(), &inner].concat()).into()
    }

    /// What stands for a code, always the same.
    pub fn code(&self, kind: CodeKind, code: &str) -> String {
        let mut given = self.lock();
        let known = given.entry((kind, code.to_owned()));
        known
            .or_insert_with(|| {
                let hash = self.hash(kind.word(), code);
                format!("{}-{}", kind.word(), &hex(&hash)[..12])
            })
            .clone()
    }
}

/// Bytes that nobody can guess.
fn new_secret() -> Result<[u8; SECRET_LENGTH]> {
    let mut secret = [0; SECRET_LENGTH];
    getrandom::fill(&mut secret).map_err(|e| Error::Refused {
        found: format!("this system gives no random bytes ({e})"),
        advice: "make the key file on another machine and bring it here".to_owned(),
    })?;
    Ok(secret)
}

fn bytes_of_hex(text: &str) -> Option<[u8; SECRET_LENGTH]> {
    if text.len() != 2 * SECRET_LENGTH || !text.is_ascii() {
        return None;
    }
    let mut bytes = [0; SECRET_LENGTH];
    for (i, byte) in bytes.iter_mut().enumerate() {
        *byte = u8::from_str_radix(text.get(2 * i..2 * i + 2)?, 16).ok()?;
    }
    Some(bytes)
}

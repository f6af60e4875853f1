//! Who may see and do what: a token for the teacher, one for whoever only looks, one for each table.
//!
//! Tokens are kept in the study's folder, in a file that only its owner can read, so that a tablet that was let in stays in
//! when the program is started again. They end by themselves, and can be replaced, which shuts out whoever holds the old one.

use crate::error::{Error, Result};
use crate::live::server::new_token;
use crate::study::door::{self, FileKind};
use crate::write::{refuse_link, write_private_file_whole};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Name of the file in the study's folder.
pub const FILE_NAME: &str = door::DESK_ACCESS;
/// A teacher's token lasts a term's month: the address is in a browser's bookmarks.
const TEACHER_LASTS: Duration = Duration::from_hours(30 * 24);
/// A table's or a projector's lasts a long day.
const OTHERS_LAST: Duration = Duration::from_hours(16);

/// A table, by the number that it was given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct TableId(pub u32);

/// What a token is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum PageRole {
    /// Sees and does everything.
    Teacher,
    /// Sees the room, and does nothing.
    Look,
    /// Sees and does what belongs to one table.
    Table(TableId),
}

impl PageRole {
    /// As the file and the pages' addresses have it: `teacher`, `look`, `table-3`.
    pub fn word(self) -> String {
        match self {
            PageRole::Teacher => "teacher".to_owned(),
            PageRole::Look => "look".to_owned(),
            PageRole::Table(id) => format!("table-{}", id.0),
        }
    }

    /// The role of a word.
    pub fn parse(word: &str) -> Option<PageRole> {
        match word {
            "teacher" => Some(PageRole::Teacher),
            "look" => Some(PageRole::Look),
            _ => Some(PageRole::Table(TableId(word.strip_prefix("table-")?.parse().ok()?))),
        }
    }

    /// Where its page is; what lies under it is what its token is good for.
    pub fn path(self) -> String {
        match self {
            PageRole::Teacher => "/".to_owned(),
            PageRole::Look => "/look/".to_owned(),
            PageRole::Table(id) => format!("/table/{}/", id.0),
        }
    }

    /// Whether it may do what is there for another.
    pub fn may(self, wanted: PageRole) -> bool {
        self == PageRole::Teacher || self == wanted
    }

    fn lasts(self) -> Duration {
        match self {
            PageRole::Teacher => TEACHER_LASTS,
            PageRole::Look | PageRole::Table(_) => OTHERS_LAST,
        }
    }
}

/// A token, and when it ends, in seconds since 1970.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Token {
    pub token: String,
    pub ends_unix_s: u64,
}

/// The tokens of a study; by default none, and not kept yet.
#[derive(Default)]
pub struct Access {
    /// `None` until there is a folder.
    path: Option<PathBuf>,
    tokens: BTreeMap<String, Token>,
}

/// Now, in seconds since 1970.
pub fn unix_s() -> u64 {
    SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |d| d.as_secs())
}

impl Access {
    /// Keeps the tokens in a study's folder from here on, and takes up those that are there and have not ended. The one that
    /// the teacher holds already stays.
    ///
    /// # Errors
    /// [`Error::Io`] when the file cannot be read or written.
    pub fn keep_in(&mut self, root: &Path) -> Result<()> {
        let path = root.join(FILE_NAME);
        let text = match door::read_to_string(&path, FileKind::Settings) {
            Ok(text) => text,
            // One that is no text lets nobody in.
            Err(e) if matches!(e.kind(), ErrorKind::NotFound | ErrorKind::InvalidData) => String::new(),
            Err(e) => return Err(Error::io(&path, e, "remove it: new addresses are then made")),
        };
        // A file that nobody can read lets nobody in: new tokens take its place.
        let kept: BTreeMap<String, Token> = toml::from_str(&text).unwrap_or_default();
        let now = unix_s();
        for (word, token) in kept {
            if PageRole::parse(&word).is_some() && token.ends_unix_s > now {
                self.tokens.entry(word).or_insert(token);
            }
        }
        self.path = Some(path);
        self.save(&self.tokens)
    }

    /// The token of a role; made when there is none, or it has ended.
    ///
    /// # Errors
    /// [`Error::Io`] when the system gives no random numbers, or the file cannot be written.
    pub fn token(&mut self, role: PageRole) -> Result<Token> {
        match self.tokens.get(&role.word()) {
            Some(token) if token.ends_unix_s > unix_s() => Ok(token.clone()),
            _ => self.replace(role),
        }
    }

    /// A new token in place of the old one, which is good for nothing from here on.
    ///
    /// # Errors
    /// As [`Access::token`].
    pub fn replace(&mut self, role: PageRole) -> Result<Token> {
        let token = Token {
            token: new_token()?,
            ends_unix_s: unix_s() + role.lasts().as_secs(),
        };
        let mut tokens = self.tokens.clone();
        tokens.insert(role.word(), token.clone());
        self.save(&tokens)?;
        self.tokens = tokens;
        Ok(token)
    }

    /// Forgets a role's token: its table is gone.
    ///
    /// # Errors
    /// [`Error::Io`] when the file cannot be written.
    pub fn revoke(&mut self, role: PageRole) -> Result<()> {
        let mut tokens = self.tokens.clone();
        tokens.remove(&role.word());
        self.save(&tokens)?;
        self.tokens = tokens;
        Ok(())
    }

    /// Roles whose tokens have ended; they are forgotten.
    pub fn take_ended(&mut self) -> Vec<PageRole> {
        let now = unix_s();
        let ended: Vec<String> = self.tokens.iter().filter(|(_, t)| t.ends_unix_s <= now).map(|(w, _)| w.clone()).collect();
        ended.iter().for_each(|word| drop(self.tokens.remove(word)));
        ended.iter().filter_map(|word| PageRole::parse(word)).collect()
    }

    /// Whose token this is, unless it has ended.
    pub fn role_of(&self, given: &str) -> Option<PageRole> {
        let now = unix_s();
        let mut found = None;
        // Every token is looked at, so that how long it takes tells nothing.
        for (word, token) in &self.tokens {
            if same(&token.token, given) && token.ends_unix_s > now {
                found = PageRole::parse(word);
            }
        }
        found
    }

    fn save(&self, tokens: &BTreeMap<String, Token>) -> Result<()> {
        let Some(path) = &self.path else { return Ok(()) };
        refuse_link(path)?;
        let unwritable = |e: toml::ser::Error| Error::Refused {
            found: format!("tokens that cannot be written: {e}"),
            advice: "this is a fault of the program; please report it".to_owned(),
        };
        let tokens = toml::to_string(tokens).map_err(unwritable)?;
        let text = format!(
            "# Addresses of the pages end in these tokens. Whoever has one may see, or do, what its page shows: give this file to nobody.\n\n{tokens}"
        );
        write_private_file_whole(path, text.as_bytes())
    }
}

/// Whether two texts are the same; takes the same time for every wrong one of that length.
fn same(a: &str, b: &str) -> bool {
    let differ = a.bytes().zip(b.bytes()).fold(0, |d, (x, y)| d | (x ^ y));
    a.len() == b.len() && std::hint::black_box(differ) == 0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_survives_a_restart_until_it_ends_or_is_replaced() {
        let dir = tempfile::tempdir().unwrap();
        let table = PageRole::Table(TableId(3));
        let mut access = Access::default();
        let teacher = access.token(PageRole::Teacher).unwrap();
        access.keep_in(dir.path()).unwrap();
        let tablet = access.token(table).unwrap();
        assert_eq!(access.role_of(&tablet.token), Some(table));

        let mut again = Access::default();
        again.keep_in(dir.path()).unwrap();
        assert_eq!(again.role_of(&tablet.token), Some(table));
        assert_eq!(again.role_of(&teacher.token), Some(PageRole::Teacher));
        assert_eq!(again.token(table).unwrap(), tablet);
        let new = again.replace(table).unwrap();
        assert_eq!((again.role_of(&tablet.token), again.role_of(&new.token)), (None, Some(table)));
        again.tokens.get_mut("table-3").unwrap().ends_unix_s = unix_s();
        assert_eq!(again.role_of(&new.token), None, "it has ended");
        again.revoke(PageRole::Teacher).unwrap();
        assert_eq!(again.role_of(&teacher.token), None);
        for nobody in ["", "x", &"0".repeat(32)] {
            assert_eq!(again.role_of(nobody), None);
        }
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let mode = std::fs::metadata(dir.path().join(FILE_NAME)).unwrap().permissions().mode();
            assert_eq!(mode & 0o077, 0, "nobody else reads it");
        }
    }

    #[test]
    fn a_table_may_do_what_is_its_own_and_a_teacher_everything() {
        let tables = [1, 2].map(|n| PageRole::Table(TableId(n)));
        assert!(PageRole::Teacher.may(tables[0]) && PageRole::Teacher.may(PageRole::Look));
        assert!(tables[0].may(tables[0]) && !tables[0].may(tables[1]));
        assert!(!tables[0].may(PageRole::Look) && !PageRole::Look.may(tables[0]) && !PageRole::Look.may(PageRole::Teacher));
        for role in [PageRole::Teacher, PageRole::Look, tables[1]] {
            assert_eq!(PageRole::parse(&role.word()), Some(role));
        }
        for word in ["table-", "table-x", "table-4294967296", "root", ""] {
            assert_eq!(PageRole::parse(word), None, "{word}");
        }
    }
}

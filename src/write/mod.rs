//! Files and result folders, written whole or not at all.
//!
//! What is promised holds against a kill of the program at any moment, not against loss of power: folders are not
//! forced to the disk, since results can be made again from the recordings.

mod build;
mod folder;
mod guard;
mod new_file;
mod new_folder;
mod staging;

pub use build::{BUILD, build};
pub use folder::{Fill, OutputFolder};
pub use new_file::{lock_file, parent_folder, refuse_existing, write_new, write_new_private};
pub use new_folder::NewFolder;

pub use crate::read::sha256_hex;

use crate::error::{Error, Result};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use tempfile::NamedTempFile;

/// Writes a file whole or not at all: into a temporary file beside it, then renamed over it. Mode 0644.
///
/// A link is followed, so that the file it points to is replaced.
///
/// # Errors
/// [`Error::Refused`] when something that is no ordinary file has that name; [`Error::Io`] when the system will not
/// write. Either way what was there stays as it was.
pub fn write_file_whole(path: &Path, bytes: &[u8]) -> Result<()> {
    write_whole(path, bytes, FILE_MODE)
}

/// The same for what nobody else on this machine may read, at no moment. Mode 0600.
///
/// # Errors
/// As [`write_file_whole`].
pub fn write_private_file_whole(path: &Path, bytes: &[u8]) -> Result<()> {
    write_whole(path, bytes, PRIVATE_MODE)
}

/// Writes files that belong together, each whole: all of them, or none when the system will not write one. Mode 0644.
///
/// # Errors
/// As [`write_file_whole`].
pub fn write_files_whole(files: &[(&Path, &[u8])]) -> Result<()> {
    let staged: Vec<Staged> = files
        .iter()
        .map(|(path, bytes)| Staged::write(path, bytes, FILE_MODE))
        .collect::<Result<_>>()?;
    let mut placed: Vec<Placed> = Vec::new();
    for one in staged {
        match one.place() {
            Ok(done) => placed.push(done),
            Err(error) => {
                placed.into_iter().rev().for_each(Placed::undo);
                return Err(error);
            }
        }
    }
    placed.into_iter().for_each(Placed::keep);
    Ok(())
}

const WRITE_ADVICE: &str = "check that the folder exists and may be written, and that the disk is not full";

fn write_whole(path: &Path, bytes: &[u8], mode: u32) -> Result<()> {
    let staged = Staged::write(path, bytes, mode)?;
    let renamed = staged.file.persist(&staged.target).map_err(|e| e.error);
    renamed.map(|_| ()).map_err(|e| Error::io(path, e, WRITE_ADVICE))
}

/// A file's new content, whole and on the disk under another name beside it.
struct Staged {
    path: PathBuf,
    target: PathBuf,
    file: NamedTempFile,
}

impl Staged {
    fn write(path: &Path, bytes: &[u8], mode: u32) -> Result<Staged> {
        let target = fs::canonicalize(path).unwrap_or_else(|_| path.to_owned());
        if target.exists() && !target.is_file() {
            return Err(Error::Refused {
                found: format!("{} is not an ordinary file", path.display()),
                advice: "give the name of a file".to_owned(),
            });
        }
        let parent = match target.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => parent,
            _ => Path::new("."),
        };
        let write = || -> std::io::Result<NamedTempFile> {
            let mut file = tempfile::Builder::new()
                .prefix(".tautpoint-")
                .tempfile_in(parent)?;
            file.write_all(bytes)?;
            file.as_file().sync_all()?;
            set_mode(file.path(), mode)?;
            Ok(file)
        };
        let file = write().map_err(|e| Error::io(path, e, WRITE_ADVICE))?;
        Ok(Staged {
            path: path.to_owned(),
            target,
            file,
        })
    }

    /// Puts it in its place; what was there is kept aside until all of its company is in place too.
    fn place(self) -> Result<Placed> {
        let failed = |e| Error::io(&self.path, e, WRITE_ADVICE);
        let aside = match self.target.exists() {
            true => {
                let aside = self.file.path().with_extension("before");
                // By a second name, so that a kill at any moment leaves one of both under the first.
                let linked = fs::hard_link(&self.target, &aside);
                linked.or_else(|_| fs::copy(&self.target, &aside).map(drop)).map_err(failed)?;
                Some(aside)
            }
            false => None,
        };
        let placed = Placed {
            target: self.target,
            aside,
        };
        match self.file.persist(&placed.target) {
            Ok(_) => Ok(placed),
            Err(e) => {
                placed.undo();
                Err(Error::io(&self.path, e.error, WRITE_ADVICE))
            }
        }
    }
}

/// A file in its place, and what was there before.
struct Placed {
    target: PathBuf,
    aside: Option<PathBuf>,
}

impl Placed {
    fn undo(self) {
        let _ = match self.aside {
            Some(aside) => fs::rename(aside, &self.target),
            None => fs::remove_file(&self.target),
        };
    }

    fn keep(self) {
        if let Some(aside) = self.aside {
            let _ = fs::remove_file(aside);
        }
    }
}

/// Refuses what is neither an ordinary file nor free: a link would have the file that it leads to emptied, a pipe never
/// end. For files of the program's own, which nobody has a reason to put elsewhere.
///
/// # Errors
/// [`Error::Refused`].
pub fn refuse_link(path: &Path) -> Result<()> {
    let Ok(there) = fs::symlink_metadata(path) else {
        return Ok(());
    };
    if there.is_file() {
        return Ok(());
    }
    let what = match there.is_symlink() {
        true => "a link",
        false => "no ordinary file",
    };
    Err(Error::Refused {
        found: format!("{} is {what}", path.display()),
        advice: "the program keeps a file of its own under that name: remove what is there and run again; what a link leads \
                 to stays as it is"
            .to_owned(),
    })
}

const FILE_MODE: u32 = 0o644;
const PRIVATE_MODE: u32 = 0o600;
const FOLDER_MODE: u32 = 0o755;

/// Sets the permissions, where the system has them: temporary files and folders begin closed to everybody else.
#[cfg(unix)]
fn set_mode(path: &Path, mode: u32) -> std::io::Result<()> {
    use std::os::unix::fs::PermissionsExt;
    fs::set_permissions(path, fs::Permissions::from_mode(mode))
}

#[cfg(not(unix))]
fn set_mode(_path: &Path, _mode: u32) -> std::io::Result<()> {
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_hash_of_abc_is_the_published_one() {
        // FIPS 180-4, example of SHA-256 for the message "abc" (NIST, Cryptographic Standards: Examples with values).
        assert_eq!(
            sha256_hex(b"abc"),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    #[test]
    fn a_file_is_replaced_and_nothing_else_is_left_beside_it() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("out.json");
        write_file_whole(&path, b"first").unwrap();
        write_file_whole(&path, b"second").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"second");
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
    }

    #[test]
    fn files_that_belong_together_are_all_written_or_none() {
        let dir = tempfile::tempdir().unwrap();
        let (first, second) = (dir.path().join("a.toml"), dir.path().join("a.html"));
        let both = |a: &[u8], b: &[u8]| write_files_whole(&[(&first, a), (&second, b)]);
        both(b"1", b"2").unwrap();
        both(b"3", b"4").unwrap();
        assert_eq!((fs::read(&first).unwrap(), fs::read(&second).unwrap()), (b"3".to_vec(), b"4".to_vec()));
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 2);
        // The second cannot be written: the first stays what it was.
        fs::remove_file(&second).unwrap();
        fs::create_dir(&second).unwrap();
        both(b"5", b"6").unwrap_err();
        assert_eq!(fs::read(&first).unwrap(), b"3");
        // Nor when it cannot be put in its place.
        let staged = Staged::write(&first, b"7", FILE_MODE).unwrap();
        staged.place().unwrap().undo();
        assert_eq!(fs::read(&first).unwrap(), b"3");
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 2);
    }

    #[test]
    fn a_folder_is_not_overwritten_by_a_file() {
        let dir = tempfile::tempdir().unwrap();
        let error = write_file_whole(dir.path(), b"x").unwrap_err();
        assert!(error.to_string().contains("not an ordinary file"), "{error}");
    }

    #[cfg(unix)]
    #[test]
    fn the_programs_own_files_are_reached_through_no_link() {
        let dir = tempfile::tempdir().unwrap();
        let (own, other) = (dir.path().join("own"), dir.path().join("thesis.txt"));
        refuse_link(&own).unwrap();
        fs::write(&own, "").unwrap();
        refuse_link(&own).unwrap();
        fs::remove_file(&own).unwrap();
        std::os::unix::fs::symlink(&other, &own).unwrap();
        for there in [false, true] {
            if there {
                fs::write(&other, "x").unwrap();
            }
            let error = refuse_link(&own).unwrap_err().to_string();
            assert!(error.contains("own is a link"), "{error}");
        }
        assert!(refuse_link(dir.path()).unwrap_err().to_string().contains("no ordinary file"));
    }

    #[cfg(unix)]
    #[test]
    fn a_file_may_be_read_by_everybody_and_a_private_one_by_nobody_else() {
        use std::os::unix::fs::PermissionsExt;
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("out.json");
        let mode = || fs::metadata(&path).unwrap().permissions().mode() & 0o777;
        write_file_whole(&path, b"x").unwrap();
        assert_eq!(mode(), 0o644);
        write_private_file_whole(&path, b"x").unwrap();
        assert_eq!(mode(), 0o600);
    }
}

//! The guide (README.md and docs/): its commands run, its links resolve, its keys and pictures are the program's.

mod commands;
mod links;
pub mod markdown;
mod settings;

use std::path::{Path, PathBuf};

const ROOT: &str = env!("CARGO_MANIFEST_DIR");

/// A page of the project, with its path from the root.
struct Page {
    path: String,
    text: String,
}

impl Page {
    fn read(path: &str) -> Page {
        let text = std::fs::read_to_string(Path::new(ROOT).join(path));
        let text = text.unwrap_or_else(|e| panic!("{path}: {e}"));
        Page {
            path: path.to_owned(),
            text: text.replace("\r\n", "\n"),
        }
    }
}

fn in_folder(folder: &str, ending: &str) -> Vec<String> {
    let dir: PathBuf = Path::new(ROOT).join(folder);
    let mut names: Vec<String> = std::fs::read_dir(&dir)
        .unwrap_or_else(|e| panic!("{folder}: {e}"))
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.ends_with(ending))
        .map(|name| format!("{folder}/{name}"))
        .collect();
    names.sort();
    names
}

/// README.md and every page of docs/.
fn guide() -> Vec<Page> {
    let mut paths = vec!["README.md".to_owned()];
    paths.extend(in_folder("docs", ".md"));
    paths.iter().map(|path| Page::read(path)).collect()
}

#[test]
fn the_readme_is_short_and_every_page_is_in_the_index() {
    let readme = Page::read("README.md").text;
    let lines = readme.lines().count();
    assert!(lines <= 150, "README.md has {lines} lines");
    let index = Page::read("docs/README.md").text;
    for page in in_folder("docs", ".md") {
        let name = page.strip_prefix("docs/").unwrap();
        if name != "README.md" {
            assert!(index.contains(&format!("]({name})")), "docs/README.md: {name}");
        }
        assert!(readme.contains(&format!("]({page})")), "README.md: {page}");
    }
}

#[test]
fn every_picture_is_shown_and_made_by_the_script() {
    let script = Page::read("docs/pictures/make.sh").text;
    let pages: String = guide().into_iter().map(|p| p.text).collect();
    let mut pictures = in_folder("docs/pictures", ".svg");
    pictures.extend(in_folder("docs/pictures", ".png"));
    assert!(pictures.len() > 10, "{pictures:?}");
    for picture in pictures {
        let name = picture.rsplit('/').next().unwrap();
        assert!(
            pages.contains(&format!("pictures/{name})")),
            "{name} is shown nowhere"
        );
        assert!(script.contains(name), "make.sh does not make {name}");
        let size = std::fs::metadata(Path::new(ROOT).join(&picture)).unwrap().len();
        assert!(size < 120_000, "{name} has {size} bytes");
    }
}

#[test]
fn changelog_and_citation_name_this_version() {
    let version = env!("CARGO_PKG_VERSION");
    let changelog = Page::read("CHANGELOG.md").text;
    assert!(changelog.contains(&format!("\n## [{version}] - ")));
    let citation = Page::read("CITATION.cff").text;
    assert!(citation.contains(&format!("\nversion: {version}\n")));
}

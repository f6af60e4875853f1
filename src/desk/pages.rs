//! The pages as they are sent: one head, one frame, and a body each. What they show comes by questions.

use std::sync::LazyLock;

const HEAD: &str = include_str!("page/head.html");
const FRAME: &str = include_str!("page/frame.html");
const WAY: &str = "<nav id=\"pages\" aria-label=\"Pages of the desk\"></nav>";
const SUMMARY: &str = "<p id=\"summary\" role=\"status\" class=\"quiet\"></p>";

/// The teacher's pages: path, and the whole page.
static TEACHER: LazyLock<[(&str, String); 5]> = LazyLock::new(|| {
    let page = |title, module, body| framed(title, module, body, "", WAY);
    [
        ("/", page("Study", "study", include_str!("page/study.html"))),
        ("/people", page("People", "people", include_str!("page/people.html"))),
        ("/tables", page("Tables", "tables", include_str!("page/tables.html"))),
        ("/room", page("Room", "room", include_str!("page/room.html"))),
        ("/after", page("After", "after", include_str!("page/after.html"))),
    ]
});
static LOOK: LazyLock<String> =
    LazyLock::new(|| framed("Room", "room", include_str!("page/look.html"), " class=\"look\"", SUMMARY));
static TABLE: LazyLock<String> =
    LazyLock::new(|| include_str!("page/table.html").replace("{{head}}", &head("Table", "table")));

/// A page of the teacher's, by its path.
pub fn teacher(path: &str) -> Option<&'static str> {
    TEACHER.iter().find(|(p, _)| *p == path).map(|(_, page)| page.as_str())
}

/// The page that only looks.
pub fn look() -> &'static str {
    &LOOK
}

/// The page at a table.
pub fn table() -> &'static str {
    &TABLE
}

fn head(title: &str, module: &str) -> String {
    HEAD.replace("{{title}}", title).replace("{{module}}", module)
}

fn framed(title: &str, module: &str, body: &str, class: &str, beside: &str) -> String {
    FRAME
        .replace("{{head}}", &head(title, module))
        .replace("{{class}}", class)
        .replace("{{title}}", title)
        .replace("{{beside}}", beside)
        .replace("{{body}}", body)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_page_is_whole() {
        let teacher = ["/", "/people", "/tables", "/room", "/after"].map(|path| teacher(path).unwrap());
        for page in teacher.into_iter().chain([look(), table()]) {
            assert!(page.starts_with("<!doctype html>") && page.ends_with("</html>\n"), "{page}");
            assert!(!page.contains("{{") && page.matches("<main").count() == 1, "{page}");
        }
        assert_eq!(super::teacher("/nothing"), None);
    }
}

//! As much of Markdown as the guide uses: fenced blocks, headings, links, code in a line.

/// A fenced block.
pub struct Block {
    /// The first word behind the fence: `sh`, `toml`, …
    pub language: String,
    /// The second word: the file that the block is the content of.
    pub file: Option<String>,
    /// Line of its first line, from 1.
    pub line: usize,
    pub lines: Vec<String>,
    /// The reason in `<!-- not run: … -->` above the block.
    pub not_run: Option<String>,
}

/// The fenced blocks of a page, and its lines outside of them.
pub fn split(text: &str) -> (Vec<Block>, Vec<(usize, &str)>) {
    let mut blocks: Vec<Block> = Vec::new();
    let mut prose = Vec::new();
    let mut open: Option<(Block, usize)> = None;
    let mut not_run = None;
    for (i, line) in text.lines().enumerate() {
        let bare = line.trim_start();
        let indent = line.len() - bare.len();
        match (&mut open, bare.strip_prefix("```")) {
            (None, Some(info)) => {
                let mut words = info.split_whitespace().map(str::to_owned);
                let block = Block {
                    language: words.next().unwrap_or_default(),
                    file: words.next(),
                    line: i + 2,
                    lines: Vec::new(),
                    not_run: not_run.take(),
                };
                open = Some((block, indent));
            }
            (Some(_), Some("")) => blocks.extend(open.take().map(|(block, _)| block)),
            (Some((block, indent)), _) => {
                let (head, rest) = line.split_at((*indent).min(line.len()));
                block.lines.push(format!("{}{rest}", head.trim_start()));
            }
            (None, None) => {
                if let Some(reason) = bare.strip_prefix("<!-- not run") {
                    not_run = Some(reason.trim_end_matches("-->").trim().to_owned());
                } else if !bare.is_empty() {
                    not_run = None;
                }
                prose.push((i + 1, line));
            }
        }
    }
    assert!(open.is_none(), "a fence is not closed");
    (blocks, prose)
}

/// The targets of links and pictures in a line: `[text](target)`.
pub fn links(line: &str) -> Vec<&str> {
    let behind = line.split("](").skip(1);
    behind.filter_map(|rest| rest.split(')').next()).collect()
}

/// Code in a line: `` `code` ``.
pub fn code_in(line: &str) -> Vec<&str> {
    line.split('`').skip(1).step_by(2).collect()
}

/// Anchors of a page's headings as GitHub makes them (from memory): small letters, spaces become hyphens, other
/// characters than letters, digits, hyphens and underscores fall away; a second one of the same name gets `-1`.
pub fn anchors(text: &str) -> Vec<String> {
    let (_, prose) = split(text);
    let mut found: Vec<String> = Vec::new();
    for (_, line) in prose {
        let heading = line.trim_start_matches('#');
        if heading.len() == line.len() || !heading.starts_with(' ') {
            continue;
        }
        let slug: String = heading
            .trim()
            .to_lowercase()
            .chars()
            .filter_map(|c| match c {
                ' ' => Some('-'),
                c if c.is_alphanumeric() || c == '-' || c == '_' => Some(c),
                _ => None,
            })
            .collect();
        let same = found
            .iter()
            .filter(|f| **f == slug || f.strip_prefix(&slug).is_some_and(|r| r.starts_with("-")))
            .count();
        found.push(match same {
            0 => slug,
            n if found.contains(&slug) => format!("{slug}-{n}"),
            _ => slug,
        });
    }
    found
}

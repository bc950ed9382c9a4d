//! The rules of the house: DEVELOPERS.md says which room may import which and what may be used where; this test reads
//! those tables and the sources and names each line that breaks a rule.
//!
//! Sources are read as tokens, so comments and strings never count, and what is only compiled for tests is left out.

#![cfg(test)]
#![allow(
    clippy::unwrap_used,
    reason = "a test that meets the unexpected should fail on the spot"
)]

mod crates;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use proc_macro2::{Delimiter, Group, TokenStream, TokenTree};

/// Lines of a source file at most, tests included.
const FILE_LINES: usize = 500;
/// Lines of a function's body at most, blank lines and comments aside; the same limit as in `clippy.toml`.
const FUNCTION_LINES: usize = 90;

#[test]
fn rooms_import_only_what_developers_md_allows() {
    let rules = Rules::read();
    let mut broken = String::new();
    let mut seen = BTreeSet::new();
    for file in sources() {
        let Some(room) = file.room() else { continue };
        let Some(allowed) = rules.imports.get(&room) else {
            let _ = writeln!(
                broken,
                "{}: `{room}` has no row in the table of rooms",
                file.name
            );
            continue;
        };
        seen.insert(room.clone());
        for import in file.imports() {
            let fine = import.room == room
                || rules.leaves.contains(&import.room)
                || matches!(allowed, Allowed::Everything)
                || matches!(allowed, Allowed::Rooms(rooms) if rooms.contains(&import.room));
            if !fine {
                let _ = writeln!(
                    broken,
                    "{}:{}: `{room}` may not import `{}`",
                    file.name, import.line, import.room
                );
            }
        }
    }
    for room in rules.imports.keys().filter(|room| !seen.contains(*room)) {
        let _ = writeln!(broken, "DEVELOPERS.md: there is no room `{room}`");
    }
    assert!(broken.is_empty(), "\n{broken}");
}

#[test]
fn what_is_kept_to_few_places_is_used_nowhere_else() {
    let rules = Rules::read();
    assert!(!rules.only_in.is_empty());
    let mut broken = String::new();
    for file in sources() {
        for rule in &rules.only_in {
            if rule.allowed.iter().any(|place| file.lies_in(place)) {
                continue;
            }
            for pattern in &rule.patterns {
                for line in file.uses(pattern) {
                    let _ = writeln!(
                        broken,
                        "{}:{line}: `{pattern}` belongs into {}",
                        file.name,
                        rule.allowed.join(", ")
                    );
                }
            }
        }
    }
    assert!(broken.is_empty(), "\n{broken}");
}

#[test]
fn pure_rooms_have_no_clock_files_threads_or_log() {
    let rules = Rules::read();
    assert!(!rules.pure.is_empty() && !rules.impure.is_empty());
    let mut broken = String::new();
    for file in sources() {
        if !file.room().is_some_and(|room| rules.pure.contains(&room)) {
            continue;
        }
        for pattern in &rules.impure {
            for line in file.uses(pattern) {
                let _ = writeln!(broken, "{}:{line}: `{pattern}` in a pure room", file.name);
            }
        }
    }
    assert!(broken.is_empty(), "\n{broken}");
}

#[test]
fn files_and_functions_are_short() {
    let mut broken = String::new();
    for file in sources_with_tests() {
        let lines = file.text.lines().count();
        if lines > FILE_LINES {
            let _ = writeln!(broken, "{}: {lines} lines, {FILE_LINES} at most", file.name);
        }
        for function in file.functions() {
            if function.lines > FUNCTION_LINES {
                let _ = writeln!(
                    broken,
                    "{}:{}: `{}` has {} lines, {FUNCTION_LINES} at most",
                    file.name, function.line, function.name, function.lines
                );
            }
        }
    }
    assert!(broken.is_empty(), "\n{broken}");
}

/// The checks see what they are meant to see: an edit of this file that makes them blind fails here.
#[test]
fn broken_rules_are_seen_with_their_lines() {
    let file = Source::parse(
        "src/coach/x.rs".into(),
        "//! Instant::now in prose\nuse crate::{page::Page, rep as r};\nuse super::super::sound::Cue;\nfn f() {\n    let s = \"crate::journal\";\n    \
         log!(crate::daemon::run());\n    let t = Instant::now();\n    unsafe { g() }\n}\n#[cfg(test)]\nmod tests {\n    use crate::video::Film;\n}\n"
            .into(),
    );
    let rooms: Vec<(String, usize)> = file
        .imports()
        .into_iter()
        .map(|i| (i.room, i.line))
        .collect();
    let expected = [("page", 2), ("rep", 2), ("sound", 3), ("daemon", 6)];
    assert_eq!(rooms, expected.map(|(room, line)| (room.to_owned(), line)));
    assert_eq!(file.uses("Instant::now"), [7]);
    assert_eq!(file.uses("unsafe"), [8]);
    let functions = file.functions();
    assert_eq!(
        (
            functions[0].name.as_str(),
            functions[0].line,
            functions[0].lines
        ),
        ("f", 4, 4)
    );
}

/// What DEVELOPERS.md demands.
struct Rules {
    imports: BTreeMap<String, Allowed>,
    /// Rooms that every other may import.
    leaves: BTreeSet<String>,
    only_in: Vec<OnlyIn>,
    pure: BTreeSet<String>,
    /// What no pure room uses.
    impure: Vec<String>,
}

enum Allowed {
    Everything,
    Rooms(BTreeSet<String>),
}

/// Something that is used in few places.
struct OnlyIn {
    patterns: Vec<String>,
    allowed: Vec<String>,
}

impl Rules {
    fn read() -> Self {
        let text = std::fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
        let mut rules = Self {
            imports: BTreeMap::new(),
            leaves: BTreeSet::new(),
            only_in: Vec::new(),
            pure: BTreeSet::new(),
            impure: Vec::new(),
        };
        for row in table(&text, "| room | holds | may import |") {
            let rooms: Vec<String> = quoted(&row[0])
                .iter()
                .filter_map(|path| room_at(path))
                .collect();
            for room in rooms {
                if row[2].contains("every room may import") {
                    rules.leaves.insert(room.clone());
                }
                let allowed = match row[2].contains("everything") {
                    true => Allowed::Everything,
                    false => Allowed::Rooms(quoted(&row[2]).into_iter().collect()),
                };
                rules.imports.insert(room, allowed);
            }
        }
        for row in table(&text, "| what | only in |") {
            rules.only_in.push(OnlyIn {
                patterns: quoted(&row[0]),
                allowed: quoted(&row[1]),
            });
        }
        for row in table(&text, "| pure rooms | never use |") {
            rules.pure.extend(quoted(&row[0]));
            rules.impure.extend(quoted(&row[1]));
        }
        rules
    }
}

/// The rows of the table that begins with this line, cell by cell.
fn table(text: &str, head: &str) -> Vec<Vec<String>> {
    let rows: Vec<Vec<String>> = text
        .lines()
        .skip_while(|line| *line != head)
        .skip(2)
        .take_while(|line| line.starts_with('|'))
        .map(|line| {
            line.trim_matches('|')
                .split(" | ")
                .map(|cell| cell.trim().to_owned())
                .collect()
        })
        .collect();
    assert!(!rows.is_empty(), "DEVELOPERS.md has no table {head}");
    rows
}

/// What stands in backticks.
fn quoted(cell: &str) -> Vec<String> {
    cell.split('`')
        .skip(1)
        .step_by(2)
        .map(str::to_owned)
        .collect()
}

/// The room that stands at `src/rep/` or `src/time.rs`, not one that lies deeper.
fn room_at(path: &str) -> Option<String> {
    let inside = path.strip_prefix("src/")?.trim_end_matches('/');
    let is_room = !inside.contains('/') && !matches!(inside, "main.rs" | "lib.rs");
    is_room.then(|| room_of(path)).flatten()
}

/// The room to which a file or folder belongs.
fn room_of(path: &str) -> Option<String> {
    let path = path.strip_prefix("src/")?;
    let first = path.split('/').next()?;
    Some(first.trim_end_matches(".rs").to_owned())
}

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// One source file.
struct Source {
    /// From the project's root.
    name: String,
    text: String,
    tokens: TokenStream,
}

struct Import {
    room: String,
    line: usize,
}

struct Function {
    name: String,
    line: usize,
    lines: usize,
}

impl Source {
    fn parse(name: String, text: String) -> Self {
        let tokens = text.parse().unwrap_or_else(|e| panic!("{name}: {e}"));
        Self { name, text, tokens }
    }

    fn lies_in(&self, place: &str) -> bool {
        match place.ends_with('/') {
            true => self.name.starts_with(place),
            false => self.name == place,
        }
    }

    /// The crate that this file belongs to has its root here.
    fn member(&self) -> Option<PathBuf> {
        let mut folder = Path::new(&self.name).parent()?;
        while folder != Path::new("src") {
            if root().join(folder).join("Cargo.toml").exists() {
                return Some(folder.to_owned());
            }
            folder = folder.parent()?;
        }
        None
    }

    /// The room, but for the two files that stand above all and for other crates, which Cargo keeps apart.
    fn room(&self) -> Option<String> {
        match self.name.as_str() {
            "src/lib.rs" | "src/main.rs" => None,
            _ if self.member().is_some() => None,
            name => room_of(name),
        }
    }

    /// Modules from the crate's root to this file.
    fn depth(&self) -> usize {
        let path = self.name.strip_prefix("src/").unwrap_or(&self.name);
        let parts = path.split('/').count();
        parts - usize::from(path.ends_with("/mod.rs"))
    }

    fn imports(&self) -> Vec<Import> {
        let mut found = Vec::new();
        walk(&self.tokens, &mut |tokens| {
            for (i, token) in tokens.iter().enumerate() {
                let TokenTree::Ident(ident) = token else {
                    continue;
                };
                let mut next = i + 1;
                if ident == "super" {
                    // Only the first of several; the others are counted from it.
                    if i >= 3 && is_ident(&tokens[i - 3], "super") {
                        continue;
                    }
                    let mut ups = 1;
                    while path_goes_on(tokens, next)
                        && tokens.get(next + 2).is_some_and(|t| is_ident(t, "super"))
                    {
                        ups += 1;
                        next += 3;
                    }
                    if ups != self.depth() {
                        continue;
                    }
                } else if ident != "crate" {
                    continue;
                }
                if !path_goes_on(tokens, next) {
                    continue;
                }
                for room in first_names(tokens.get(next + 2)) {
                    found.push(Import {
                        room,
                        line: ident.span().start().line,
                    });
                }
            }
        });
        found
    }

    /// Lines on which the path stands, such as `Instant::now` or `unsafe`.
    fn uses(&self, pattern: &str) -> Vec<usize> {
        let wanted: Vec<&str> = pattern.split("::").collect();
        let mut lines = Vec::new();
        walk(&self.tokens, &mut |tokens| {
            for (i, token) in tokens.iter().enumerate() {
                let matches = wanted.iter().enumerate().all(|(n, name)| {
                    tokens.get(i + 3 * n).is_some_and(|t| is_ident(t, name))
                        && (n == 0 || path_goes_on(tokens, i + 3 * n - 2))
                });
                if matches {
                    lines.push(token.span().start().line);
                }
            }
        });
        lines
    }

    fn functions(&self) -> Vec<Function> {
        let text: Vec<&str> = self.text.lines().collect();
        let mut found = Vec::new();
        walk(&self.tokens, &mut |tokens| {
            for (i, token) in tokens.iter().enumerate() {
                let (true, Some(TokenTree::Ident(name))) =
                    (is_ident(token, "fn"), tokens.get(i + 1))
                else {
                    continue;
                };
                let body = tokens[i + 2..].iter().find_map(|token| match token {
                    TokenTree::Group(group) if group.delimiter() == Delimiter::Brace => {
                        Some(Some(group))
                    }
                    TokenTree::Punct(punct) if punct.as_char() == ';' => Some(None),
                    _ => None,
                });
                let Some(Some(body)) = body else { continue };
                let (from, to) = (body.span_open().start().line, body.span_close().end().line);
                let lines = text[from..to.max(from + 1) - 1]
                    .iter()
                    .filter(|line| {
                        let line = line.trim();
                        !line.is_empty() && !line.starts_with("//")
                    })
                    .count();
                found.push(Function {
                    name: name.to_string(),
                    line: token.span().start().line,
                    lines,
                });
            }
        });
        found
    }
}

fn is_ident(token: &TokenTree, name: &str) -> bool {
    matches!(token, TokenTree::Ident(ident) if ident == name)
}

fn path_goes_on(tokens: &[TokenTree], at: usize) -> bool {
    [at, at + 1].iter().all(
        |at| matches!(tokens.get(*at), Some(TokenTree::Punct(punct)) if punct.as_char() == ':'),
    )
}

/// The name that follows in a path, or each first name within braces.
fn first_names(token: Option<&TokenTree>) -> Vec<String> {
    match token {
        Some(TokenTree::Ident(ident)) => vec![ident.to_string()],
        Some(TokenTree::Group(group)) => {
            let tokens: Vec<TokenTree> = group.stream().into_iter().collect();
            tokens
                .split(|token| matches!(token, TokenTree::Punct(punct) if punct.as_char() == ','))
                .filter_map(|part| match part.first() {
                    Some(TokenTree::Ident(ident)) => Some(ident.to_string()),
                    _ => None,
                })
                .collect()
        }
        _ => Vec::new(),
    }
}

/// Hands over each run of tokens on one level, items that are only compiled for tests left out.
fn walk(stream: &TokenStream, see: &mut impl FnMut(&[TokenTree])) {
    let mut tokens = Vec::new();
    let mut all = stream.clone().into_iter().peekable();
    while let Some(token) = all.next() {
        let is_test = matches!((&token, all.peek()), (TokenTree::Punct(punct), Some(TokenTree::Group(group)))
            if punct.as_char() == '#' && is_for_tests(group));
        if !is_test {
            tokens.push(token);
            continue;
        }
        for skipped in all.by_ref().skip(1) {
            match skipped {
                TokenTree::Group(group) if group.delimiter() == Delimiter::Brace => break,
                TokenTree::Punct(punct) if punct.as_char() == ';' => break,
                _ => {}
            }
        }
    }
    see(&tokens);
    for token in tokens {
        if let TokenTree::Group(group) = token {
            walk(&group.stream(), see);
        }
    }
}

fn is_for_tests(attribute: &Group) -> bool {
    let text: String = attribute.stream().to_string().split_whitespace().collect();
    text == "cfg(test)" || text == "test"
}

/// Every source file that is part of the product.
fn sources() -> Vec<Source> {
    let all = sources_with_tests();
    let tests = test_files(&all);
    all.into_iter()
        .filter(|file| !tests.iter().any(|test| is_under(&file.name, test)))
        .collect()
}

fn is_under(name: &str, module: &str) -> bool {
    name == format!("{module}.rs") || name.starts_with(&format!("{module}/"))
}

/// Modules that are declared for tests only, as paths without their ending.
fn test_files(all: &[Source]) -> Vec<String> {
    let mut found = Vec::new();
    for file in all {
        let folder = match Path::new(&file.name).file_name().and_then(|n| n.to_str()) {
            Some("mod.rs" | "lib.rs" | "main.rs") => {
                Path::new(&file.name).parent().unwrap().to_owned()
            }
            _ => Path::new(&file.name).with_extension(""),
        };
        let lines: Vec<&str> = file.text.lines().map(str::trim).collect();
        for (i, line) in lines
            .iter()
            .enumerate()
            .filter(|(_, line)| **line == "#[cfg(test)]")
        {
            let _ = line;
            let mut path = None;
            for next in &lines[i + 1..] {
                if let Some(given) = next
                    .strip_prefix("#[path = \"")
                    .and_then(|p| p.strip_suffix("\"]"))
                {
                    path = Some(
                        Path::new(&file.name)
                            .parent()
                            .unwrap()
                            .join(given)
                            .with_extension(""),
                    );
                } else if let Some(name) =
                    next.strip_suffix(';').and_then(|n| n.rsplit_once("mod "))
                {
                    found.push(
                        path.unwrap_or_else(|| folder.join(name.1))
                            .to_string_lossy()
                            .into_owned(),
                    );
                    break;
                } else if !next.starts_with("#[") && !next.starts_with("///") {
                    break;
                }
            }
        }
    }
    found
}

fn sources_with_tests() -> Vec<Source> {
    let root = root();
    let mut found = Vec::new();
    let mut folders = vec![root.join("src")];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let name = path
                    .strip_prefix(&root)
                    .unwrap()
                    .to_string_lossy()
                    .into_owned();
                found.push(Source::parse(name, std::fs::read_to_string(&path).unwrap()));
            }
        }
    }
    assert!(found.len() > 100, "the sources were not found");
    found.sort_by(|a, b| a.name.cmp(&b.name));
    found
}

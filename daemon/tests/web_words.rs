//! All words of the page stand in `src/web/words`: no other file of the page holds two words beside each
//! other in a text, so that another language needs no look at the pages.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

use std::fs;
use std::path::{Path, PathBuf};

/// Texts that are not for those who read the page: the end of the path, what the text holds, and why. An
/// empty text stands for all of the file.
const OTHERS: [(&str, &str, &str); 13] = [
    ("pages/gallery.rs", "", "made-up states for review"),
    ("api/describe.rs", "", "the description of the interface, for those who write programs"),
    ("api/acts.rs", "", "the same"),
    ("api/acts/schema.rs", "", "the same"),
    ("api/calculate.rs", "Refused by a rule", "the same"),
    ("health.rs", "", "help lines of the metrics, part of the interface"),
    ("tls.rs", "", "faults at the start, on the terminal, and names in certificates"),
    ("router.rs", "default-src", "the policy browsers hold the page to"),
    ("session.rs", "form of ", "goes into a hash"),
    ("pages/load.rs", "new take", "a key; the blank keeps it from being the name of a lot"),
    ("live.js", "use strict", "of the language"),
    ("worker.js", "use strict", "of the language"),
    ("", "nightjar ", "a command as it has to be typed"),
];

#[test]
fn no_file_of_the_page_carries_words_of_its_own() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/web");
    let mut files = Vec::new();
    collect(&root, &mut files);
    let (mut read, mut found) = (0, Vec::new());
    for file in files {
        let path = file.strip_prefix(&root).unwrap().to_str().unwrap().to_owned();
        let source = fs::read_to_string(&file).unwrap();
        // Tests stand at the end of a file.
        let source = source.split("#[cfg(test)]").next().unwrap();
        read += 1;
        for (line, text) in texts_to_read(source, path.ends_with(".js")) {
            let known = |(end, part, _): &(&str, &str, &str)| path.ends_with(end) && text.contains(part);
            if !OTHERS.iter().any(known) {
                found.push(format!("{path}:{line}: \"{text}\""));
            }
        }
    }
    assert!(read > 60, "{read} files were read");
    assert!(found.is_empty(), "these belong into src/web/words:\n{}", found.join("\n"));
}

#[test]
fn words_are_told_from_keys_attributes_and_log_lines() {
    let source = r##"
        // "not these words"
        p class="not these words" title="but these words" { "and \"these\" words" (r#"raw words"#) '"' }
        #[expect(clippy::cast, reason = "not these words")]
        tracing::warn!(%error, "not these words"); "single" "key-of data_now" "M0 0v6 z" "{a} {b}"
    "##;
    let found: Vec<String> = texts_to_read(source, false).into_iter().map(|(_, text)| text).collect();
    assert_eq!(found, ["but these words", "and \\\"these\\\" words", "raw words"]);
    let script =
        "const a = 'two words'; // it's \"no text\"\nb(`and ${n} two words`); c('form[x=\"y\"] input');";
    let found: Vec<String> = texts_to_read(script, true).into_iter().map(|(_, text)| text).collect();
    assert_eq!(found, ["two words", "and ${n} two words"]);
}

fn collect(folder: &Path, files: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            if !path.ends_with("words") {
                collect(&path, files);
            }
        } else if path.extension().is_some_and(|kind| kind == "rs" || kind == "js")
            && !path.ends_with("words.rs")
        {
            files.push(path);
        }
    }
}

/// Texts with two words, with the number of their line.
fn texts_to_read(source: &str, script: bool) -> Vec<(usize, String)> {
    texts(source, script)
        .into_iter()
        .filter(|(at, text)| has_words(text) && !is_aside(&source[..*at]))
        .map(|(at, text)| (source[..at].matches('\n').count() + 1, text.to_owned()))
        .collect()
}

/// All texts in quotes, with the place of their first quote.
fn texts(source: &str, script: bool) -> Vec<(usize, &str)> {
    let bytes = source.as_bytes();
    let (mut at, mut texts) = (0, Vec::new());
    while at < bytes.len() {
        let rest = &source.as_bytes()[at..];
        if rest.starts_with(b"//") {
            at += rest.iter().position(|b| *b == b'\n').unwrap_or(rest.len());
        } else if !script && rest.starts_with(b"r#\"") {
            let length = source[at + 3..].find("\"#").unwrap();
            texts.push((at, &source[at + 3..at + 3 + length]));
            at += length + 5;
        } else if rest[0] == b'"' || (script && matches!(rest[0], b'\'' | b'`')) {
            let mut end = at + 1;
            while bytes[end] != rest[0] {
                end += if bytes[end] == b'\\' { 2 } else { 1 };
            }
            texts.push((at, &source[at + 1..end]));
            at = end + 1;
        } else if !script && (rest.starts_with(b"'\"'") || rest.starts_with(b"'\\\"'")) {
            at += if rest[1] == b'\\' { 4 } else { 3 };
        } else {
            at += 1;
        }
    }
    texts
}

/// Two words of letters beside each other.
fn has_words(text: &str) -> bool {
    let is_word = |piece: &str| {
        let bare = piece.trim_matches(|c: char| ",.;:!?()\"\\'".contains(c));
        bare.chars().count() > 1 && bare.chars().all(char::is_alphabetic)
    };
    let pieces: Vec<bool> = text.split_whitespace().map(is_word).collect();
    pieces.windows(2).any(|pair| pair[0] && pair[1])
}

/// Whether what stands before a text says that nobody reads it on the page: an attribute that is not read
/// aloud, the reason of a lint, a line of the log.
fn is_aside(before: &str) -> bool {
    let begins = [";", "{\n", "}\n"].iter().filter_map(|end| before.rfind(end)).max().unwrap_or(0);
    let attribute = before.strip_suffix('=').map(|before| before.rsplit([' ', '\n']).next().unwrap());
    attribute.is_some_and(|name| !["title", "aria-label", "data-label", "alt", "placeholder"].contains(&name))
        || before.ends_with("reason = ")
        || before[begins..].contains("tracing::")
}

//! SQLite's placeholders as PostgreSQL knows them.
//!
//! In: SQL text with `?` and `?N`. Out: the text with `$1`, `$2` and so on, and which value each of them is.

/// A text for PostgreSQL.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Rewritten {
    pub(super) text: String,
    /// The place of each placeholder's value among those that are given, counted from 0. Values that the text does not name are left
    /// out: PostgreSQL could not tell their type.
    pub(super) order: Vec<usize>,
}

/// Rewrites the placeholders of a text; quoted text and comments stay.
pub(super) fn rewrite(sql: &str) -> Rewritten {
    let mut text = String::with_capacity(sql.len() + 8);
    let mut order: Vec<usize> = Vec::new();
    // As SQLite counts: a bare one is the next after the largest so far.
    let mut largest = 0;
    let mut rest = sql;
    while let Some(place) = rest.find(['?', '\'', '"', '-', '/']) {
        let (before, from) = rest.split_at(place);
        text.push_str(before);
        let kept = skipped(from);
        if kept > 0 {
            text.push_str(&from[..kept]);
            rest = &from[kept..];
            continue;
        }
        let after = &from[1..];
        let digits = after.len() - after.trim_start_matches(|c: char| c.is_ascii_digit()).len();
        let number = after[..digits].parse().unwrap_or(largest + 1).max(1);
        largest = largest.max(number);
        let position = match order.iter().position(|value| *value == number - 1) {
            Some(position) => position,
            None => {
                order.push(number - 1);
                order.len() - 1
            }
        };
        text.push_str(&format!("${}", position + 1));
        rest = &after[digits..];
    }
    text.push_str(rest);
    Rewritten { text, order }
}

/// How many bytes at the beginning hold no placeholder: quoted text, a comment, or a sign that begins neither. Nothing at a placeholder.
fn skipped(from: &str) -> usize {
    let until = |opening: usize, end: &str| {
        from[opening..]
            .find(end)
            .map_or(from.len(), |at| opening + at + end.len())
    };
    match from.as_bytes() {
        [b'?', ..] => 0,
        // A doubled quote ends one quoted text and begins the next.
        [b'\'', ..] => until(1, "'"),
        [b'"', ..] => until(1, "\""),
        [b'-', b'-', ..] => until(2, "\n"),
        [b'/', b'*', ..] => until(2, "*/"),
        _ => 1,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rewritten(sql: &str) -> (String, Vec<usize>) {
        let Rewritten { text, order } = rewrite(sql);
        (text, order)
    }

    #[test]
    fn placeholders_are_numbered_as_they_come() {
        let text = |text: &str, order: &[usize]| (text.to_owned(), order.to_vec());
        assert_eq!(
            rewritten("INSERT INTO notes (a, b) VALUES (?, ?)"),
            text("INSERT INTO notes (a, b) VALUES ($1, $2)", &[0, 1])
        );
        assert_eq!(
            rewritten("UPDATE reps SET a = ?2 WHERE id = ?1 AND b <> ?2"),
            text("UPDATE reps SET a = $1 WHERE id = $2 AND b <> $1", &[1, 0])
        );
        // The second value is given and not used.
        assert_eq!(rewritten("SELECT ?3 + ?1"), text("SELECT $1 + $2", &[2, 0]));
        // A bare one follows the largest, whatever came in between.
        assert_eq!(
            rewritten("?2, ?, ?1, ?12, ?"),
            text("$1, $2, $3, $4, $5", &[1, 2, 0, 11, 12])
        );
        assert_eq!(rewritten("SELECT 1"), text("SELECT 1", &[]));
    }

    #[test]
    fn quoted_text_and_comments_stay_as_they_are() {
        for kept in [
            "SELECT '?1', \"a?\", 'it''s ?' FROM reps",
            "SELECT 1 -- why? ?1\n",
            "SELECT 6 / 2 - 1 /* ?, it's */ FROM reps",
            "SELECT 1 -- no end ?",
            "SELECT 'no end ?",
        ] {
            assert_eq!(rewritten(kept), (kept.to_owned(), vec![]));
        }
        assert_eq!(
            rewritten("WHERE a = 'é?' AND b = ?1 -- '\nAND c = ?"),
            (
                "WHERE a = 'é?' AND b = $1 -- '\nAND c = $2".to_owned(),
                vec![0, 1]
            )
        );
    }
}

//! TOML that people write, checked value by value: a wrong value is refused with the line it stands on.
//!
//! Files are read into structs of [`Spanned`] values with serde; what serde cannot know is checked afterwards with the
//! functions here.

use std::fmt::Display;
use std::ops::RangeInclusive;

use serde::de::DeserializeOwned;
use toml::Spanned;

/// Why a value is refused.
pub(crate) struct ValueError {
    /// Where the value begins, as a byte offset into the text.
    pub(crate) at: usize,
    /// What is wrong and what would be right.
    pub(crate) reason: String,
}

pub(crate) type Checked<T> = Result<T, ValueError>;

impl ValueError {
    /// The line of the value in the text that was read, from 1.
    pub(crate) fn line(&self, text: &str) -> usize {
        text.get(..self.at).unwrap_or(text).matches('\n').count() + 1
    }
}

/// Reads a text; unknown keys and values of the wrong type are refused here.
pub(crate) fn read<T: DeserializeOwned>(text: &str) -> Checked<T> {
    toml::from_str(text).map_err(|error| ValueError {
        at: error.span().map_or(0, |span| span.start),
        reason: without_values(error.message().trim()),
    })
}

/// Leaves out texts that stand in the message as the file has them: a name that was put into the wrong line must not reach the log.
fn without_values(message: &str) -> String {
    const VALUE: &str = "string \"";
    let Some((before, rest)) = message.split_once(VALUE) else {
        return message.to_owned();
    };
    // What follows the last quote is the message's own: a text may hold quotes.
    let after = rest.rsplit_once("\", ").map_or("", |(_, after)| after);
    let comma = if after.is_empty() { "" } else { ", " };
    format!("{before}string{comma}{after}")
}

/// Refuses a value.
pub(crate) fn refuse<T>(value: &Spanned<impl Sized>, reason: impl Into<String>) -> Checked<T> {
    Err(ValueError {
        at: value.span().start,
        reason: reason.into(),
    })
}

/// The number, where it lies in the range; `key` is for the message.
pub(crate) fn within<T>(value: &Spanned<T>, key: &str, range: &RangeInclusive<T>) -> Checked<T>
where
    T: PartialOrd + Copy + Display,
{
    let number = *value.get_ref();
    if range.contains(&number) {
        return Ok(number);
    }
    refuse(
        value,
        format!(
            "{key} is {number}; it must be {} to {}",
            range.start(),
            range.end()
        ),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_in_the_wrong_line_is_not_repeated() {
        #[derive(Debug, serde::Deserialize)]
        #[serde(deny_unknown_fields)]
        struct Given {
            #[expect(dead_code, reason = "only its type matters")]
            height: f64,
        }
        for text in [
            "height = \"Ana Lopez\"",
            "height = \"Ana \\\", expected Lopez\"",
            "height = 'Lopez \"Ana\"'",
        ] {
            let reason = read::<Given>(text).err().unwrap().reason;
            assert!(
                !reason.contains("Lopez") && !reason.contains("Ana"),
                "{reason}"
            );
            assert!(
                reason.starts_with("invalid type: string, expected f"),
                "{reason}"
            );
        }
        let other = read::<Given>("height = true").err().unwrap().reason;
        assert_eq!(other, "invalid type: boolean `true`, expected f64");
    }
}

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
        reason: error.message().trim().to_owned(),
    })
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

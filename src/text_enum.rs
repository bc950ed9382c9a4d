//! Enums whose variants each have a fixed text in files, logs and JSON.
//!
//! The macro [`text_enum!`] declares the variants with their texts in one list. [`Recorded`] holds such a value as a
//! file has it, where the file may come from a version with other texts.

use std::fmt;
use std::str::FromStr;

use serde::{Serialize, Serializer};

/// Declares a `Copy` enum from a list of variants and texts, with `ALL`, `as_str`, and the standard traits that lead
/// to the text and back: `Display`, `FromStr`, `Into<&'static str>`, `Serialize`.
macro_rules! text_enum {
    (
        $(#[$meta:meta])*
        $vis:vis enum $Name:ident { $($(#[$variant_meta:meta])* $Variant:ident = $text:literal,)+ }
    ) => {
        $(#[$meta])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        $vis enum $Name { $($(#[$variant_meta])* $Variant,)+ }

        impl $Name {
            /// Every variant, in the order of the declaration.
            $vis const ALL: &'static [Self] = &[$(Self::$Variant),+];

            /// The text in files, logs and JSON.
            $vis const fn as_str(self) -> &'static str {
                match self { $(Self::$Variant => $text,)+ }
            }
        }

        impl From<$Name> for &'static str {
            fn from(value: $Name) -> Self {
                value.as_str()
            }
        }

        impl std::fmt::Display for $Name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str(self.as_str())
            }
        }

        impl std::str::FromStr for $Name {
            type Err = $crate::text_enum::UnknownText;

            fn from_str(text: &str) -> Result<Self, Self::Err> {
                Self::ALL
                    .iter()
                    .copied()
                    .find(|value| value.as_str() == text)
                    .ok_or_else(|| $crate::text_enum::UnknownText::new::<Self>(text, Self::ALL))
            }
        }

        impl serde::Serialize for $Name {
            fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.serialize_str(self.as_str())
            }
        }
    };
}

pub(crate) use text_enum;

/// A text that no variant has.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("\"{text}\" is none of {known}")]
pub struct UnknownText {
    text: String,
    known: String,
}

impl UnknownText {
    pub(crate) fn new<T: Copy + Into<&'static str>>(text: &str, all: &[T]) -> Self {
        let known: Vec<&str> = all.iter().map(|value| (*value).into()).collect();
        Self {
            text: text.to_owned(),
            known: known.join(", "),
        }
    }
}

/// A value as a file has it. A text that this version does not know is kept, so that a journal of another version
/// reads and exports without loss.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Recorded<T> {
    /// One of the variants of this version.
    Known(T),
    /// A text that another version wrote.
    Unknown(Box<str>),
}

impl<T: Copy + Into<&'static str>> Recorded<T> {
    /// The text in files.
    pub fn as_str(&self) -> &str {
        match self {
            Recorded::Known(value) => (*value).into(),
            Recorded::Unknown(text) => text,
        }
    }

    /// The value, where this version knows it.
    pub fn known(&self) -> Option<T> {
        match self {
            Recorded::Known(value) => Some(*value),
            Recorded::Unknown(_) => None,
        }
    }
}

impl<T: FromStr> From<&str> for Recorded<T> {
    fn from(text: &str) -> Self {
        text.parse()
            .map_or_else(|_| Recorded::Unknown(text.into()), Recorded::Known)
    }
}

impl<T: Copy + Into<&'static str>> fmt::Display for Recorded<T> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

impl<T: Copy + Into<&'static str>> Serialize for Recorded<T> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.as_str())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    text_enum! {
        /// For the tests.
        enum Foot {
            Front = "front foot",
            Back = "back foot",
        }
    }

    #[test]
    fn texts_read_back_and_others_are_refused_with_the_list() {
        for foot in Foot::ALL {
            assert_eq!(foot.as_str().parse(), Ok(*foot));
            assert_eq!(foot.to_string(), foot.as_str());
        }
        let refused = "left foot".parse::<Foot>().unwrap_err().to_string();
        assert_eq!(refused, "\"left foot\" is none of front foot, back foot");
    }

    #[test]
    fn a_text_of_another_version_is_kept_as_it_is() {
        let known = Recorded::<Foot>::from("back foot");
        assert_eq!(known, Recorded::Known(Foot::Back));
        assert_eq!(
            (known.as_str(), known.known()),
            ("back foot", Some(Foot::Back))
        );
        let unknown = Recorded::<Foot>::from("third foot");
        assert_eq!((unknown.as_str(), unknown.known()), ("third foot", None));
        assert_eq!(serde_json::to_string(&unknown).unwrap(), "\"third foot\"");
    }
}

//! The recordings inside the program, one folder per language. Their origin and licenses:
//! `assets/README.md`.

use include_dir::{Dir, include_dir};

static ENGLISH: Dir<'_> = include_dir!("$CARGO_MANIFEST_DIR/src/sound/assets/en");
static SPANISH: Dir<'_> = include_dir!("$CARGO_MANIFEST_DIR/src/sound/assets/es");

/// A language whose phrases ship. Any other comes as a folder, see [`super::CueLibrary::load_in`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Language {
    /// `en`.
    #[default]
    English,
    /// `es`.
    Spanish,
}

impl Language {
    /// All of them, in the order in which a choice should be offered.
    pub const ALL: [Self; 2] = [Self::English, Self::Spanish];

    /// The ISO 639-1 code, as in the settings file.
    pub fn code(self) -> &'static str {
        match self {
            Self::English => "en",
            Self::Spanish => "es",
        }
    }

    /// The language of an ISO 639-1 code; `None` where its phrases do not ship.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL
            .into_iter()
            .find(|language| language.code() == code)
    }

    /// The list of phrases.
    pub(super) fn phrases(self) -> &'static str {
        match self {
            Self::English => include_str!("../assets/en/phrases.toml"),
            Self::Spanish => include_str!("../assets/es/phrases.toml"),
        }
    }

    /// The contents of a file that the list names.
    pub(super) fn file(self, name: &str) -> Option<&'static [u8]> {
        let folder = match self {
            Self::English => &ENGLISH,
            Self::Spanish => &SPANISH,
        };
        folder.get_file(name).map(include_dir::File::contents)
    }
}

//! What every page's template needs beside its own content.

use askama::Template;
use axum::response::Html;

use super::PageUse;
use super::auth::Requester;
use super::error::PageError;
use super::i18n::Messages;
use crate::coach::Verdict;
use crate::rep::{Lengths, RepKind};

/// The entry of the navigation bar that a page belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Section {
    Cage,
    Cages,
    Login,
    Sessions,
    Today,
    People,
    Trends,
    Plans,
    Voice,
    Health,
    Logins,
}

/// Who reads a page, in which language, and where in the navigation it stands. Templates call it `page`.
pub(super) struct PageContext<'a> {
    pub(super) requester: &'a Requester,
    pub(super) section: Section,
}

impl<'a> PageContext<'a> {
    pub(super) fn new(requester: &'a Requester, section: Section) -> Self {
        Self { requester, section }
    }

    fn messages(&self) -> &'static Messages {
        self.requester.messages()
    }

    /// The text of a key, see [`Messages::t`].
    pub(super) fn t<'k>(&self, key: &'k str) -> &'k str
    where
        'static: 'k,
    {
        self.messages().t(key)
    }

    /// The text of a key with `{}` filled in.
    pub(super) fn format(&self, key: &str, value: impl std::fmt::Display) -> String {
        self.messages().format(key, value)
    }

    /// So many of something.
    pub(super) fn counted(&self, key: &str, count: impl TryInto<u64>) -> String {
        self.messages().counted(key, count)
    }

    /// The key of the label of a field for a height, which says in which form.
    pub(super) fn height_key(&self) -> &'static str {
        match self.requester.lengths {
            Lengths::Metric => "hitters.height",
            Lengths::Inches => "hitters.height_in",
        }
    }

    /// Whether there is a cage behind the page.
    pub(super) fn has_cage(&self) -> bool {
        self.requester.purpose == PageUse::Cage
    }

    /// Whether the page is a facility's, of several cages.
    pub(super) fn has_cages(&self) -> bool {
        self.requester.purpose == PageUse::Office
    }

    /// Whether nothing can be changed.
    pub(super) fn is_read_only(&self) -> bool {
        self.requester.purpose == PageUse::ReadOnlyReview
    }

    /// The language's code for `lang` attributes.
    pub(super) fn language_code(&self) -> &'static str {
        self.requester.language.code()
    }

    pub(super) fn verdict(&self, verdict: &Verdict) -> &'static str {
        self.messages().verdict(*verdict)
    }

    /// The class of a verdict in the style sheet.
    pub(super) fn css_class(&self, verdict: &Option<Verdict>) -> &'static str {
        verdict.map_or("none", Verdict::as_str)
    }

    pub(super) fn rep_kind(&self, kind: &RepKind) -> &'static str {
        self.messages().rep_kind(*kind)
    }

    /// A hitter's name, or that they have none.
    pub(super) fn hitter<'n>(&self, name: &'n Option<String>) -> &'n str {
        self.messages().hitter(name.as_deref())
    }

    /// The account of whoever changed something.
    pub(super) fn account<'n>(&self, by: &'n str) -> &'n str {
        self.messages().account(by)
    }

    /// What saw a session.
    pub(super) fn source(&self, noted: &str) -> String {
        self.messages().source(noted)
    }
}

/// Renders a page.
pub(super) fn html(page: &impl Template) -> Result<Html<String>, PageError> {
    Ok(Html(page.render()?))
}

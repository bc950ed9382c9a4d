//! A coach's own words in place of the shipped cues: recorded or typed, heard, and brought back.

use std::collections::BTreeMap;
use std::sync::Arc;

use askama::Template;
use axum::Extension;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::http::header::CONTENT_TYPE;
use axum::response::{Html, IntoResponse, Redirect, Response};
use serde::Deserialize;

use crate::audit::{Act, Actor, AuditEntry};
use crate::coach::{CueId, Verdict, cue_for};
use crate::page::PageUse;
use crate::page::auth::{CsrfForm, CsrfSound, NoFields, Requester};
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::format;
use crate::page::i18n::Messages;
use crate::page::state::AppState;
use crate::rep::{Fundamental, MeasureName};
use crate::sound::{CueSources, OwnCue, OwnCues, SoundError, instruction_id};

/// Words have to be read from the box.
const MOST_LETTERS: usize = 40;

#[derive(Template)]
#[template(path = "cues.html")]
struct CuesPage<'a> {
    page: PageContext<'a>,
    /// The code of the language that is heard.
    heard_in: &'static str,
    groups: Vec<CueGroup>,
    /// Whether anything can be changed.
    can_change: bool,
    error: Option<String>,
    script_messages: String,
}

/// The cues of a fundamental.
struct CueGroup {
    label: String,
    cues: Vec<ShownCue>,
}

struct ShownCue {
    /// The measure's side, where there is one.
    about: String,
    /// What happened, and what to do.
    rows: Vec<PhraseRow>,
}

struct PhraseRow {
    id: String,
    /// Which of the two it is.
    list: &'static str,
    /// The shipped words in the reader's language, which tell one control from another.
    label: String,
    /// What is shown on the cage's screen, in the language that is heard.
    words: String,
    /// Who recorded or typed it, and when.
    by: Option<String>,
}

/// What the page is made from.
struct CuesNow {
    sources: CueSources,
    words: BTreeMap<String, String>,
    own: Result<Vec<OwnCue>, SoundError>,
}

pub(in crate::page) async fn page(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
) -> Result<Html<String>, PageError> {
    let control = Arc::clone(&state.control);
    let now = tokio::task::spawn_blocking(move || {
        let sources = control.cue_sources();
        CuesNow {
            words: sources.words(),
            own: sources.own().map_or_else(|| Ok(Vec::new()), OwnCues::list),
            sources,
        }
    })
    .await?;
    let i18n = requester.messages();
    html(&CuesPage {
        page: PageContext::new(&requester, Section::Voice),
        heard_in: now.sources.language().code(),
        groups: groups(&now, i18n),
        can_change: now.sources.own().is_some() && requester.purpose != PageUse::ReadOnlyReview,
        error: now.own.as_ref().err().map(|error| i18n.error(error)),
        script_messages: i18n.messages_of_script("voice"),
    })
}

fn groups(now: &CuesNow, i18n: &'static Messages) -> Vec<CueGroup> {
    let names: BTreeMap<&str, &str> = i18n.cues().collect();
    let own = now.own.as_deref().unwrap_or_default();
    let row = |id: String, list: &'static str| {
        Some(PhraseRow {
            label: (*names.get(&*id)?).to_owned(),
            list: i18n.t(list),
            words: now.words.get(&id)?.clone(),
            by: own.iter().find(|cue| cue.id == id).map(|cue| by(cue, i18n)),
            id,
        })
    };
    let shown = |cue: CueId, about: String| ShownCue {
        rows: [
            row(cue.as_str().to_owned(), "cues.happened"),
            row(instruction_id(cue), "cues.to_do"),
        ]
        .into_iter()
        .flatten()
        .collect(),
        about,
    };
    let spoken = CueId::ALL.iter().copied().filter(|id| *id != CueId::InBand);
    let sides: Vec<(CueId, Option<Side>)> = spoken.map(|cue| (cue, side_of(cue))).collect();
    let of_measures = Fundamental::ALL.iter().map(|of| CueGroup {
        label: i18n.named("fundamental.", of.as_str()).to_owned(),
        cues: sides
            .iter()
            .filter_map(|(cue, side)| Some((*cue, side.as_ref()?)))
            .filter(|(_, side)| side.measure.fundamental() == *of)
            .map(|(cue, side)| shown(cue, side.text(i18n)))
            .collect(),
    });
    let remarks = CueGroup {
        label: i18n.t("cues.remarks").to_owned(),
        cues: sides
            .iter()
            .filter(|(_, side)| side.is_none())
            .map(|(cue, _)| shown(*cue, String::new()))
            .collect(),
    };
    of_measures
        .chain([remarks])
        .filter(|group| !group.cues.is_empty())
        .collect()
}

/// Where a measure is when its cue is heard; without a side where it is the same for both.
struct Side {
    measure: MeasureName,
    side: Option<Verdict>,
}

impl Side {
    fn text(&self, i18n: &Messages) -> String {
        let measure = i18n.measure(self.measure);
        match self.side {
            Some(side) => format!("{measure}: {}", i18n.verdict(side)),
            None => measure.to_owned(),
        }
    }
}

/// The first measure that the cue is about; `None` for a remark.
fn side_of(cue: CueId) -> Option<Side> {
    MeasureName::ALL.iter().find_map(|&measure| {
        let [low, high] =
            [Verdict::Low, Verdict::High].map(|side| cue_for(measure, side) == Some(cue));
        let side = match (low, high) {
            (false, false) => return None,
            (true, true) => None,
            (true, false) => Some(Verdict::Low),
            (false, true) => Some(Verdict::High),
        };
        Some(Side { measure, side })
    })
}

fn by(cue: &OwnCue, i18n: &Messages) -> String {
    let key = match cue.file {
        Some(_) => "cues.recorded_by",
        None => "cues.typed_by",
    };
    let who = i18n.account(cue.by.as_deref().unwrap_or_default());
    let when = cue.recorded_at.map(format::day_and_time);
    i18n.fill(key, &[&who, &when.unwrap_or_default()])
}

/// What would be heard, the tone included.
pub(in crate::page) async fn sound(
    State(state): State<AppState>,
    Path(id): Path<String>,
) -> Result<Response, PageError> {
    let control = Arc::clone(&state.control);
    let heard = tokio::task::spawn_blocking(move || {
        let sources = control.cue_sources();
        match sources.has_cue(&id) {
            true => sources.heard(&id),
            false => Ok(None),
        }
    })
    .await??;
    let wav = heard.ok_or(PageError::NotFound)?;
    Ok(([(CONTENT_TYPE, "audio/wav")], wav).into_response())
}

#[derive(Deserialize)]
pub(in crate::page) struct WordsQuery {
    words: Option<String>,
}

/// Takes a recording, with the words that are to be shown where it is heard.
pub(in crate::page) async fn record(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<String>,
    Query(query): Query<WordsQuery>,
    CsrfSound(bytes): CsrfSound,
) -> Result<StatusCode, PageError> {
    let words = fit_words(query.words.as_deref().unwrap_or_default())?;
    change(&state, &requester, id, move |sources, own, cue| {
        let shown = || sources.words().remove(&cue.id).unwrap_or_default();
        let words = words.unwrap_or_else(shown);
        own.record(OwnCue { words, ..cue }, bytes)
    })
    .await?;
    Ok(StatusCode::NO_CONTENT)
}

#[derive(Deserialize)]
pub(in crate::page) struct WordsForm {
    words: String,
}

/// Shows other words; none brings the shipped ones back.
pub(in crate::page) async fn show_words(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<String>,
    CsrfForm(form): CsrfForm<WordsForm>,
) -> Result<Redirect, PageError> {
    let words = words_of(&form)?;
    let back = place_of(&id);
    change(&state, &requester, id, move |sources, own, cue| {
        let before = own.list()?;
        let is_recorded = before.iter().any(|b| b.id == cue.id && b.file.is_some());
        let shipped = sources.shipped_words().remove(&cue.id).unwrap_or_default();
        match words.unwrap_or_else(|| shipped.clone()) {
            words if words == shipped && !is_recorded => own.remove(&cue.id),
            words => own.show(OwnCue { words, ..cue }),
        }
    })
    .await?;
    Ok(back)
}

/// Goes back to the shipped cue; the recording is deleted.
pub(in crate::page) async fn drop_own(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<String>,
    CsrfForm(NoFields {}): CsrfForm<NoFields>,
) -> Result<Redirect, PageError> {
    let back = place_of(&id);
    change(&state, &requester, id, |_, own, cue| own.remove(&cue.id)).await?;
    Ok(back)
}

/// Where the cue stands on the page.
fn place_of(id: &str) -> Redirect {
    Redirect::to(&format!("/cues#cue-{}", super::language::url_encoded(id)))
}

/// The words of a form.
pub(in crate::page) fn words_of(form: &WordsForm) -> Result<Option<String>, PageError> {
    fit_words(&form.words)
}

/// Words that can be shown; nothing where there are none.
fn fit_words(words: &str) -> Result<Option<String>, PageError> {
    let words = words.trim();
    if words.chars().count() > MOST_LETTERS || words.chars().any(char::is_control) {
        return Err(PageError::UnfitWords);
    }
    Ok(Some(words.to_owned()).filter(|words| !words.is_empty()))
}

/// Changes a cue, has the next one that is heard be the new one, and enters who did it.
async fn change(
    state: &AppState,
    requester: &Requester,
    id: String,
    change: impl FnOnce(&CueSources, &OwnCues, OwnCue) -> Result<(), SoundError> + Send + 'static,
) -> Result<(), PageError> {
    if requester.purpose == PageUse::ReadOnlyReview {
        return Err(PageError::ReadOnly);
    }
    let control = Arc::clone(&state.control);
    let cue = OwnCue {
        id: id.clone(),
        words: String::new(),
        file: None,
        tone: None,
        say: None,
        by: Some(requester.account().to_owned()),
        recorded_at: Some(crate::wall_clock::now()),
    };
    tokio::task::spawn_blocking(move || {
        let sources = control.cue_sources();
        if !sources.has_cue(&cue.id) {
            return Err(PageError::NotFound);
        }
        let own = sources.own().ok_or(PageError::NoJournal)?;
        change(&sources, own, cue)?;
        // The change is kept all the same.
        if let Err(error) = control.cues_changed() {
            tracing::warn!(%error, "the sounds of before go on");
        }
        Ok(())
    })
    .await??;
    state.cues_changed.send_modify(|changes| *changes += 1);
    let who = requester.session.as_ref();
    state.enter_entry(AuditEntry {
        from: Some(requester.client.address.to_string()),
        ..AuditEntry::now(
            who.map_or(Actor::Nobody, |session| Actor::from(&session.who)),
            Act::ChangedCue,
        )
        .with_detail(id)
    });
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rep::Lengths;
    use crate::sound::Language;

    #[test]
    fn each_cue_stands_on_the_page_once_with_all_its_words() {
        let sources = CueSources::new(Language::English, None, None);
        let now = CuesNow {
            words: sources.words(),
            own: Ok(Vec::new()),
            sources,
        };
        let groups = groups(&now, Messages::of(Language::Spanish, Lengths::Metric));
        let mut ids: Vec<&str> = groups
            .iter()
            .flat_map(|group| &group.cues)
            .flat_map(|cue| &cue.rows)
            .map(|row| &*row.id)
            .collect();
        let all = ids.len();
        ids.sort_unstable();
        ids.dedup();
        assert_eq!(ids.len(), all);
        let mut known: Vec<&str> = now.words.keys().map(String::as_str).collect();
        known.retain(|id| now.sources.has_cue(id));
        assert_eq!(ids, known);
        let cues: usize = groups.iter().map(|group| group.cues.len()).sum();
        assert_eq!(cues, CueId::ALL.len() - 1);
        let remarks = groups.last().unwrap();
        assert_eq!(remarks.cues.len(), 4);
        assert!(remarks.cues.iter().all(|cue| cue.rows.len() == 1));
        let first = &groups[2].cues[0].rows[0];
        assert_eq!(first.words, "head drifted back");
        assert_ne!(first.label, first.words);
    }

    #[test]
    fn words_that_do_not_fit_the_screen_are_refused() {
        let fit = |words: &str| fit_words(words);
        assert_eq!(fit(" quiet head ").unwrap().as_deref(), Some("quiet head"));
        assert_eq!(fit("  ").unwrap(), None);
        assert!(fit(&"x".repeat(41)).is_err() && fit("a\u{7}b").is_err());
        assert!(fit(&"ñ".repeat(40)).is_ok());
    }
}

//! The screen in the cage, and the choice of the next hitter.

use std::collections::BTreeMap;
use std::sync::Arc;

use askama::Template;
use axum::Extension;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Redirect, Response};
use serde::Deserialize;
use serde_json::Value;

use crate::journal::{HitterChoice, HitterId, HitterRow, NewHitter, Purpose, is_name};
use crate::page::auth::{CsrfForm, LIVE_PATH, Requester};
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::i18n::Messages;
use crate::page::state::AppState;
use crate::page::{PageUse, TurnChange};
use crate::rep::{Bats, Lengths};
use crate::settings::is_height;
use crate::sound::{CueSources, Language};
use crate::status::ShownHitter;

/// Names that fit the screen as buttons; the rest is behind "More names".
const FIRST_NAMES: usize = 12;

#[derive(Template)]
#[template(path = "cage.html")]
pub(super) struct CagePage<'a> {
    page: PageContext<'a>,
    script_messages: String,
    /// Where an office looks at one of its cages.
    watched: Option<WatchedCage>,
}

/// A cage whose screen an office looks at.
pub(super) struct WatchedCage {
    pub(super) name: String,
    /// Where the cage's own page is, where that is reached.
    pub(super) own_page: Option<String>,
    /// Where its states come from.
    pub(super) stream: String,
    /// This page.
    pub(super) back: String,
}

impl CagePage<'_> {
    /// The screen of the cage here, or of one that an office looks at.
    pub(super) async fn render_for(
        state: &AppState,
        requester: &Requester,
        watched: Option<WatchedCage>,
    ) -> Result<Html<String>, PageError> {
        let i18n = requester.messages();
        let control = Arc::clone(&state.control);
        let language = requester.language;
        let words =
            tokio::task::spawn_blocking(move || cue_words(&control.cue_sources(), language, i18n));
        let section = match watched {
            Some(_) => Section::Cages,
            None => Section::Cage,
        };
        html(&CagePage {
            page: PageContext::new(requester, section),
            script_messages: script_messages(i18n, words.await?),
            watched,
        })
    }

    fn stream(&self) -> &str {
        match &self.watched {
            Some(cage) => &cage.stream,
            None => LIVE_PATH,
        }
    }

    fn name(&self) -> &str {
        match &self.watched {
            Some(cage) => &cage.name,
            None => self.page.t("room.cage"),
        }
    }

    fn back(&self) -> &str {
        self.watched.as_ref().map_or("/", |cage| &cage.back)
    }
}

pub(in crate::page) async fn screen(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
) -> Result<Response, PageError> {
    if requester.purpose != PageUse::Cage {
        return Ok(Redirect::to("/today").into_response());
    }
    let page = CagePage::render_for(&state, &requester, None).await?;
    Ok(page.into_response())
}

/// The messages of the screen's script, cues and measures among them, as JSON for a data attribute.
fn script_messages(i18n: &Messages, cues: serde_json::Map<String, Value>) -> String {
    let mut all = serde_json::Map::new();
    for (key, words) in i18n.script_messages() {
        all.insert(key.to_owned(), words.into());
    }
    all.extend(cues);
    for (key, text) in i18n.names() {
        all.insert(key.to_owned(), text.into());
    }
    for name in crate::rep::MeasureName::ALL {
        all.insert(
            format!("measure.{}", name.name()),
            i18n.measure(*name).into(),
        );
    }
    serde_json::Value::Object(all).to_string()
}

/// What each cue says, as the screen's script has it: the coach's own words in the language that is heard, else those that ship.
pub(super) fn cue_words(
    sources: &CueSources,
    language: Language,
    i18n: &Messages,
) -> serde_json::Map<String, Value> {
    let own = match sources.language() == language {
        true => sources.other_words(),
        false => BTreeMap::new(),
    };
    let words = |(id, shipped): (&str, &str)| {
        let words = own.get(id).map_or(shipped, String::as_str);
        (format!("cue.{id}"), words.into())
    };
    i18n.cues().map(words).collect()
}

/// A hitter to touch.
struct HitterButton {
    /// `name` or `number`: what the form sends.
    field: &'static str,
    value: String,
    label: String,
}

impl HitterButton {
    fn new(hitter: ShownHitter, i18n: &Messages) -> Self {
        match hitter {
            ShownHitter::Name(name) => Self {
                field: "name",
                label: i18n.hitter(Some(&name)).to_owned(),
                value: name,
            },
            ShownHitter::Number(number) => Self {
                field: "number",
                value: number.to_string(),
                label: i18n.format("people.number", number),
            },
        }
    }
}

/// How a hitter with a name is called in lists for everybody.
fn shown(hitter: HitterRow, unnamed: &[HitterId]) -> Option<ShownHitter> {
    let name = hitter.name?;
    Some(match unnamed.contains(&hitter.id) {
        true => ShownHitter::Number(hitter.id.get()),
        false => ShownHitter::Name(name),
    })
}

#[derive(Template)]
#[template(path = "hitters.html")]
struct HittersPage<'a> {
    page: PageContext<'a>,
    first: Vec<HitterButton>,
    others: Vec<HitterButton>,
    /// Those who take turns, in their order, and those who may.
    turns: Vec<HitterButton>,
    addable: Vec<HitterButton>,
    asked: Option<HitterButton>,
    error: Option<String>,
}

pub(in crate::page) async fn hitters(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
) -> Result<Html<String>, PageError> {
    render_hitters(&state, &requester, None).await
}

async fn render_hitters(
    state: &AppState,
    requester: &Requester,
    error: Option<String>,
) -> Result<Html<String>, PageError> {
    let i18n = requester.messages();
    let (hitters, unnamed) = state
        .read(|reader| {
            Ok((
                reader.hitters_to_choose(None)?,
                reader.who_refuse(Purpose::Name)?,
            ))
        })
        .await?;
    let order = state.control.turns();
    let button = |hitter: &HitterRow| {
        shown(hitter.clone(), &unnamed).map(|hitter| HitterButton::new(hitter, i18n))
    };
    let turns = order.iter().filter_map(|name| {
        let row = hitters.iter().find(|row| row.name.as_ref() == Some(name))?;
        button(row)
    });
    let turns = turns.collect();
    let takes_none = |row: &&HitterRow| row.name.as_ref().is_none_or(|name| !order.contains(name));
    let addable = hitters
        .iter()
        .filter(takes_none)
        .filter_map(button)
        .collect();
    let mut named: Vec<HitterButton> = hitters.iter().filter_map(button).collect();
    let others = named.split_off(named.len().min(FIRST_NAMES));
    let page = HittersPage {
        page: PageContext::new(requester, Section::Cage),
        first: named,
        others,
        turns,
        addable,
        asked: state
            .control
            .asked()
            .map(|hitter| HitterButton::new(hitter, i18n)),
        error,
    };
    html(&page)
}

#[derive(Deserialize)]
pub(in crate::page) struct HitterForm {
    name: Option<String>,
    /// Instead of a name that is not shown.
    number: Option<i64>,
    bats: Option<String>,
    /// As the reader writes it.
    height: Option<String>,
}

pub(in crate::page) async fn switch_hitter(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    CsrfForm(form): CsrfForm<HitterForm>,
) -> Result<Response, PageError> {
    let i18n = requester.messages();
    let mut form = form;
    if let Some(number) = form.number {
        let choice = HitterChoice::Id(HitterId::new(number));
        let row = state.read(move |reader| reader.hitter(&choice)).await?;
        form.name = row.name;
    }
    let hitter = match new_hitter(&form, requester.lengths) {
        Ok(hitter) => hitter,
        Err(key) => return refused(&state, &requester, i18n.t(key).to_owned()).await,
    };
    let control = state.control.clone();
    let switched = tokio::task::spawn_blocking(move || control.switch_hitter(hitter)).await?;
    match switched {
        Ok(()) => Ok(Redirect::to("/").into_response()),
        Err(error) => {
            tracing::warn!(%error, "the hitter stays the same");
            refused(&state, &requester, i18n.error(&error)).await
        }
    }
}

#[derive(Deserialize)]
pub(in crate::page) struct TurnsForm {
    add_name: Option<String>,
    add_number: Option<i64>,
    remove_name: Option<String>,
    remove_number: Option<i64>,
}

/// Changes who takes turns; without a hitter the next one's turn begins.
pub(in crate::page) async fn change_turns(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    CsrfForm(form): CsrfForm<TurnsForm>,
) -> Result<Response, PageError> {
    let is_next = form.add_name.is_none()
        && form.add_number.is_none()
        && form.remove_name.is_none()
        && form.remove_number.is_none();
    let number = form.add_number.or(form.remove_number);
    let adds = form.add_name.is_some() || form.add_number.is_some();
    let name = match number {
        Some(number) => {
            let choice = HitterChoice::Id(HitterId::new(number));
            state.read(move |reader| reader.hitter(&choice)).await?.name
        }
        None => form.add_name.or(form.remove_name),
    };
    let change = match name.filter(|name| is_name(name)) {
        Some(name) if adds => TurnChange::Add(name),
        Some(name) => TurnChange::Remove(name),
        None if is_next => TurnChange::Next,
        None => return Err(PageError::NotFound),
    };
    let after = if is_next { "/" } else { "/hitters" };
    let control = state.control.clone();
    let changed = tokio::task::spawn_blocking(move || control.change_turns(change)).await?;
    match changed {
        Ok(()) => Ok(Redirect::to(after).into_response()),
        Err(error) => {
            tracing::warn!(%error, "the turns stay as they are");
            refused(&state, &requester, requester.messages().error(&error)).await
        }
    }
}

async fn refused(
    state: &AppState,
    requester: &Requester,
    why: String,
) -> Result<Response, PageError> {
    let page = render_hitters(state, requester, Some(why)).await?;
    Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response())
}

/// The hitter of a form, or the message key of what is wrong with it.
pub(in crate::page) fn new_hitter(
    form: &HitterForm,
    lengths: Lengths,
) -> Result<NewHitter, &'static str> {
    let name = form
        .name
        .as_deref()
        .map(str::trim)
        .filter(|n| !n.is_empty());
    if name.is_some_and(|name| !is_name(name)) {
        return Err("hitters.name_unfit");
    }
    let bats = match form.bats.as_deref() {
        Some("left") => Some(Bats::Left),
        Some("right") => Some(Bats::Right),
        _ => None,
    };
    let height_cm = match form.height.as_deref().map(str::trim) {
        None | Some("") => None,
        Some(text) => Some(
            lengths
                .height_cm(text)
                .filter(|cm| is_height(*cm))
                .ok_or("hitters.height_unfit")?,
        ),
    };
    Ok(NewHitter {
        name: name.map(str::to_owned),
        bats,
        height_cm,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hitter_needs_no_name_and_no_height_and_nonsense_is_refused() {
        let form = |name: &str, height: &str| HitterForm {
            name: Some(name.into()),
            number: None,
            bats: Some("left".into()),
            height: Some(height.into()),
        };
        let nobody = new_hitter(&form("  ", ""), Lengths::Metric).unwrap();
        assert_eq!((nobody.name, nobody.height_cm), (None, None));
        let named = new_hitter(&form(" Kim ", "151,5"), Lengths::Metric).unwrap();
        assert_eq!(
            (named.name.as_deref(), named.bats, named.height_cm),
            (Some("Kim"), Some(Bats::Left), Some(151.5))
        );
        let tall = new_hitter(&form("Kim", "4'11\""), Lengths::Inches).unwrap();
        assert!(tall.height_cm.is_some_and(|cm| (cm - 149.86).abs() < 1e-9));
        for form in [
            form("Kim", "1.5"),
            form("Kim", "tall"),
            form(&"x".repeat(61), ""),
            form("a\u{7}b", ""),
        ] {
            assert!(new_hitter(&form, Lengths::Metric).is_err());
        }
    }
}

//! The hitters as the coach looks after them: another name, two entries that are one, frozen, deleted; and whose a session is.

use askama::Template;
use axum::Extension;
use axum::extract::{Path, Query, State};
use axum::response::{Html, Redirect};
use serde::Deserialize;

use super::SelectOption;
use super::consents::{ConsentPart, ConsentsFound, put_in_force};
use crate::audit::Act;
use crate::journal::{
    DeletionReport, DeletionTarget, Edit, HitterChoice, HitterId, HitterRow, JournalError,
    JournalReader, MOST_LISTED, NewHitter, Remnant, SessionFilter, SessionId, is_name,
};
use crate::page::auth::{CsrfForm, Requester};
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::format;
use crate::page::i18n::Messages;
use crate::page::state::AppState;

/// A hitter in the list.
struct PersonRow {
    hitter: HitterRow,
    sessions: u32,
    last: String,
    /// Whether another one has the same name, as two cages that were both away can make it.
    is_namesake: bool,
}

#[derive(Template)]
#[template(path = "people.html")]
struct PeoplePage<'a> {
    page: PageContext<'a>,
    rows: Vec<PersonRow>,
    /// What is looked for.
    name: String,
    /// Whether there are more hitters than these.
    has_more: bool,
}

#[derive(Deserialize)]
pub(in crate::page) struct PeopleQuery {
    /// Part of a name.
    name: Option<String>,
}

pub(in crate::page) async fn list(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Query(query): Query<PeopleQuery>,
) -> Result<Html<String>, PageError> {
    let name = query.name.unwrap_or_default().trim().to_owned();
    let (hitters, has_more, attendance, shared) = state
        .read({
            let name = name.to_lowercase();
            move |reader| {
                let (hitters, has_more) = listed(reader, &name)?;
                let attendance = reader.attendance(&hitters)?;
                Ok((hitters, has_more, attendance, reader.shared_names()?))
            }
        })
        .await?;
    let row = |hitter: HitterRow| {
        let attendance = attendance.get(&hitter.id);
        let name = hitter.name.as_ref();
        PersonRow {
            sessions: attendance.map_or(0, |attendance| attendance.sessions),
            last: attendance
                .map(|attendance| format::day_and_time(attendance.last_at))
                .unwrap_or_default(),
            is_namesake: name.is_some_and(|name| shared.contains(name)),
            hitter,
        }
    };
    html(&PeoplePage {
        page: PageContext::new(&requester, Section::People),
        rows: hitters.into_iter().map(row).collect(),
        name,
        has_more,
    })
}

/// The hitters in whose names this is, or without it those who hit last; and whether there are more.
fn listed(reader: &JournalReader, name: &str) -> Result<(Vec<HitterRow>, bool), JournalError> {
    let all = reader.hitters()?;
    if name.is_empty() {
        let lately = reader.hitters_lately(None)?;
        let has_more = all.len() > lately.len();
        return Ok((lately, has_more));
    }
    let is_it = |hitter: &HitterRow| {
        let called = hitter.name.as_ref();
        called.is_some_and(|called| called.to_lowercase().contains(name))
    };
    let mut found: Vec<HitterRow> = all.into_iter().filter(is_it).collect();
    let has_more = found.len() > MOST_LISTED;
    found.truncate(MOST_LISTED);
    Ok((found, has_more))
}

/// How many sessions of a hitter's there are, and how many reps.
fn how_much(reader: &JournalReader, hitter: HitterId) -> Result<(usize, u32), JournalError> {
    let sessions = reader.sessions_of(&SessionFilter {
        hitter: Some(hitter),
        ..SessionFilter::default()
    })?;
    let reps = sessions.iter().map(|row| row.swings + row.takes).sum();
    Ok((sessions.len(), reps))
}

#[derive(Deserialize)]
pub(in crate::page) struct NewPersonForm {
    name: String,
}

/// Adds a hitter, so that what they allow is on record before they first hit; a name that is there already leads to its hitter.
pub(in crate::page) async fn add(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    CsrfForm(form): CsrfForm<NewPersonForm>,
) -> Result<Redirect, PageError> {
    let name = form.name.trim();
    if !is_name(name) {
        return Err(PageError::IncompleteForm);
    }
    let hitter = NewHitter {
        name: Some(name.to_owned()),
        bats: None,
        height_cm: None,
    };
    let row = state.edit(Edit::AddHitter(hitter), &requester).await?;
    state.enter(
        Act::ChangedHitter,
        &requester,
        (None, Some(HitterId::new(row))),
    );
    Ok(Redirect::to(&format!("/people/{row}")))
}

/// Where a hitter may hit.
struct WhereTheyHit {
    /// In these; in every cage where there are none.
    cages: Vec<String>,
    /// The other cages of the facility.
    others: Vec<String>,
}

impl WhereTheyHit {
    fn read(reader: &JournalReader, hitter: HitterId) -> Result<Self, JournalError> {
        let cages = reader.cages_of(hitter)?;
        let known = reader.cages()?.into_iter().map(|row| row.cage);
        let mut others: Vec<String> = known.filter(|cage| !cages.contains(cage)).collect();
        others.dedup();
        Ok(Self { cages, others })
    }
}

#[derive(Template)]
#[template(path = "person.html")]
struct PersonPage<'a> {
    page: PageContext<'a>,
    hitter: HitterRow,
    sessions: usize,
    reps: u32,
    /// Others of the same name.
    namesakes: Vec<HitterId>,
    others: Vec<SelectOption>,
    /// At an office of several cages.
    cages: Option<WhereTheyHit>,
    consents: ConsentPart,
    asks_consent: bool,
}

pub(in crate::page) async fn person(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<i64>,
) -> Result<Html<String>, PageError> {
    let id = HitterId::new(id);
    let page = PageContext::new(&requester, Section::People);
    let has_cages = page.has_cages();
    let (hitter, namesakes, lately, (sessions, reps), consents, cages) = state
        .read(move |reader| {
            let hitter = reader.hitter(&HitterChoice::Id(id))?;
            Ok((
                hitter.clone(),
                reader.namesakes(&hitter)?,
                reader.hitters_lately(None)?,
                how_much(reader, id)?,
                ConsentsFound::read(reader, id)?,
                match has_cages {
                    true => Some(WhereTheyHit::read(reader, id)?),
                    false => None,
                },
            ))
        })
        .await?;
    let ids: Vec<HitterId> = namesakes.iter().map(|other| other.id).collect();
    // A namesake is the likeliest to be the same person.
    let mut others = namesakes;
    others.extend(lately.into_iter().filter(|other| !ids.contains(&other.id)));
    others.retain(|other| other.id != id);
    html(&PersonPage {
        page,
        cages,
        sessions,
        reps,
        namesakes: ids,
        others: all_options(others, None, requester.messages()),
        hitter,
        consents: consents.part(requester.messages()),
        asks_consent: state.control.settings().ask_consent,
    })
}

/// How a hitter is called, one without a name by their number.
pub(in crate::page) fn called(hitter: &HitterRow, i18n: &Messages) -> String {
    match &hitter.name {
        Some(name) => i18n.hitter(Some(name)).to_owned(),
        None => i18n.format("people.number", hitter.id),
    }
}

/// Hitters to select from, those without a name by their number.
pub(in crate::page) fn all_options(
    hitters: Vec<HitterRow>,
    selected: Option<HitterId>,
    i18n: &Messages,
) -> Vec<SelectOption> {
    hitters
        .iter()
        .map(|hitter| SelectOption {
            value: hitter.id.to_string(),
            label: called(hitter, i18n),
            selected: selected == Some(hitter.id),
        })
        .collect()
}

#[derive(Deserialize)]
pub(in crate::page) struct PersonForm {
    what: String,
    name: Option<String>,
    into: Option<i64>,
    cage: Option<String>,
}

pub(in crate::page) async fn change(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<i64>,
    CsrfForm(form): CsrfForm<PersonForm>,
) -> Result<Redirect, PageError> {
    let hitter = HitterId::new(id);
    let before = name_of(&state, hitter).await?;
    // Who they are from now on; `None` for nobody who may hit.
    let (edit, now) = match (form.what.as_str(), form.name.or(form.cage), form.into) {
        (what @ ("let_in" | "keep_out"), Some(cage), _) => {
            let is_let_in = what == "let_in";
            let edit = Edit::LetIn {
                hitter,
                cage,
                is_let_in,
            };
            (edit, before.clone())
        }
        ("rename", Some(name), _) => {
            let now = Some(name.trim().to_owned());
            (Edit::RenameHitter { hitter, name }, now)
        }
        ("merge", _, Some(into)) => {
            let into = HitterId::new(into);
            let now = name_of(&state, into).await?;
            (Edit::MergeHitters { from: hitter, into }, now)
        }
        ("freeze", ..) => (
            Edit::FreezeHitter {
                hitter,
                frozen: true,
            },
            None,
        ),
        ("unfreeze", ..) => (
            Edit::FreezeHitter {
                hitter,
                frozen: false,
            },
            before.clone(),
        ),
        _ => return Err(PageError::UnknownChange),
    };
    let row = state.edit(edit, &requester).await?;
    if before != now {
        change_who_hits(&state, before, now).await?;
    }
    put_in_force(&state, Some(HitterId::new(row))).await?;
    Ok(Redirect::to(&format!("/people/{row}")))
}

async fn name_of(state: &AppState, hitter: HitterId) -> Result<Option<String>, PageError> {
    let row = state
        .read(move |reader| reader.hitter(&HitterChoice::Id(hitter)))
        .await?;
    Ok(row.name)
}

/// Whoever hits under the old name goes on under the new one, or steps out.
async fn change_who_hits(
    state: &AppState,
    before: Option<String>,
    now: Option<String>,
) -> Result<(), PageError> {
    let Some(before) = before else { return Ok(()) };
    let control = state.control.clone();
    let changed =
        tokio::task::spawn_blocking(move || control.hitter_changed(&before, now.as_deref()))
            .await?;
    if let Err(error) = changed {
        tracing::warn!(%error, "who hits now could not be brought up to date");
    }
    Ok(())
}

#[derive(Deserialize)]
pub(in crate::page) struct GiveForm {
    hitter: String,
}

/// Gives a session to another hitter, or to nobody.
pub(in crate::page) async fn give(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(session): Path<i64>,
    CsrfForm(form): CsrfForm<GiveForm>,
) -> Result<Redirect, PageError> {
    let hitter = match form.hitter.as_str() {
        "" => None,
        id => Some(HitterId::new(
            id.parse().map_err(|_| PageError::IncompleteForm)?,
        )),
    };
    let session_id = SessionId::new(session);
    let edit = Edit::GiveSession {
        session: session_id,
        hitter,
    };
    state.edit(edit, &requester).await?;
    put_in_force(&state, hitter).await?;
    Ok(Redirect::to(&format!("/sessions/{session}")))
}

#[derive(Template)]
#[template(path = "delete.html")]
struct DeletePage<'a> {
    page: PageContext<'a>,
    what: String,
    back: String,
}

pub(in crate::page) async fn ask_about_person(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<i64>,
) -> Result<Html<String>, PageError> {
    let i18n = requester.messages();
    let choice = HitterChoice::Id(HitterId::new(id));
    let (hitter, (sessions, reps)) = state
        .read(move |reader| {
            let hitter = reader.hitter(&choice)?;
            let much = how_much(reader, hitter.id)?;
            Ok((hitter, much))
        })
        .await?;
    let who = called(&hitter, i18n);
    html(&DeletePage {
        page: PageContext::new(&requester, Section::People),
        what: i18n.fill("delete.person", &[&who, &sessions, &reps]),
        back: format!("/people/{id}"),
    })
}

pub(in crate::page) async fn ask_about_session(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<i64>,
) -> Result<Html<String>, PageError> {
    let i18n = requester.messages();
    let only = SessionFilter {
        only: Some(SessionId::new(id)),
        ..SessionFilter::default()
    };
    let sessions = state.read(move |reader| reader.sessions_of(&only)).await?;
    let row = sessions.first().ok_or(PageError::NotFound)?;
    let when = format::day_and_time(row.started_at);
    let who = i18n.hitter(row.hitter_name.as_deref());
    html(&DeletePage {
        page: PageContext::new(&requester, Section::Sessions),
        what: i18n.fill("delete.session", &[&when, &who, &(row.swings + row.takes)]),
        back: format!("/sessions/{id}"),
    })
}

#[derive(Deserialize)]
pub(in crate::page) struct DeleteForm {
    sure: Option<String>,
}

#[derive(Template)]
#[template(path = "deleted.html")]
struct DeletedPage<'a> {
    page: PageContext<'a>,
    done: String,
    /// Whether this is a cage of several.
    in_facility: bool,
    report: DeletionReport,
}

impl DeletedPage<'_> {
    fn films(&self) -> String {
        match &self.report.films {
            Ok(films) if films.failed.is_empty() => {
                self.page.format("deleted.films", films.total.films)
            }
            _ => self.page.t("deleted.films_failed").to_owned(),
        }
    }

    /// What is left, each kind with the files that hold it.
    fn left(&self) -> Vec<(&'static str, &[Remnant])> {
        let report = &self.report;
        [
            ("deleted.left", report.remnants.as_slice()),
            ("deleted.aside", &report.remnants_aside),
            ("deleted.named", &report.named_in_files),
        ]
        .into_iter()
        .filter(|(_, left)| !left.is_empty())
        .collect()
    }
}

pub(in crate::page) async fn delete_person(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<i64>,
    CsrfForm(form): CsrfForm<DeleteForm>,
) -> Result<Html<String>, PageError> {
    let hitter = HitterId::new(id);
    let name = name_of(&state, hitter).await?;
    form.sure.ok_or(PageError::IncompleteForm)?;
    change_who_hits(&state, name, None).await?;
    deleted(&state, &requester, DeletionTarget::Hitter(hitter)).await
}

pub(in crate::page) async fn delete_session(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<i64>,
    CsrfForm(form): CsrfForm<DeleteForm>,
) -> Result<Html<String>, PageError> {
    form.sure.ok_or(PageError::IncompleteForm)?;
    let target = DeletionTarget::Session(SessionId::new(id));
    deleted(&state, &requester, target).await
}

async fn deleted(
    state: &AppState,
    requester: &Requester,
    target: DeletionTarget,
) -> Result<Html<String>, PageError> {
    // A film that is on its way to the disk would come after the deletion.
    let control = state.control.clone();
    tokio::task::spawn_blocking(move || control.consents_changed(true)).await?;
    let report = state.delete(target).await?;
    let page = PageContext::new(requester, Section::People);
    let i18n = requester.messages();
    html(&DeletedPage {
        done: i18n.fill("deleted.what", &[&report.sessions, &report.reps]),
        in_facility: state.control.settings().facility.is_some(),
        page,
        report,
    })
}

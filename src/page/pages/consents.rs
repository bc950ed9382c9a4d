//! What a hitter allows, on their page: what is in force, every decision before it, and a form for the next.

use axum::Extension;
use axum::extract::{Path, State};
use axum::response::Redirect;
use serde::Deserialize;

use crate::journal::{
    ConsentRow, Decision, Edit, HitterId, JournalError, JournalReader, LONGEST_DECIDED_BY,
    NewConsent, Purpose, consent_in_force,
};
use crate::page::auth::{CsrfForm, Requester};
use crate::page::error::PageError;
use crate::page::format;
use crate::page::i18n::Messages;
use crate::page::state::AppState;

/// A decision in words.
pub(super) struct ConsentLine {
    pub(super) purpose: String,
    pub(super) decision: String,
    pub(super) decided_by: String,
    pub(super) decided_on: String,
    pub(super) recorded_at: String,
    pub(super) recorded_by: String,
}

/// The part of a hitter's page about what they allow.
pub(super) struct ConsentPart {
    /// One for each purpose.
    pub(super) in_force: Vec<ConsentLine>,
    /// Every decision, the newest first.
    pub(super) history: Vec<ConsentLine>,
    /// What the form offers: value and label.
    pub(super) purposes: Vec<(&'static str, String)>,
    pub(super) decisions: Vec<(&'static str, String)>,
    pub(super) today: String,
    pub(super) longest: usize,
    /// What a refusal would delete; empty where there is nothing.
    pub(super) deletes: String,
}

/// What the journal and the films have of a hitter, for [`ConsentPart`].
pub(super) struct ConsentsFound {
    rows: Vec<ConsentRow>,
    films: usize,
    timelines: u32,
}

impl ConsentsFound {
    pub(super) fn read(reader: &JournalReader, hitter: HitterId) -> Result<Self, JournalError> {
        Ok(Self {
            rows: reader.consent_rows(hitter)?,
            films: reader.count_films(hitter)?,
            timelines: reader.count_timelines(hitter)?,
        })
    }

    /// How much a refusal deletes.
    fn deletes(&self, purpose: Purpose) -> usize {
        match purpose {
            Purpose::Film => self.films,
            Purpose::Landmarks => self.timelines as usize,
            Purpose::Name | Purpose::Picture => 0,
        }
    }

    pub(super) fn part(self, i18n: &Messages) -> ConsentPart {
        let deletes = match (self.films, self.timelines) {
            (0, 0) => String::new(),
            (films, timelines) => i18n.fill("consent.sure", &[&films, &timelines]),
        };
        let in_force = Purpose::ALL
            .iter()
            .map(|purpose| match consent_in_force(&self.rows, *purpose) {
                Some(row) => line(row, i18n),
                None => undecided(*purpose, i18n),
            })
            .collect();
        ConsentPart {
            in_force,
            history: self.rows.iter().rev().map(|row| line(row, i18n)).collect(),
            purposes: Purpose::ALL
                .iter()
                .map(|purpose| (purpose.as_str(), purpose_text(*purpose, i18n)))
                .collect(),
            decisions: Decision::ALL
                .iter()
                .map(|decision| (decision.as_str(), decision_text(*decision, i18n)))
                .collect(),
            today: format::day(crate::wall_clock::now()),
            longest: LONGEST_DECIDED_BY,
            deletes,
        }
    }
}

fn line(row: &ConsentRow, i18n: &Messages) -> ConsentLine {
    ConsentLine {
        purpose: purpose_text(row.purpose, i18n),
        decision: decision_text(row.decision, i18n),
        decided_by: row.decided_by.clone(),
        decided_on: row.decided_on.clone(),
        recorded_at: format::day_and_time(row.recorded_at),
        recorded_by: i18n.account(&row.recorded_by).to_owned(),
    }
}

fn undecided(purpose: Purpose, i18n: &Messages) -> ConsentLine {
    ConsentLine {
        purpose: purpose_text(purpose, i18n),
        decision: i18n.t("consent.none").to_owned(),
        decided_by: String::new(),
        decided_on: String::new(),
        recorded_at: String::new(),
        recorded_by: String::new(),
    }
}

fn purpose_text(purpose: Purpose, i18n: &Messages) -> String {
    i18n.named("consent.purpose.", purpose.as_str()).to_owned()
}

fn decision_text(decision: Decision, i18n: &Messages) -> String {
    i18n.named("consent.decision.", decision.as_str())
        .to_owned()
}

#[derive(Deserialize)]
pub(in crate::page) struct ConsentForm {
    purpose: String,
    decision: String,
    decided_by: String,
    decided_on: String,
    /// That what is there of it may be deleted.
    sure: Option<String>,
}

pub(in crate::page) async fn record(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Path(id): Path<i64>,
    CsrfForm(form): CsrfForm<ConsentForm>,
) -> Result<Redirect, PageError> {
    let hitter = HitterId::new(id);
    let unknown = |_| PageError::UnknownChange;
    let consent = NewConsent {
        purpose: form.purpose.parse().map_err(unknown)?,
        decision: form.decision.parse().map_err(unknown)?,
        decided_by: form.decided_by,
        decided_on: form
            .decided_on
            .parse()
            .map_err(|_| PageError::IncompleteForm)?,
    };
    if consent.decision != Decision::Given && form.sure.is_none() {
        let found = state
            .read(move |reader| ConsentsFound::read(reader, hitter))
            .await?;
        if found.deletes(consent.purpose) > 0 {
            return Err(PageError::Unsure);
        }
    }
    let edit = Edit::RecordConsent { hitter, consent };
    state.edit(edit, &requester).await?;
    put_in_force(&state, Some(hitter)).await?;
    Ok(Redirect::to(&format!("/people/{id}#consents")))
}

/// After a change to what somebody allows, or to what is theirs: ends what the hitter who hits now does not allow, and then deletes
/// the films that this hitter does not.
pub(super) async fn put_in_force(
    state: &AppState,
    hitter: Option<HitterId>,
) -> Result<(), PageError> {
    let film_refused = match hitter {
        Some(hitter) => state
            .read(move |reader| reader.consents(hitter))
            .await?
            .refuses(Purpose::Film),
        None => false,
    };
    let control = state.control.clone();
    tokio::task::spawn_blocking(move || control.consents_changed(film_refused)).await?;
    let Some(hitter) = hitter else { return Ok(()) };
    let deleted = state
        .read(move |reader| reader.delete_refused_films(hitter))
        .await?;
    match deleted {
        Ok(films) if films.failed.is_empty() => Ok(()),
        Ok(films) => {
            for (path, error) in &films.failed {
                tracing::error!(path = %path.display(), %error, "a film that was refused is left");
            }
            Err(PageError::FilmsLeft)
        }
        Err(error) => {
            tracing::error!(%error, "films that were refused are left");
            Err(PageError::FilmsLeft)
        }
    }
}

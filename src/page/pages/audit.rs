//! The audit trail, for the coach: what was done, by whom, the latest first.

use std::collections::HashMap;

use askama::Template;
use axum::Extension;
use axum::extract::{Query, State};
use axum::response::Html;
use serde::Deserialize;

use super::SelectOption;
use super::logins::account_name;
use super::people::all_options;
use crate::audit::{Actor, AuditEntry, read};
use crate::journal::{HitterId, HitterRow};
use crate::page::auth::{Principal, Requester};
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::format;
use crate::page::i18n::Messages;
use crate::page::state::AppState;

/// Entries on one page.
const PAGE_SIZE: usize = 200;

#[derive(Deserialize)]
pub(in crate::page) struct AuditQuery {
    hitter: Option<String>,
    /// How many of the latest entries to pass over.
    #[serde(default)]
    after: usize,
}

struct AuditRow {
    when: String,
    who: String,
    from: String,
    what: String,
    about: String,
}

#[derive(Template)]
#[template(path = "audit.html")]
struct AuditPage<'a> {
    page: PageContext<'a>,
    hitters: Vec<SelectOption>,
    hitter: Option<HitterId>,
    rows: Vec<AuditRow>,
    older: Option<usize>,
    kept: String,
}

pub(in crate::page) async fn list(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Query(query): Query<AuditQuery>,
) -> Result<Html<String>, PageError> {
    let i18n = requester.messages();
    let hitter: Option<i64> = query.hitter.as_deref().and_then(|id| id.parse().ok());
    let journal = state.control.journal().ok_or(PageError::NoJournal)?;
    let read = tokio::task::spawn_blocking(move || read(&journal)).await?;
    let mut entries = read.map_err(|error| {
        tracing::error!(%error, "the audit trail cannot be read");
        PageError::Internal
    })?;
    entries.retain(|entry| hitter.is_none() || entry.hitter == hitter);
    let chosen = hitter.map(HitterId::new);
    let (hitters, lately) = state
        .read(move |reader| Ok((reader.hitters()?, reader.hitters_lately(chosen)?)))
        .await?;
    let names: HashMap<i64, &HitterRow> = hitters.iter().map(|row| (row.id.get(), row)).collect();
    let shown = entries.iter().rev().skip(query.after).take(PAGE_SIZE);
    let rows = shown.map(|entry| row(entry, &names, i18n)).collect();
    let next = query.after.saturating_add(PAGE_SIZE);
    html(&AuditPage {
        page: PageContext::new(&requester, Section::Logins),
        older: (entries.len() > next).then_some(next),
        rows,
        hitter: chosen,
        hitters: all_options(lately, chosen, i18n),
        kept: i18n.format("audit.kept", state.rules().audit_days),
    })
}

fn row(entry: &AuditEntry, names: &HashMap<i64, &HitterRow>, i18n: &Messages) -> AuditRow {
    let hitter = entry
        .hitter
        .map(|id| match names.get(&id).map(|row| row.name.as_deref()) {
            Some(Some(name)) => i18n.hitter(Some(name)).to_owned(),
            Some(None) => i18n.format("people.number", id),
            None => i18n.format("audit.gone", id),
        });
    let session = entry
        .session
        .map(|number| i18n.format("audit.session", number));
    let detail = entry.detail.as_deref().map(|detail| words(detail, i18n));
    let about = [hitter, session, detail].into_iter().flatten();
    AuditRow {
        when: format::day_and_time(entry.at),
        who: actor(&entry.who, i18n),
        from: entry.from.clone().unwrap_or_default(),
        what: match entry.act.known() {
            Some(act) => i18n
                .t(&format!("audit.act.{}", act.as_str().replace(' ', "_")))
                .to_owned(),
            None => entry.act.to_string(),
        },
        about: about
            .filter(|part| !part.is_empty())
            .collect::<Vec<_>>()
            .join(" · "),
    }
}

/// What more there is about an entry: a word of a list, a colon and what it is about; or text that is the same in every language.
fn words(detail: &str, i18n: &Messages) -> String {
    let (word, about) = detail.split_once(": ").unwrap_or((detail, ""));
    let key = format!("audit.detail.{}", word.replace(' ', "_"));
    let text = i18n.t(&key);
    match (text == key, about) {
        (true, _) => detail.to_owned(),
        (false, "") => text.to_owned(),
        (false, about) => format!("{text}: {about}"),
    }
}

fn actor(who: &Actor, i18n: &Messages) -> String {
    match who {
        Actor::Nobody => i18n.t("audit.nobody").to_owned(),
        Actor::Screen => account_name(&Principal::Screen, i18n),
        Actor::Coach(name) => account_name(&Principal::Coach(name.clone()), i18n),
        Actor::User(name) => i18n.format("audit.user", name),
        Actor::Program => "cagehand".to_owned(),
    }
}

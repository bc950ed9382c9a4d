//! How the cages of a facility are, for whoever sits in its office.

use askama::Template;
use axum::Extension;
use axum::extract::State;
use axum::response::{Html, Redirect};
use serde::Deserialize;
use serde_json::Value;

use crate::coach::ReadyState;
use crate::journal::{CageRow, Edit};
use crate::page::auth::{CsrfForm, Requester};
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::format;
use crate::page::i18n::Messages;
use crate::page::state::AppState;

/// A cage says how it is twice a minute; after so long without a word it counts as away, seconds.
pub(in crate::page) const AWAY_SECS: f64 = 90.0;

struct CageLine {
    journal: String,
    cage: String,
    is_up: bool,
    seen: String,
    hitter: String,
    camera: String,
    last_rep: String,
    behind: String,
    version: String,
    deletions_left: u32,
    is_replaced: bool,
    shows_screen: bool,
}

#[derive(Template)]
#[template(path = "cages.html")]
struct CagesPage<'a> {
    page: PageContext<'a>,
    cages: Vec<CageLine>,
}

impl CagesPage<'_> {
    fn are_any_replaced(&self) -> bool {
        self.cages.iter().any(|row| row.is_replaced)
    }
}

pub(in crate::page) async fn page(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
) -> Result<Html<String>, PageError> {
    let page = PageContext::new(&requester, Section::Cages);
    let i18n = requester.messages();
    let cages = match page.has_cages() {
        true => state.read(|reader| reader.cages()).await?,
        false => Vec::new(),
    };
    let cages = cages.iter().map(|row| line(row, i18n)).collect();
    html(&CagesPage { page, cages })
}

#[derive(Deserialize)]
pub(in crate::page) struct RetireForm {
    /// The journal of the machine.
    journal: String,
}

/// An earlier machine of a cage is waited for no longer.
pub(in crate::page) async fn retire(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    CsrfForm(form): CsrfForm<RetireForm>,
) -> Result<Redirect, PageError> {
    let journal = form.journal;
    state.edit(Edit::Retire { journal }, &requester).await?;
    Ok(Redirect::to("/cages"))
}

fn line(row: &CageRow, i18n: &Messages) -> CageLine {
    let text = |key: &str| row.state.get(key).and_then(Value::as_str);
    let number = |key: &str| row.state.get(key).and_then(Value::as_f64);
    let unknown = || "–".to_owned();
    let is_up = row.silent_secs < AWAY_SECS;
    let ready = text("ready").and_then(|ready| ready.parse::<ReadyState>().ok());
    let stand = text("camera_stand").filter(|_| is_up);
    let rate = number("fps").filter(|_| is_up);
    CageLine {
        journal: row.journal.clone(),
        cage: row.cage.clone(),
        is_up,
        seen: format::day_and_time(row.seen_at),
        hitter: ready
            .filter(|_| is_up)
            .map_or_else(unknown, |ready| i18n.ready(ready)),
        camera: match (stand, rate) {
            (Some(stand), Some(rate)) => format!(
                "{}, {}",
                i18n.named("health.camera_stand.", stand),
                i18n.format("cages.rate", format!("{rate:.0}"))
            ),
            _ => unknown(),
        },
        last_rep: row.last_rep_at.map_or_else(unknown, format::day_and_time),
        behind: match number("reps_behind") {
            Some(reps) if reps > 0.0 => i18n.counted("count.reps_behind", reps as u64),
            Some(_) => i18n.t("cages.all_here").to_owned(),
            None => unknown(),
        },
        version: text("version").unwrap_or("–").to_owned(),
        deletions_left: row.deletions_left,
        is_replaced: row.is_replaced,
        shows_screen: is_up && row.shows_screen(),
    }
}

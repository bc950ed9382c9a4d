//! The screen in the cage, and who steps in.

use askama::Template;
use axum::Extension;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Redirect, Response};
use serde::Deserialize;

use super::doors::{Posted, Visitor};
use super::shared::{Shared, Trouble};
use super::words::Words;
use crate::journal::{HitterRow, NewHitter};
use crate::rep::Bats;
use crate::settings::is_height;

/// More names than this are no choice by tap; the rest is behind "all".
const FIRST_NAMES: usize = 12;
/// The longest name, characters.
const LONGEST_NAME: usize = 60;

/// The page's content.
#[derive(Template)]
#[template(path = "cage.html")]
struct CagePage<'a> {
    w: &'static Words,
    visitor: &'a Visitor,
    here: &'static str,
    script_words: String,
}

pub(super) async fn screen(
    Extension(visitor): Extension<Visitor>,
) -> Result<Html<String>, Trouble> {
    let w = visitor.words();
    let page = CagePage {
        w,
        visitor: &visitor,
        here: "cage",
        script_words: script_words(w),
    };
    Ok(Html(page.render()?))
}

/// The words of the screen's script and those of all cues, as JSON for a data attribute.
fn script_words(w: &Words) -> String {
    let mut all = serde_json::Map::new();
    for (key, words) in w.for_scripts() {
        all.insert(key.to_owned(), words.into());
    }
    for (id, words) in w.cues() {
        all.insert(format!("cue.{id}"), words.into());
    }
    for name in crate::rep::MeasureName::ALL {
        all.insert(
            format!("measure.{}", name.name()),
            w.measure(name.name()).into(),
        );
    }
    serde_json::Value::Object(all).to_string()
}

/// The page's content.
#[derive(Template)]
#[template(path = "hitters.html")]
struct HittersPage<'a> {
    w: &'static Words,
    visitor: &'a Visitor,
    here: &'static str,
    first: Vec<HitterRow>,
    others: Vec<HitterRow>,
    said: Option<String>,
}

pub(super) async fn hitters(
    State(shared): State<Shared>,
    Extension(visitor): Extension<Visitor>,
) -> Result<Html<String>, Trouble> {
    choice(&shared, &visitor, None).await
}

async fn choice(
    shared: &Shared,
    visitor: &Visitor,
    said: Option<String>,
) -> Result<Html<String>, Trouble> {
    let mut named = shared
        .read(|reader| reader.hitters_by_last_session())
        .await?;
    named.retain(|hitter| hitter.name.is_some());
    let others = named.split_off(named.len().min(FIRST_NAMES));
    let page = HittersPage {
        w: visitor.words(),
        visitor,
        here: "cage",
        first: named,
        others,
        said,
    };
    Ok(Html(page.render()?))
}

/// What the form sends.
#[derive(Deserialize)]
pub(super) struct Seat {
    name: Option<String>,
    bats: Option<String>,
    height_cm: Option<String>,
}

pub(super) async fn seat(
    State(shared): State<Shared>,
    Extension(visitor): Extension<Visitor>,
    Posted(seat): Posted<Seat>,
) -> Result<Response, Trouble> {
    let w = visitor.words();
    let hitter = match new_hitter(&seat) {
        Ok(hitter) => hitter,
        Err(key) => return refused(&shared, &visitor, w.t(key).to_owned()).await,
    };
    let daemon = shared.seat.clone();
    let seated = tokio::task::spawn_blocking(move || daemon.seat(hitter))
        .await
        .map_err(|_| Trouble::Fault)?;
    match seated {
        Ok(()) => Ok(Redirect::to("/").into_response()),
        Err(why) => refused(&shared, &visitor, why).await,
    }
}

async fn refused(shared: &Shared, visitor: &Visitor, why: String) -> Result<Response, Trouble> {
    let page = choice(shared, visitor, Some(why)).await?;
    Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response())
}

/// The hitter of a form, or the key of what is wrong with it.
fn new_hitter(seat: &Seat) -> Result<NewHitter, &'static str> {
    let name = seat
        .name
        .as_deref()
        .map(str::trim)
        .filter(|n| !n.is_empty());
    if name.is_some_and(|name| {
        name.chars().count() > LONGEST_NAME || name.chars().any(char::is_control)
    }) {
        return Err("hitters.name_unfit");
    }
    let bats = match seat.bats.as_deref() {
        Some("left") => Some(Bats::Left),
        Some("right") => Some(Bats::Right),
        _ => None,
    };
    let height_cm = match seat.height_cm.as_deref().map(str::trim) {
        None | Some("") => None,
        Some(text) => Some(
            text.replace(',', ".")
                .parse::<f64>()
                .ok()
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
    fn a_hitter_needs_no_name_and_no_height_and_rubbish_is_told() {
        let seat = |name: &str, height: &str| Seat {
            name: Some(name.into()),
            bats: Some("left".into()),
            height_cm: Some(height.into()),
        };
        let nobody = new_hitter(&seat("  ", "")).unwrap();
        assert_eq!((nobody.name, nobody.height_cm), (None, None));
        let named = new_hitter(&seat(" Kim ", "151,5")).unwrap();
        assert_eq!(
            (named.name.as_deref(), named.bats, named.height_cm),
            (Some("Kim"), Some(Bats::Left), Some(151.5))
        );
        assert!(new_hitter(&seat("Kim", "1.5")).is_err());
        assert!(new_hitter(&seat("Kim", "tall")).is_err());
        assert!(new_hitter(&seat(&"x".repeat(61), "")).is_err());
        assert!(new_hitter(&seat("a\u{7}b", "")).is_err());
    }
}

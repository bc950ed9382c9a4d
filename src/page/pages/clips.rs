//! Clips that a coach drops on the page: whose they are, how far each is, and the session that came of it.

use std::io::Write;
use std::sync::Arc;
use std::time::Duration;

use askama::Template;
use axum::body::{Body, Bytes};
use axum::extract::{Path, Query, State};
use axum::response::{Html, Redirect};
use axum::{Extension, Json};
use jiff::Timestamp;
use ring::digest::{Context, SHA256};
use serde::{Deserialize, Serialize};
use tokio::sync::mpsc;
use tokio_stream::StreamExt;

use super::SelectOption;
use super::people::{all_options, called};
use crate::clips::{
    ClipFailure, ClipId, ClipState, ClipToRead, LARGEST_BYTES, LONGEST_SECS, NewClip, NoRoom,
    ShownClip,
};
use crate::journal::{HitterChoice, HitterId, HitterRow};
use crate::page::auth::{CsrfForm, CsrfUpload, NoFields, Requester, hex};
use crate::page::context::{PageContext, Section, html};
use crate::page::error::PageError;
use crate::page::i18n::Messages;
use crate::page::state::AppState;

/// How long the next part of a clip may take to come in.
const PATIENCE: Duration = Duration::from_secs(30);
/// Parts that wait for the disk.
const PARTS: usize = 16;
/// How many times slower than life clips play, as phones film: 60, 120 and 240 frames a second that play as 30.
const SLOWED: [f64; 4] = [1.0, 2.0, 4.0, 8.0];
/// What the form sends where the file is to say.
const BY_FILE: &str = "file";
/// So much of a clip's SHA-256 is enough to know it again.
const DIGEST_BYTES: usize = 8;
/// The longest name of a file that is shown, letters.
const NAME_LETTERS: usize = 80;

#[derive(Template)]
#[template(path = "clips.html")]
struct ClipsPage<'a> {
    page: PageContext<'a>,
    hitters: Vec<SelectOption>,
    slowed: Vec<SelectOption>,
    clips: Vec<ClipRow>,
    can_send: bool,
    limits: String,
    most_bytes: u64,
    script_messages: String,
}

/// A clip in the list, for the template and for the script.
#[derive(Serialize)]
pub(in crate::page) struct ClipRow {
    id: u64,
    name: String,
    whose: String,
    says: String,
    /// From 0 to 1, where it is read and its length is known.
    progress: Option<f64>,
    session: Option<i64>,
    is_over: bool,
}

#[derive(Deserialize)]
pub(in crate::page) struct PageQuery {
    hitter: Option<i64>,
}

pub(in crate::page) async fn page(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Query(query): Query<PageQuery>,
) -> Result<Html<String>, PageError> {
    let chosen = query.hitter.map(HitterId::new);
    let (hitters, may_hit) = state
        .read(move |reader| Ok((reader.hitters()?, reader.hitters_to_choose(chosen)?)))
        .await?;
    let i18n = requester.messages();
    let clips = rows(&state.clips.shown(), &hitters, i18n);
    html(&ClipsPage {
        page: PageContext::new(&requester, Section::Sessions),
        hitters: all_options(may_hit, chosen, i18n),
        slowed: slowed_options(i18n),
        clips,
        can_send: state.can_write(),
        limits: i18n.fill(
            "clips.limits",
            &[&(LONGEST_SECS / 60.0), &(LARGEST_BYTES >> 30)],
        ),
        most_bytes: LARGEST_BYTES,
        script_messages: i18n.messages_of_script("clips"),
    })
}

fn slowed_options(i18n: &Messages) -> Vec<SelectOption> {
    let by_file = SelectOption {
        value: BY_FILE.to_owned(),
        label: i18n.t("clips.slowed_by_file").to_owned(),
        selected: true,
    };
    let others = SLOWED.iter().map(|times| SelectOption {
        value: times.to_string(),
        label: match *times {
            1.0 => i18n.t("clips.slowed_not").to_owned(),
            times => i18n.format("clips.slowed_times", times),
        },
        selected: false,
    });
    std::iter::once(by_file).chain(others).collect()
}

fn rows(clips: &[ShownClip], hitters: &[HitterRow], i18n: &Messages) -> Vec<ClipRow> {
    clips.iter().map(|clip| row(clip, hitters, i18n)).collect()
}

fn row(clip: &ShownClip, hitters: &[HitterRow], i18n: &Messages) -> ClipRow {
    let hitter = hitters.iter().find(|hitter| Some(hitter.id) == clip.hitter);
    let says = match &clip.state {
        ClipState::Waiting => i18n.t("clips.waiting"),
        ClipState::Reading(..) => i18n.t("clips.reading"),
        ClipState::Stored(_, false) => i18n.t("clips.stored"),
        ClipState::Stored(_, true) => i18n.t("clips.stored_damaged"),
        ClipState::Failed(why) => failure(*why, i18n),
    };
    let progress = match clip.state {
        ClipState::Reading(read, Some(of)) if of > 0 => Some((read as f64 / of as f64).min(1.0)),
        _ => None,
    };
    let session = match clip.state {
        ClipState::Stored(session, _) => Some(session.get()),
        _ => None,
    };
    ClipRow {
        id: clip.id.0,
        name: clip.name.clone(),
        whose: hitter.map_or_else(
            || i18n.hitter(None).to_owned(),
            |hitter| called(hitter, i18n),
        ),
        says: says.to_owned(),
        progress,
        session,
        is_over: clip.state.is_over(),
    }
}

fn failure(why: ClipFailure, i18n: &Messages) -> &str {
    i18n.t(match why {
        ClipFailure::Unreadable => "clips.unreadable",
        ClipFailure::CutShort => "clips.cut_short",
        ClipFailure::NeedsFfmpeg => "clips.needs_ffmpeg",
        ClipFailure::TooLong => "clips.too_long",
        ClipFailure::NotSlowed => "clips.not_slowed",
        ClipFailure::NobodyFound => "clips.nobody",
        ClipFailure::NoSwing => "clips.no_swing",
        ClipFailure::HitterGone => "clips.hitter_gone",
        ClipFailure::ReadBefore => "clips.read_before",
        ClipFailure::NotStored => "clips.not_stored",
        ClipFailure::Ended => "clips.ended",
    })
}

/// How far the clips are, for the script.
pub(in crate::page) async fn now(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
) -> Result<Json<Vec<ClipRow>>, PageError> {
    // By name as they are called now: one may have been renamed since the clip was sent.
    let hitters = state.read(|reader| reader.hitters()).await?;
    let clips = state.clips.shown();
    Ok(Json(rows(&clips, &hitters, requester.messages())))
}

#[derive(Deserialize)]
pub(in crate::page) struct ClipQuery {
    /// Empty for nobody named.
    hitter: String,
    /// Milliseconds since 1970.
    filmed_at: i64,
    slowed: String,
}

/// Takes a clip, which is the body, and has it read after those that wait.
pub(in crate::page) async fn send(
    State(state): State<AppState>,
    Extension(requester): Extension<Requester>,
    Query(query): Query<ClipQuery>,
    CsrfUpload { body, bytes, name }: CsrfUpload,
) -> Result<Json<Vec<ClipRow>>, PageError> {
    let writer = state.writer()?;
    if bytes > LARGEST_BYTES {
        return Err(PageError::ClipTooLarge);
    }
    let sender = Arc::clone(&state.clip_sender).try_acquire_owned();
    let _permit = sender.map_err(|_| PageError::TooManyClips)?;
    let journal = state.control.journal().ok_or(PageError::NoJournal)?;
    let slowed = slowed_of(&query.slowed)?;
    let whose = match query.hitter.as_str() {
        "" => None,
        id => Some(HitterId::new(
            id.parse().map_err(|_| PageError::IncompleteForm)?,
        )),
    };
    let (hitter, plan) = state
        .read(move |reader| {
            let choice = whose.map(HitterChoice::Id);
            let hitter = choice.map(|whose| reader.hitter(&whose)).transpose()?;
            Ok((hitter, reader.plan_in_force(whose)?))
        })
        .await?;
    if hitter.as_ref().is_some_and(|hitter| hitter.frozen) {
        return Err(PageError::Frozen);
    }
    let new = {
        let (clips, journal) = (state.clips.clone(), journal.clone());
        tokio::task::spawn_blocking(move || clips.new_file(&journal, bytes))
            .await?
            .map_err(unkept)?
            .map_err(|no_room| match no_room {
                NoRoom::Waiting => PageError::TooManyClips,
                NoRoom::Disk => PageError::ClipUnkept,
            })?
    };
    let (new, digest) = receive(new, body, bytes).await?;
    let clip = ClipToRead {
        file: new.path.clone(),
        digest,
        name: name.chars().take(NAME_LETTERS).collect(),
        hitter: whose,
        height_cm: hitter.and_then(|hitter| hitter.height_cm),
        filmed_at: filmed_at(query.filmed_at),
        slowed,
        plan,
        settings: state.control.settings(),
        journal,
        writer,
    };
    state.clips.add(new, clip).map_err(unkept)?;
    now(State(state), Extension(requester)).await
}

fn slowed_of(sent: &str) -> Result<Option<f64>, PageError> {
    match sent {
        BY_FILE => Ok(None),
        times => SLOWED
            .into_iter()
            .find(|known| known.to_string() == times)
            .map(Some)
            .ok_or(PageError::IncompleteForm),
    }
}

/// To the millisecond, as the journal has its times; no clip was filmed in the future.
fn filmed_at(millis: i64) -> Timestamp {
    let now = crate::wall_clock::now_to_the_millisecond();
    match Timestamp::from_millisecond(millis) {
        Ok(at) if at <= now && at > Timestamp::UNIX_EPOCH => at,
        _ => now,
    }
}

fn unkept(error: std::io::Error) -> PageError {
    tracing::warn!(%error, "a clip could not be kept until it is read");
    PageError::ClipUnkept
}

/// Writes the body into the file, on a thread of its own: the page's must not wait for a disk. Gives the beginning of its SHA-256, too.
async fn receive(mut new: NewClip, body: Body, bytes: u64) -> Result<(NewClip, String), PageError> {
    let (parts, mut written) = mpsc::channel::<Bytes>(PARTS);
    let writing = tokio::task::spawn_blocking(move || -> std::io::Result<(NewClip, String)> {
        let mut digest = Context::new(&SHA256);
        if let Some(mut file) = new.file.take() {
            while let Some(part) = written.blocking_recv() {
                digest.update(&part);
                file.write_all(&part)?;
            }
            file.flush()?;
        }
        Ok((new, hex(&digest.finish().as_ref()[..DIGEST_BYTES])))
    });
    let mut body = body.into_data_stream();
    let mut came = 0;
    let sent = loop {
        match tokio::time::timeout(PATIENCE, body.next()).await {
            Err(_) => break Err(PageError::TooSlow),
            Ok(None) if came == bytes => break Ok(()),
            Ok(None | Some(Err(_))) => break Err(PageError::IncompleteForm),
            Ok(Some(Ok(part))) => {
                came += part.len() as u64;
                // Where the disk takes no more, what it says comes below.
                if came > bytes || parts.send(part).await.is_err() {
                    break Ok(());
                }
            }
        }
    };
    drop(parts);
    let new = writing.await?.map_err(unkept)?;
    sent.map(|()| new)
}

/// Gives a clip up, or takes one that is through out of the list.
pub(in crate::page) async fn drop_clip(
    State(state): State<AppState>,
    Path(id): Path<u64>,
    CsrfForm(NoFields {}): CsrfForm<NoFields>,
) -> Redirect {
    state.clips.drop_clip(ClipId(id));
    Redirect::to("/clips")
}

impl AppState {
    /// Deletes what a run before this one left of clips, where this one writes the journal.
    pub(in crate::page) fn sweep_clips(&self) {
        if let Some(journal) = self.control.journal()
            && self.can_write()
        {
            self.clips.sweep(&journal);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rep::Lengths;
    use crate::sound::Language;

    #[test]
    fn times_that_cannot_be_are_now() {
        let now = crate::wall_clock::now_to_the_millisecond();
        let long_ago: Timestamp = "2026-05-01T17:03:09.250Z".parse().unwrap();
        assert_eq!(filmed_at(long_ago.as_millisecond()), long_ago);
        for wrong in [i64::MIN, -1, 0, now.as_millisecond() + 60_000, i64::MAX] {
            let at = filmed_at(wrong);
            assert!(at >= now && at <= crate::wall_clock::now_to_the_millisecond());
        }
    }

    #[test]
    fn a_clip_plays_as_slow_as_one_of_the_options_says() {
        let i18n = Messages::of(Language::Spanish, Lengths::Metric);
        let options = slowed_options(i18n);
        let values: Vec<_> = options
            .iter()
            .map(|option| slowed_of(&option.value).ok().unwrap())
            .collect();
        assert_eq!(values, [None, Some(1.0), Some(2.0), Some(4.0), Some(8.0)]);
        assert!(slowed_of("3").is_err() && slowed_of("").is_err());
    }
}

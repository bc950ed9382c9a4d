//! Hitters that others changed, with their plans and decisions; who was deleted, and who goes on as another.

use rusqlite::params;
use serde_json::Value;

use super::incoming::{
    Field, TakenChanges, add, count, id_of, is_deleted, is_newer, stamp, text, uid_of,
};
use crate::journal::record::HitterId;
use crate::journal::store::columns::{ConsentColumn, PlanColumn};
use crate::journal::store::sql::Sql;
use crate::journal::store::{consents, people};

/// The hitter's number here; `None` where they cannot be here, since they are deleted or another has their name until somebody
/// decides about that.
pub(super) fn take_hitter(
    c: &Sql<'_>,
    content: &Value,
    taken: &mut TakenChanges,
) -> rusqlite::Result<Option<i64>> {
    let Some(uid) = uid_of(content, "uid") else {
        return Ok(None);
    };
    if is_deleted(c, &uid)? {
        return Ok(None);
    }
    let name = text(content, "name");
    let here = id_of(c, "hitters", Some(uid.clone()))?;
    let is_taken = c
        .prepare_cached("SELECT 1 FROM hitters WHERE name = ?1 AND id IS NOT ?2")?
        .exists(params![name, here])?;
    if is_taken {
        tracing::warn!("two hitters of the facility have one name; the office decides who is who");
    }
    let id = match here {
        // They come once the name is free: the store tells of them again then.
        None if is_taken => return Ok(None),
        None => {
            c.query_row(
                "INSERT INTO hitters (uid, name, bats, height_cm, created_at, frozen_at, edits, edited_in, freezes)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9) RETURNING id",
                params![
                    uid,
                    name,
                    text(content, "bats"),
                    Field(&content["height_cm"]),
                    stamp(content, "created_at"),
                    stamp(content, "frozen_at"),
                    count(content, "edits"),
                    uid_of(content, "edited_in"),
                    count(content, "freezes"),
                ],
                |row| row.get(0),
            )?
        }
        Some(id) => {
            update_hitter(c, (id, is_taken), content, taken)?;
            id
        }
    };
    for plan in content["plans"].as_array().into_iter().flatten() {
        take_plan(c, plan)?;
    }
    for consent in content["consents"].as_array().into_iter().flatten() {
        take_consent(c, consent, taken)?;
    }
    Ok(Some(id))
}

/// Whose new name another one has here keeps the old one until it is free.
fn update_hitter(
    c: &Sql<'_>,
    (id, is_taken): (i64, bool),
    content: &Value,
    taken: &mut TakenChanges,
) -> rusqlite::Result<()> {
    let before = c.query_row(
        "SELECT name, frozen_at, freezes FROM hitters WHERE id = ?1",
        [id],
        |row| {
            let frozen: Option<String> = row.get("frozen_at")?;
            Ok((
                row.get::<_, Option<String>>("name")?,
                frozen,
                row.get::<_, i64>("freezes")?,
            ))
        },
    )?;
    let (name_before, frozen_before, freezes_before) = before;
    let mut name = name_before.clone();
    if !is_taken && is_newer(c, "hitters", id, content)? {
        name = text(content, "name").map(str::to_owned);
        c.execute(
            "UPDATE hitters SET name = ?2, bats = ?3, height_cm = ?4, edits = ?5, edited_in = ?6 WHERE id = ?1",
            params![
                id,
                name,
                text(content, "bats"),
                Field(&content["height_cm"]),
                count(content, "edits"),
                uid_of(content, "edited_in"),
            ],
        )?;
    }
    let (freezes, frozen) = (count(content, "freezes"), stamp(content, "frozen_at"));
    let freezes_now = freezes > freezes_before
        || (freezes == freezes_before && frozen_before.is_none() && frozen.is_some());
    if freezes_now {
        c.execute(
            "UPDATE hitters SET frozen_at = ?2, freezes = ?3 WHERE id = ?1",
            params![id, frozen, freezes],
        )?;
    }
    let is_frozen_anew = freezes_now && frozen.is_some() && frozen_before.is_none();
    if let Some(before) = name_before
        && (is_frozen_anew || name.as_deref() != Some(&before))
    {
        taken
            .renamed
            .push((before, name.filter(|_| !is_frozen_anew)));
    }
    Ok(())
}

/// A hitter who may not hit here any more: the entry goes, unless sessions of this cage are theirs.
pub(super) fn forget_hitter(c: &Sql<'_>, uid: &str) -> rusqlite::Result<()> {
    c.execute("UPDATE facility SET is_quiet = 1", [])?;
    c.execute(
        "DELETE FROM hitters WHERE uid = ?1 AND NOT EXISTS (SELECT 1 FROM sessions WHERE hitter = hitters.id)",
        [uid],
    )?;
    c.execute("UPDATE facility SET is_quiet = 0", []).map(drop)
}

/// The number here of whose a row is; `Err` of the inner kind where that hitter is not here.
fn owner(c: &Sql<'_>, content: &Value) -> rusqlite::Result<Result<Option<i64>, ()>> {
    match uid_of(content, "hitter_uid") {
        None => Ok(Ok(None)),
        uid => Ok(id_of(c, "hitters", uid)?.map(Some).ok_or(())),
    }
}

pub(super) fn take_plan(c: &Sql<'_>, content: &Value) -> rusqlite::Result<()> {
    let Ok(hitter) = owner(c, content)? else {
        return Ok(());
    };
    if id_of(c, "plans", uid_of(content, "uid"))?.is_some() {
        return Ok(());
    }
    use PlanColumn as C;
    let told = [
        C::Name,
        C::Text,
        C::MadeAt,
        C::MadeBy,
        C::Uid,
        C::Edits,
        C::EditedIn,
        C::Turn,
    ];
    add(c, content, &told, &[(C::Hitter, hitter)])
}

pub(super) fn take_consent(
    c: &Sql<'_>,
    content: &Value,
    taken: &mut TakenChanges,
) -> rusqlite::Result<()> {
    let Ok(Some(hitter)) = owner(c, content)? else {
        return Ok(());
    };
    if id_of(c, "consents", uid_of(content, "uid"))?.is_some() {
        return Ok(());
    }
    use ConsentColumn as C;
    let told = [
        C::Purpose,
        C::Decision,
        C::DecidedBy,
        C::DecidedOn,
        C::RecordedBy,
        C::RecordedAt,
        C::Uid,
        C::Edits,
        C::EditedIn,
        C::Turn,
    ];
    add(c, content, &told, &[(C::Hitter, Some(hitter))])?;
    consents::delete_refused_landmarks(c, HitterId::new(hitter))?;
    taken.consents_of.push(HitterId::new(hitter));
    Ok(())
}

pub(super) fn take_deletion(
    c: &Sql<'_>,
    content: &Value,
    taken: &mut TakenChanges,
) -> rusqlite::Result<()> {
    let uid = uid_of(content, "uid").unwrap_or_default();
    let merged_into = uid_of(content, "merged_into");
    c.execute(
        "INSERT INTO deleted (uid, what, merged_into) VALUES (?1, ?2, ?3)
         ON CONFLICT (uid) DO UPDATE SET merged_into = excluded.merged_into WHERE merged_into IS NOT excluded.merged_into",
        params![uid, text(content, "what"), merged_into],
    )?;
    c.execute("DELETE FROM notes WHERE uid = ?1", [&uid])?;
    let Some(into) = merged_into else {
        return Ok(());
    };
    let Some(from) = id_of(c, "hitters", Some(uid))? else {
        return Ok(());
    };
    let name: Option<String> =
        c.query_row("SELECT name FROM hitters WHERE id = ?1", [from], |row| {
            row.get(0)
        })?;
    match id_of(c, "hitters", Some(into.clone()))? {
        Some(other) => {
            people::give_all(c, HitterId::new(from), HitterId::new(other))?;
            let now: Option<String> =
                c.query_row("SELECT name FROM hitters WHERE id = ?1", [other], |row| {
                    row.get(0)
                })?;
            taken.renamed.extend(name.map(|name| (name, now)));
        }
        // The other was merged into this one here, or never was here. Whatever is told of the other from now on is newer.
        None => {
            c.execute("DELETE FROM deleted WHERE uid = ?1", [&into])?;
            c.execute(
                "UPDATE hitters SET uid = ?2, edits = -1, freezes = -1 WHERE id = ?1",
                params![from, into],
            )?;
        }
    }
    Ok(())
}

//! Whose session runs, after the coach has changed hitters: a session that is begun again must not bring back an old name.

use crate::journal::files::deletion::DeletionTarget;
use crate::journal::store::edits::Edit;
use crate::journal::store::hitters::HitterChoice;
use crate::journal::worker::thread::Worker;
use crate::journal::{HitterId, NewHitter, SessionId};

impl Worker {
    /// The name that a hitter will have no more once this edit is made.
    pub(super) fn name_given_up_by(&self, edit: &Edit) -> Option<String> {
        match edit {
            Edit::RenameHitter { hitter, name } => {
                self.name_of(*hitter).filter(|before| before != name.trim())
            }
            Edit::MergeHitters { from, .. } => self.name_of(*from),
            _ => None,
        }
    }

    pub(super) fn name_of(&self, hitter: HitterId) -> Option<String> {
        let reader = self.journal.as_ref()?.reader();
        reader.hitter(&HitterChoice::Id(hitter)).ok()?.name
    }

    /// Before anybody hears that the change is made: whatever was asked for under that name before is nobody's.
    pub(super) fn note_former_name(&self, name: Option<&str>) {
        if let Some(name) = name {
            self.shared.former_names.note(name);
        }
    }

    /// Keeps in mind whose the running session is now.
    pub(super) fn note_hitter_of_running_session(&mut self) {
        let Some(hitter) = self.session.and_then(|session| self.hitter_of(session)) else {
            return;
        };
        if let Some((begun_for, _)) = &mut self.begun {
            *begun_for = hitter;
        }
    }

    /// Whose a session is; `None` where that cannot be read.
    fn hitter_of(&self, session: SessionId) -> Option<Option<NewHitter>> {
        let reader = self.journal.as_ref()?.reader();
        let whose = reader.hitter_of_session(session).ok()?;
        let Some(id) = whose else { return Some(None) };
        let row = reader.hitter(&HitterChoice::Id(id)).ok()?;
        Some(row.name.map(|name| NewHitter {
            name: Some(name),
            bats: row.bats,
            height_cm: row.height_cm,
        }))
    }

    /// After a deletion: a deleted hitter's session that still runs is begun again as nobody's.
    pub(super) fn forget_deleted_hitter(&mut self, whom: DeletionTarget, is_deleted: bool) {
        let was_theirs = matches!(whom, DeletionTarget::Hitter(_))
            && is_deleted
            && self.session.is_some_and(|session| {
                let there = self
                    .journal
                    .as_ref()
                    .map(|j| j.reader().has_session(session));
                matches!(there, Some(Ok(false)))
            });
        if was_theirs && let Some((begun_for, _)) = &mut self.begun {
            *begun_for = None;
        }
    }
}

//! Plans in the journal: each change is a new row, so that the plan of an old session stays known.
//!
//! In: a plan's name and its own text, which this room does not read. Out: the newest plan of a hitter, or the one for
//! everybody who has none of their own. A row with an empty text removes the plan. Of two that were made without knowing of each
//! other, in two places, both stay and the same one is the newest everywhere.

use jiff::Timestamp;
use rusqlite::OptionalExtension;

use super::columns::{Column, Extra, PlanColumn, PlanExtra, get};
use super::insert::find_or_add_plan;
use super::read::stamp;
use super::sql::{SqlRow, is, params_from_iter};
use crate::journal::error::JournalError;
use crate::journal::record::{HitterId, NewPlan, PlanId};
use crate::journal::store::open::{Journal, JournalReader};
use crate::wall_clock::now_to_the_millisecond;

/// A plan as stored.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct StoredPlan {
    /// The plan's number.
    pub id: PlanId,
    /// Whose it is; `None` for everybody who has none of their own.
    pub hitter: Option<HitterId>,
    /// The hitter's name, where known.
    pub(crate) hitter_name: Option<String>,
    /// What the coach calls it.
    pub(crate) name: String,
    /// The plan's own text; empty where the plan was removed.
    pub(crate) text: String,
    /// When it was made.
    pub(crate) made_at: Timestamp,
    /// By whom, where a person put it in force.
    pub(crate) made_by: Option<String>,
}

impl Journal {
    /// Puts a plan in force, for a hitter or for everybody without one of their own.
    ///
    /// # Errors
    /// [`JournalError::Refused`] where the hitter does not exist, and those of the disk.
    pub(crate) fn set_plan(
        &mut self,
        hitter: Option<HitterId>,
        plan: &NewPlan,
        by: &str,
    ) -> Result<PlanId, JournalError> {
        self.transaction("store a plan", |change| {
            find_or_add_plan(change, hitter, plan, now_to_the_millisecond(), Some(by))
        })
    }
}

impl JournalReader {
    /// The plan in force for a hitter: the newest of their own, else the newest for everybody; `None` where there is
    /// none, or where it was removed.
    pub(crate) fn plan_in_force(
        &self,
        hitter: Option<HitterId>,
    ) -> Result<Option<StoredPlan>, JournalError> {
        let own = match hitter {
            Some(_) => self
                .newest_plan(hitter)?
                .filter(|plan| !plan.text.is_empty()),
            None => None,
        };
        match own {
            Some(plan) => Ok(Some(plan)),
            None => Ok(self.newest_plan(None)?.filter(|plan| !plan.text.is_empty())),
        }
    }

    /// Every plan that was ever in force, oldest first.
    pub(crate) fn plans(&self) -> Result<Vec<StoredPlan>, JournalError> {
        self.query("list the plans", |c| {
            c.prepare_cached(&select_plans("ORDER BY plans.id"))?
                .query_map([], read_plan)?
                .collect()
        })
    }

    /// Every plan that was ever in force for a hitter, and those for everybody, oldest first.
    pub(crate) fn plans_for(
        &self,
        hitter: Option<HitterId>,
    ) -> Result<Vec<StoredPlan>, JournalError> {
        let own = hitter.map_or("", |_| "plans.hitter = ?1 OR");
        let which = format!("WHERE {own} plans.hitter IS NULL ORDER BY plans.id");
        self.query("list a hitter's plans", |c| {
            c.prepare_cached(&select_plans(&which))?
                .query_map(params_from_iter(hitter.map(HitterId::get)), read_plan)?
                .collect()
        })
    }

    /// The plan with this number, if there is one.
    pub(crate) fn plan(&self, id: PlanId) -> Result<Option<StoredPlan>, JournalError> {
        self.query("look up a plan", |c| {
            c.prepare_cached(&select_plans("WHERE plans.id = ?1"))?
                .query_row([id.get()], read_plan)
                .optional()
        })
    }

    /// Plans that were put in force in other places while this one was, and are not in force.
    pub(crate) fn plans_beside(&self, plan: &StoredPlan) -> Result<Vec<StoredPlan>, JournalError> {
        let whose = is("plans.hitter", plan.hitter, "?2");
        let which = format!(
            "WHERE plans.id <> ?1 AND plans.text <> '' AND {whose}
             AND plans.turn = (SELECT turn FROM plans AS kept WHERE kept.id = ?1) ORDER BY plans.id"
        );
        let values = [Some(plan.id.get()), plan.hitter.map(HitterId::get)];
        self.query("look for other plans", |c| {
            c.prepare_cached(&select_plans(&which))?
                .query_map(params_from_iter(values.into_iter().flatten()), read_plan)?
                .collect()
        })
    }

    fn newest_plan(&self, hitter: Option<HitterId>) -> Result<Option<StoredPlan>, JournalError> {
        let whose = is("plans.hitter", hitter, "?");
        let newest = format!("WHERE {whose} ORDER BY plans.turn DESC, plans.uid DESC LIMIT 1");
        self.query("look up a plan", |c| {
            c.prepare_cached(&select_plans(&newest))?
                .query_row(params_from_iter(hitter.map(HitterId::get)), read_plan)
                .optional()
        })
    }
}

fn select_plans(which: &str) -> String {
    format!(
        "SELECT {}, {} FROM plans LEFT JOIN hitters ON hitters.id = plans.hitter {which}",
        PlanColumn::selection(),
        PlanExtra::selection()
    )
}

fn read_plan(row: &SqlRow<'_>) -> rusqlite::Result<StoredPlan> {
    use PlanColumn as C;
    Ok(StoredPlan {
        id: PlanId::new(get(row, C::Id)?),
        hitter: get::<Option<i64>>(row, C::Hitter)?.map(HitterId::new),
        hitter_name: get(row, PlanExtra::HitterName)?,
        name: get(row, C::Name)?,
        text: get(row, C::Text)?,
        made_at: stamp(row, C::MadeAt)?,
        made_by: get(row, C::MadeBy)?,
    })
}

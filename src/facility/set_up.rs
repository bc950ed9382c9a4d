//! Sets a store up, and gives cages and offices their logins. Only the store's owner can.

use std::fmt;

use postgres::Client;
use refinery::embed_migrations;
use refinery::error::Kind;

use super::{StoreAddress, StoreError};

embed_migrations!("src/facility/migrations");

/// So that cargo builds anew where one of them changes.
const _: [&str; 4] = [
    include_str!("migrations/V1__first.sql"),
    include_str!("migrations/V2__cages.sql"),
    include_str!("migrations/V3__films_and_live_screens.sql"),
    include_str!("migrations/V4__late_and_foreign_rows.sql"),
];

/// Held while the tables are changed: two programs that start at once do it one after the other.
const MIGRATION_LOCK: i64 = 20260;
/// Years for which partitions are there from a set-up on.
const YEARS_AHEAD: i32 = 2;

/// Who logs in to a store.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Member {
    /// A cage: it calls seven functions and sees no table.
    Cage,
    /// An office: it reads and corrects, and drops nothing.
    Office,
}

impl fmt::Display for Member {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Cage => "cagehand_cage",
            Self::Office => "cagehand_office",
        })
    }
}

/// A store as its owner sees it.
pub(crate) struct StoreOwner(Client);

impl StoreOwner {
    /// Connects as the owner.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn connect(address: &StoreAddress) -> Result<Self, StoreError> {
        Ok(Self(address.connect()?))
    }

    /// Makes the tables, or brings them up to date, and makes room for the coming years. Gives what was done, a line a step. Cages
    /// and offices of older versions go on meanwhile and afterwards.
    ///
    /// # Errors
    /// [`StoreError`]; the store is then as it was before the step that failed.
    pub(crate) fn set_up(&mut self) -> Result<Vec<String>, StoreError> {
        self.0
            .execute("SELECT pg_advisory_lock($1)", &[&MIGRATION_LOCK])?;
        let done = self.bring_up_to_date();
        self.0
            .execute("SELECT pg_advisory_unlock($1)", &[&MIGRATION_LOCK])?;
        done
    }

    fn bring_up_to_date(&mut self) -> Result<Vec<String>, StoreError> {
        let done = make_tables(&mut self.0)?;
        self.0.execute(
            "SELECT make_partitions(now()::date, (now() + make_interval(years => $1))::date)",
            &[&YEARS_AHEAD],
        )?;
        Ok(done)
    }

    /// Gives a member a login, or one that is there another password. The store gets a hash alone.
    ///
    /// # Errors
    /// [`StoreError::Refused`] for a name that is none or that somebody else has, and what the store says.
    pub(crate) fn add_login(
        &mut self,
        member: Member,
        name: &str,
        password: &str,
    ) -> Result<(), StoreError> {
        if !is_login(name) {
            return Err(StoreError::Refused(
                "a login has 1 to 40 lower-case letters, digits and underscores, and begins with a letter"
                    .to_owned(),
            ));
        }
        let hash = postgres_protocol::password::scram_sha_256(password.as_bytes());
        let mut change = self.0.transaction()?;
        // Whose login it is: of this kind of member alone, or somebody else's.
        let whose = change.query_opt(
            "SELECT coalesce(array_agg(g.rolname::text) FILTER (WHERE g.rolname IS NOT NULL), '{}') = ARRAY[$2]
             FROM pg_roles r LEFT JOIN pg_auth_members m ON m.member = r.oid LEFT JOIN pg_roles g ON g.oid = m.roleid
             WHERE r.rolname = $1 GROUP BY r.oid",
            &[&name, &member.to_string()],
        )?;
        let verb = match whose.map(|row| row.get(0)) {
            None => "CREATE",
            Some(true) => "ALTER",
            Some(false) => {
                return Err(StoreError::Refused(format!(
                    "the server has a login {name} that is something else; choose another name"
                )));
            }
        };
        // The name has been looked at, and a hash has no quotes.
        change.batch_execute(&format!(
            "{verb} ROLE {name} LOGIN NOCREATEDB NOCREATEROLE PASSWORD '{hash}'; GRANT {member} TO {name}"
        ))?;
        Ok(change.commit()?)
    }

    /// Takes a login away. What its cage has sent stays.
    ///
    /// # Errors
    /// [`StoreError::Refused`] for a name that is no login of a cage or an office, and what the store says.
    pub(crate) fn remove_login(&mut self, name: &str) -> Result<(), StoreError> {
        let is_member = is_login(name)
            && self
                .0
                .query_opt(
                    "SELECT 1 FROM pg_auth_members m JOIN pg_roles r ON r.oid = m.member JOIN pg_roles g ON g.oid = m.roleid
                     WHERE r.rolname = $1 AND g.rolname IN ('cagehand_cage', 'cagehand_office')",
                    &[&name],
                )?
                .is_some();
        if !is_member {
            return Err(StoreError::Refused(format!(
                "{name} is no login of a cage or an office"
            )));
        }
        Ok(self.0.batch_execute(&format!("DROP ROLE {name}"))?)
    }
}

/// Makes the tables, or brings them up to date; gives the steps that were made.
///
/// # Errors
/// [`StoreError::Refused`].
pub(crate) fn make_tables(client: &mut Client) -> Result<Vec<String>, StoreError> {
    let report = migrations::runner().run(client).map_err(|error| {
        StoreError::Refused(match error.kind() {
            Kind::MissingVersion(step) => format!(
                "it was set up by a newer cagehand ({step}); use that one, or a newer one still"
            ),
            _ => super::with_causes(&error),
        })
    })?;
    let made = report.applied_migrations();
    Ok(made.iter().map(ToString::to_string).collect())
}

fn is_login(name: &str) -> bool {
    let begins_well = name.starts_with(|first: char| first.is_ascii_lowercase());
    let is_word = name
        .bytes()
        .all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'_');
    begins_well && is_word && name.len() <= 40 && !name.starts_with("pg_")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_login_is_a_plain_word() {
        for name in ["cage2", "front_office", "c"] {
            assert!(is_login(name), "{name}");
        }
        for name in [
            "",
            "2cage",
            "Cage",
            "a b",
            "a;drop",
            "pg_read_all_data",
            "é",
        ] {
            assert!(!is_login(name), "{name}");
        }
    }
}

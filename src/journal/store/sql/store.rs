//! Connections to the facility's store, PostgreSQL, and the statements that each of them has prepared.
//!
//! In: how to connect. Out: a pool of connections, and for a reader of the journal the one that it holds while it is asked.

use std::cell::{Cell, RefCell};
use std::collections::HashMap;
use std::fmt;
use std::sync::Arc;

use postgres::tls::{MakeTlsConnect, TlsConnect};
use postgres::types::ToSql;
use postgres::{Client, Config, Row, Socket};
use r2d2_postgres::PostgresConnectionManager;
use r2d2_postgres::r2d2::{ManageConnection, Pool, PooledConnection};
use rusqlite::types::Value;

use super::fault::{Meaning, StoreFault};
use super::placeholders::rewrite;
use super::value::StoreValue;

/// Connections to the facility's store that threads share.
pub type StorePool = Pool<StoreConnector>;

/// So many statements are kept prepared; their texts are few, but some name a limit.
const MOST_PREPARED: usize = 200;
/// How many rows of a long answer are held at a time.
const ROWS_AT_A_TIME: u32 = 300;
/// The cursor of a long answer; a transaction has one at most.
const CURSOR: &str = "long_answer";

type Connects = dyn ManageConnection<Connection = Client, Error = postgres::Error>;

/// Makes connections to the facility's store, encrypted or not.
pub struct StoreConnector(Box<Connects>);

impl StoreConnector {
    /// Connects as `config` says, through `tls`.
    pub fn new<T>(config: Config, tls: T) -> Self
    where
        T: MakeTlsConnect<Socket> + Clone + Send + Sync + 'static,
        T::TlsConnect: Send,
        T::Stream: Send,
        <T::TlsConnect as TlsConnect<Socket>>::Future: Send,
    {
        Self(Box::new(PostgresConnectionManager::new(config, tls)))
    }
}

impl ManageConnection for StoreConnector {
    type Connection = StoreConnection;
    // Whose words are the server's own: the pool repeats them.
    type Error = StoreFault;

    fn connect(&self) -> Result<StoreConnection, StoreFault> {
        Ok(StoreConnection::new(self.0.connect()?))
    }

    fn is_valid(&self, connection: &mut StoreConnection) -> Result<(), StoreFault> {
        Ok(self.0.is_valid(connection.client.get_mut())?)
    }

    fn has_broken(&self, connection: &mut StoreConnection) -> bool {
        connection.is_broken()
    }
}

/// A statement that the server has prepared.
pub(super) struct StoreStatement {
    statement: postgres::Statement,
    order: Vec<usize>,
    pub(super) columns: Vec<String>,
}

/// A connection to the store.
pub struct StoreConnection {
    client: RefCell<Client>,
    prepared: RefCell<HashMap<String, Arc<StoreStatement>>>,
    is_broken: Cell<bool>,
}

impl StoreConnection {
    fn new(client: Client) -> Self {
        Self {
            client: RefCell::new(client),
            prepared: RefCell::default(),
            is_broken: Cell::new(false),
        }
    }

    fn is_broken(&self) -> bool {
        self.is_broken.get() || self.client.borrow().is_closed()
    }

    /// Asks the server; a connection that fails at that is not used again.
    fn ask<T>(
        &self,
        question: impl FnOnce(&mut Client) -> Result<T, postgres::Error>,
    ) -> rusqlite::Result<T> {
        question(&mut self.client.borrow_mut()).map_err(|error| {
            let fault = StoreFault::from(error);
            if fault.meaning() == Meaning::Unreachable {
                self.is_broken.set(true);
            }
            fault.into()
        })
    }

    pub(super) fn prepare(&self, text: &str) -> rusqlite::Result<Arc<StoreStatement>> {
        let rewritten = rewrite(text);
        let statement = self.ask(|client| client.prepare(&rewritten.text))?;
        let columns = statement.columns().iter();
        Ok(Arc::new(StoreStatement {
            columns: columns.map(|column| column.name().to_owned()).collect(),
            order: rewritten.order,
            statement,
        }))
    }

    pub(super) fn prepare_cached(&self, text: &str) -> rusqlite::Result<Arc<StoreStatement>> {
        if let Some(known) = self.prepared.borrow().get(text) {
            return Ok(Arc::clone(known));
        }
        let statement = self.prepare(text)?;
        let mut prepared = self.prepared.borrow_mut();
        if prepared.len() >= MOST_PREPARED {
            prepared.clear();
        }
        prepared.insert(text.to_owned(), Arc::clone(&statement));
        Ok(statement)
    }

    pub(super) fn rows(
        &self,
        statement: &StoreStatement,
        given: &[&dyn rusqlite::ToSql],
    ) -> rusqlite::Result<Vec<Vec<Value>>> {
        let values = statement.values(given)?;
        let rows = self.ask(|client| client.query(&statement.statement, &references(&values)))?;
        rows.iter().map(values_of).collect()
    }

    pub(super) fn execute(
        &self,
        statement: &StoreStatement,
        given: &[&dyn rusqlite::ToSql],
    ) -> rusqlite::Result<usize> {
        let values = statement.values(given)?;
        let rows = self.ask(|client| client.execute(&statement.statement, &references(&values)))?;
        Ok(usize::try_from(rows).unwrap_or(usize::MAX))
    }

    /// Begins to give the rows of a query some at a time; once in a transaction, whose end also ends this.
    pub(super) fn begin_long_answer(
        &self,
        text: &str,
        given: &[&dyn rusqlite::ToSql],
    ) -> rusqlite::Result<LongAnswer<'_>> {
        let declare = self.prepare(&format!("DECLARE {CURSOR} NO SCROLL CURSOR FOR {text}"))?;
        self.execute(&declare, given)?;
        let fetch = self.prepare(&format!("FETCH FORWARD {ROWS_AT_A_TIME} FROM {CURSOR}"))?;
        Ok(LongAnswer {
            connection: self,
            fetch,
        })
    }

    /// One transaction: committed if `work` succeeds, rolled back if it or the commit fails.
    pub(super) fn transaction<T, E>(
        &self,
        begin: &str,
        passed_on: impl Fn(rusqlite::Error) -> E,
        work: impl FnOnce() -> Result<T, E>,
    ) -> Result<T, E> {
        self.ask(|client| client.batch_execute(begin))
            .map_err(&passed_on)?;
        let mut open = OpenTransaction {
            connection: self,
            is_done: false,
        };
        let value = work()?;
        self.ask(|client| client.batch_execute("COMMIT"))
            .map_err(passed_on)?;
        open.is_done = true;
        Ok(value)
    }
}

/// Rolls back unless it was committed, also where the work panics: the connection goes back to others.
struct OpenTransaction<'c> {
    connection: &'c StoreConnection,
    is_done: bool,
}

impl Drop for OpenTransaction<'_> {
    fn drop(&mut self) {
        if self.is_done || self.connection.is_broken() {
            return;
        }
        let back = |client: &mut Client| client.batch_execute("ROLLBACK");
        if self.connection.ask(back).is_err() {
            self.connection.is_broken.set(true);
        }
    }
}

impl StoreStatement {
    /// The values in the order of the placeholders.
    fn values(&self, given: &[&dyn rusqlite::ToSql]) -> rusqlite::Result<Vec<StoreValue>> {
        let value = |place: &usize| match given.get(*place) {
            Some(value) => StoreValue::of(*value),
            None => Err(rusqlite::Error::InvalidParameterCount(
                given.len(),
                place + 1,
            )),
        };
        self.order.iter().map(value).collect()
    }
}

fn references(values: &[StoreValue]) -> Vec<&(dyn ToSql + Sync)> {
    let reference = |value| value as &(dyn ToSql + Sync);
    values.iter().map(reference).collect()
}

fn values_of(row: &Row) -> rusqlite::Result<Vec<Value>> {
    (0..row.len())
        .map(|place| match row.try_get::<_, StoreValue>(place) {
            Ok(value) => Ok(value.0),
            Err(error) => Err(StoreFault::from(error).into()),
        })
        .collect()
}

/// The rows of a long answer, some at a time.
pub(super) struct LongAnswer<'c> {
    connection: &'c StoreConnection,
    fetch: Arc<StoreStatement>,
}

impl LongAnswer<'_> {
    pub(super) fn columns(&self) -> &Arc<StoreStatement> {
        &self.fetch
    }

    /// The next rows; none at the end.
    pub(super) fn next(&self) -> rusqlite::Result<Vec<Vec<Value>>> {
        self.connection.rows(&self.fetch, &[])
    }
}

/// The connection that a reader holds: taken from the pool when it first asks, and given back when the reader goes.
pub(in crate::journal) struct StoreLink {
    pool: StorePool,
    held: RefCell<Option<PooledConnection<StoreConnector>>>,
}

impl StoreLink {
    pub(in crate::journal) fn new(pool: StorePool) -> Self {
        Self {
            pool,
            held: RefCell::new(None),
        }
    }

    /// Lets `work` ask the store. A connection that breaks meanwhile is given up, so that the next question gets a new one.
    pub(super) fn with<T>(&self, work: impl FnOnce(&StoreConnection) -> T) -> rusqlite::Result<T> {
        if self.held.borrow().is_none() {
            let taken = self.pool.get().map_err(StoreFault::from)?;
            *self.held.borrow_mut() = Some(taken);
        }
        let held = self.held.borrow();
        // Just taken, or taken before: only what follows gives it up.
        let Some(connection) = held.as_ref() else {
            return Err(StoreFault::boxed("no connection is held"));
        };
        let answer = work(connection);
        let is_broken = connection.is_broken();
        drop(held);
        // Not while whoever asks has asked something else before that is not answered yet.
        if is_broken && let Ok(mut held) = self.held.try_borrow_mut() {
            *held = None;
        }
        Ok(answer)
    }
}

impl fmt::Debug for StoreLink {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("StoreLink").finish_non_exhaustive()
    }
}

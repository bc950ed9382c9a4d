//! The rows of an answer, read by the place or name of their columns.

use std::sync::Arc;

use rusqlite::Error;
use rusqlite::types::{FromSql, FromSqlError, Value, ValueRef};

use super::store::{LongAnswer, StoreStatement};

/// The rows of an answer, one after the other.
pub(in crate::journal) struct SqlRows<'s>(Coming<'s>);

enum Coming<'s> {
    File(rusqlite::Rows<'s>),
    Store(StoreRows<'s>),
}

/// Rows that the store gave.
pub(super) struct StoreRows<'s> {
    columns: Arc<StoreStatement>,
    ready: std::vec::IntoIter<Vec<Value>>,
    now: Vec<Value>,
    /// Where more come from once those are read.
    more: Option<LongAnswer<'s>>,
}

impl<'s> StoreRows<'s> {
    pub(super) fn whole(columns: Arc<StoreStatement>, rows: Vec<Vec<Value>>) -> Self {
        Self {
            columns,
            ready: rows.into_iter(),
            now: Vec::new(),
            more: None,
        }
    }

    pub(super) fn long(answer: LongAnswer<'s>) -> Self {
        let columns = Arc::clone(answer.columns());
        Self {
            more: Some(answer),
            ..Self::whole(columns, Vec::new())
        }
    }

    fn step(&mut self) -> rusqlite::Result<bool> {
        let mut next = self.ready.next();
        if next.is_none()
            && let Some(more) = &self.more
        {
            self.ready = more.next()?.into_iter();
            next = self.ready.next();
        }
        match next {
            Some(row) => self.now = row,
            None => return Ok(false),
        }
        Ok(true)
    }
}

impl<'s> SqlRows<'s> {
    pub(super) fn of_file(rows: rusqlite::Rows<'s>) -> Self {
        Self(Coming::File(rows))
    }

    pub(super) fn of_store(rows: StoreRows<'s>) -> Self {
        Self(Coming::Store(rows))
    }

    /// The next row; `None` behind the last.
    pub(in crate::journal) fn next(&mut self) -> rusqlite::Result<Option<SqlRow<'_>>> {
        match &mut self.0 {
            Coming::File(rows) => Ok(rows.next()?.map(|row| SqlRow(Read::File(row)))),
            Coming::Store(rows) => Ok(rows.step()?.then_some(SqlRow(Read::Store {
                columns: &rows.columns.columns,
                values: &rows.now,
            }))),
        }
    }
}

/// What is made of each row.
pub(in crate::journal) struct Mapped<'s, F> {
    rows: SqlRows<'s>,
    map: F,
}

impl<'s, F> Mapped<'s, F> {
    pub(super) fn new(rows: SqlRows<'s>, map: F) -> Self {
        Self { rows, map }
    }
}

impl<T, F> Iterator for Mapped<'_, F>
where
    F: FnMut(&SqlRow<'_>) -> rusqlite::Result<T>,
{
    type Item = rusqlite::Result<T>;

    fn next(&mut self) -> Option<Self::Item> {
        match self.rows.next() {
            Ok(Some(row)) => Some((self.map)(&row)),
            Ok(None) => None,
            Err(error) => Some(Err(error)),
        }
    }
}

/// A row of an answer.
#[derive(Clone, Copy)]
pub(in crate::journal) struct SqlRow<'r>(Read<'r>);

#[derive(Clone, Copy)]
enum Read<'r> {
    File(&'r rusqlite::Row<'r>),
    Store {
        columns: &'r [String],
        values: &'r [Value],
    },
}

/// A column by its place or its name.
pub(in crate::journal) trait Place {
    fn in_row(&self, row: &SqlRow<'_>) -> rusqlite::Result<usize>;
}

impl Place for usize {
    fn in_row(&self, _: &SqlRow<'_>) -> rusqlite::Result<usize> {
        Ok(*self)
    }
}

impl Place for &str {
    fn in_row(&self, row: &SqlRow<'_>) -> rusqlite::Result<usize> {
        match row.0 {
            Read::File(row) => row.as_ref().column_index(self),
            Read::Store { columns, .. } => columns
                .iter()
                .position(|column| column == self)
                .ok_or_else(|| Error::InvalidColumnName((*self).to_owned())),
        }
    }
}

impl<'r> SqlRow<'r> {
    /// The value of a column, in the type that is asked for.
    pub(in crate::journal) fn get<P: Place, T: FromSql>(&self, column: P) -> rusqlite::Result<T> {
        let place = column.in_row(self)?;
        match self.0 {
            Read::File(row) => row.get(place),
            Read::Store { columns, .. } => {
                let value = self.get_ref(place)?;
                // As rusqlite says it of a file's.
                T::column_result(value).map_err(|error| match error {
                    FromSqlError::InvalidType => Error::InvalidColumnType(
                        place,
                        columns.get(place).cloned().unwrap_or_default(),
                        value.data_type(),
                    ),
                    FromSqlError::OutOfRange(number) => {
                        Error::IntegralValueOutOfRange(place, number)
                    }
                    FromSqlError::Other(error) => {
                        Error::FromSqlConversionFailure(place, value.data_type(), error)
                    }
                    error => {
                        Error::FromSqlConversionFailure(place, value.data_type(), Box::new(error))
                    }
                })
            }
        }
    }

    /// The value of a column as it lies there.
    pub(in crate::journal) fn get_ref<P: Place>(
        &self,
        column: P,
    ) -> rusqlite::Result<ValueRef<'r>> {
        let place = column.in_row(self)?;
        match self.0 {
            Read::File(row) => row.get_ref(place),
            Read::Store { values, .. } => values
                .get(place)
                .map(ValueRef::from)
                .ok_or(Error::InvalidColumnIndex(place)),
        }
    }
}

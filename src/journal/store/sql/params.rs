//! The values of a statement, in the shapes in which rusqlite takes them.

use rusqlite::ToSql;

/// The values of a statement's placeholders, in their order.
pub(in crate::journal) trait SqlParams {
    /// Gives them to `work`.
    fn with<R>(self, work: impl FnOnce(&[&dyn ToSql]) -> R) -> R;
}

impl SqlParams for &[&dyn ToSql] {
    fn with<R>(self, work: impl FnOnce(&[&dyn ToSql]) -> R) -> R {
        work(self)
    }
}

// One type alone for no values, so that `[]` needs no type.
impl SqlParams for [&dyn ToSql; 0] {
    fn with<R>(self, work: impl FnOnce(&[&dyn ToSql]) -> R) -> R {
        work(&[])
    }
}

impl<T: ToSql> SqlParams for [T; 1] {
    fn with<R>(self, work: impl FnOnce(&[&dyn ToSql]) -> R) -> R {
        work(&[&self[0]])
    }
}

impl<T: ToSql> SqlParams for [T; 2] {
    fn with<R>(self, work: impl FnOnce(&[&dyn ToSql]) -> R) -> R {
        work(&[&self[0], &self[1]])
    }
}

impl<A: ToSql, B: ToSql> SqlParams for (A, B) {
    fn with<R>(self, work: impl FnOnce(&[&dyn ToSql]) -> R) -> R {
        work(&[&self.0, &self.1])
    }
}

/// Values that are counted only when they are there.
pub(in crate::journal) struct Many<I>(I);

/// The values that an iterator gives.
pub(in crate::journal) fn params_from_iter<I>(values: I) -> Many<I>
where
    I: IntoIterator,
    I::Item: ToSql,
{
    Many(values)
}

impl<I> SqlParams for Many<I>
where
    I: IntoIterator,
    I::Item: ToSql,
{
    fn with<R>(self, work: impl FnOnce(&[&dyn ToSql]) -> R) -> R {
        let values: Vec<I::Item> = self.0.into_iter().collect();
        let values: Vec<&dyn ToSql> = values.iter().map(|value| value as &dyn ToSql).collect();
        work(&values)
    }
}

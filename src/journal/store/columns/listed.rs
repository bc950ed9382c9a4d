//! The tables that stand between a journal and its facility, and every column of every table in one list.

use super::{
    Column, ConsentColumn, CorrectionColumn, HitterColumn, Holds, MeasureColumn, NotCountedColumn,
    NoteColumn, PlanColumn, RepColumn, Selected, SessionColumn, TimelineColumn,
};

columns! {
    /// What was deleted for everybody.
    DeletedColumn in "deleted" {
        Uid = "uid": ProgramWord,
        What = "what": ProgramWord,
        MergedInto = "merged_into": ProgramWord,
        Rev = "rev": Number,
    }
}

columns! {
    /// How the journal stands to the facility's store; one row.
    FacilityColumn in "facility" {
        Id = "id": Number,
        Journal = "journal": ProgramWord,
        FirstCount = "first_count": Number,
        Rev = "rev": Number,
        Pulled = "pulled": Number,
        PulledMark = "pulled_mark": ProgramWord,
        IsQuiet = "is_quiet": Number,
    }
}

columns! {
    /// Batches that were sent.
    SentColumn in "sent" {
        Mark = "mark": ProgramWord,
        Rev = "rev": Number,
    }
}

/// A column with its table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::journal) struct Listed {
    pub(in crate::journal) table: &'static str,
    pub(in crate::journal) column: &'static str,
    pub(in crate::journal) holds: Holds,
}

/// Every column of every table.
pub(in crate::journal) fn all_columns() -> Vec<Listed> {
    fn listed<C: Column>(table: &'static str, columns: &[C]) -> Vec<Listed> {
        let of = |column: &C| Listed {
            table,
            column: column.name(),
            holds: column.holds(),
        };
        columns.iter().map(of).collect()
    }
    fn whole<C: Column>() -> Vec<Listed> {
        listed(C::TABLE, C::ALL)
    }
    [
        whole::<HitterColumn>(),
        whole::<SessionColumn>(),
        whole::<PlanColumn>(),
        whole::<ConsentColumn>(),
        whole::<RepColumn>(),
        whole::<NoteColumn>(),
        whole::<MeasureColumn>(),
        whole::<TimelineColumn>(),
        whole::<CorrectionColumn>(),
        listed("found_events", &[MeasureColumn::Rep]),
        listed("found_events", &RepColumn::events()),
        listed("found_measures", MeasureColumn::ALL),
        whole::<NotCountedColumn>(),
        listed("not_counted_measures", MeasureColumn::ALL),
        listed("not_counted_timelines", TimelineColumn::ALL),
        whole::<DeletedColumn>(),
        whole::<FacilityColumn>(),
        whole::<SentColumn>(),
    ]
    .concat()
}

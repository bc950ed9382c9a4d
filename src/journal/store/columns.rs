//! Every column of the journal's tables, listed once: SQL is made from these lists, and each entry says what its column
//! holds, so that deletion knows where people's words can stand.
//!
//! A test compares the lists with the schema, column by column.

use rusqlite::ToSql;
use rusqlite::types::FromSql;

use super::sql::{Sql, SqlRow, params_from_iter};
use crate::rep::EventName;

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::journal) enum Holds {
    /// A number: nobody's words fit into it.
    Number,
    /// A time of day that this program writes.
    Stamp,
    /// One of the few words that this program writes there, such as `left` or a measure's name. Nothing that anyone
    /// types gets into it.
    ProgramWord,
    /// Text that people, cameras or settings gave, or words that older versions chose: a person's name can stand in it.
    FreeText,
    /// The packed landmarks of a rep.
    Landmarks,
}

/// What a row of a SELECT has at a fixed place.
pub(in crate::journal) trait Selected: Copy + 'static {
    /// The place in the row.
    fn index(self) -> usize;
}

/// The columns of one table.
pub(in crate::journal) trait Column: Selected {
    const TABLE: &'static str;
    const ALL: &'static [Self];

    fn name(self) -> &'static str;
    fn holds(self) -> Holds;

    /// All names, comma separated, as an INSERT takes them.
    fn names() -> String {
        joined(Self::ALL)
    }

    /// All names with their table, as a SELECT takes them; its rows are read by these columns.
    fn selection() -> String {
        let qualified: Vec<String> = Self::ALL
            .iter()
            .map(|column| format!("{}.{}", Self::TABLE, column.name()))
            .collect();
        qualified.join(", ")
    }
}

/// The names of some columns, comma separated.
pub(in crate::journal) fn joined<C: Column>(columns: &[C]) -> String {
    let names: Vec<&str> = columns.iter().map(|column| column.name()).collect();
    names.join(", ")
}

/// What a SELECT gives behind the columns of its table: columns of joined tables and counts, as SQL.
pub(in crate::journal) trait Extra: Selected {
    const ALL: &'static [Self];

    fn sql(self) -> &'static str;

    /// All of them, comma separated.
    fn selection() -> String {
        let parts: Vec<&str> = Self::ALL.iter().map(|extra| extra.sql()).collect();
        parts.join(", ")
    }
}

macro_rules! columns {
    ($(#[$doc:meta])* $name:ident in $table:literal { $($column:ident = $text:literal: $holds:ident),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub(in crate::journal) enum $name { $($column),+ }

        impl Selected for $name {
            fn index(self) -> usize {
                self as usize
            }
        }

        impl Column for $name {
            const TABLE: &'static str = $table;
            const ALL: &'static [Self] = &[$(Self::$column),+];

            fn name(self) -> &'static str {
                match self { $(Self::$column => $text),+ }
            }

            fn holds(self) -> Holds {
                match self { $(Self::$column => Holds::$holds),+ }
            }
        }
    };
}

macro_rules! extras {
    ($(#[$doc:meta])* $name:ident $(behind $columns:ident)? { $($extra:ident = $sql:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub(in crate::journal) enum $name { $($extra),+ }

        impl Selected for $name {
            fn index(self) -> usize {
                $(<$columns as Column>::ALL.len() +)? self as usize
            }
        }

        impl Extra for $name {
            const ALL: &'static [Self] = &[$(Self::$extra),+];

            fn sql(self) -> &'static str {
                match self { $(Self::$extra => $sql),+ }
            }
        }
    };
}

mod listed;

pub(in crate::journal) use listed::{Listed, all_columns};

columns! {
    HitterColumn in "hitters" {
        Id = "id": Number,
        Name = "name": FreeText,
        Bats = "bats": ProgramWord,
        HeightCm = "height_cm": Number,
        CreatedAt = "created_at": Stamp,
        FrozenAt = "frozen_at": Stamp,
        Uid = "uid": ProgramWord,
        Rev = "rev": Number,
        Edits = "edits": Number,
        EditedIn = "edited_in": ProgramWord,
        Freezes = "freezes": Number,
    }
}

columns! {
    SessionColumn in "sessions" {
        Id = "id": Number,
        Hitter = "hitter": Number,
        StartedAt = "started_at": Stamp,
        EndedAt = "ended_at": Stamp,
        EndNote = "end_note": FreeText,
        Source = "source": FreeText,
        Settings = "settings": FreeText,
        ProgramVersion = "program_version": ProgramWord,
        Plan = "plan": Number,
        SaidBy = "said_by": ProgramWord,
        Uid = "uid": ProgramWord,
        Rev = "rev": Number,
        Edits = "edits": Number,
        EditedIn = "edited_in": ProgramWord,
    }
}

extras! {
    /// Who hit, and how much the session holds; excluded reps do not count.
    SessionExtra behind SessionColumn {
        HitterName = "hitters.name",
        Swings = "(SELECT count(*) FROM reps WHERE session = sessions.id AND struck_why IS NULL AND coalesce(called, kind) = 'swing')",
        Takes = "(SELECT count(*) FROM reps WHERE session = sessions.id AND struck_why IS NULL AND coalesce(called, kind) = 'take')",
        SwingsAndMisses = "(SELECT count(*) FROM reps WHERE session = sessions.id AND struck_why IS NULL AND heard = 'nothing')",
    }
}

columns! {
    PlanColumn in "plans" {
        Id = "id": Number,
        Hitter = "hitter": Number,
        Name = "name": FreeText,
        Text = "text": FreeText,
        MadeAt = "made_at": Stamp,
        MadeBy = "made_by": FreeText,
        Uid = "uid": ProgramWord,
        Rev = "rev": Number,
        Edits = "edits": Number,
        EditedIn = "edited_in": ProgramWord,
        Turn = "turn": Number,
    }
}

columns! {
    ConsentColumn in "consents" {
        Id = "id": Number,
        Hitter = "hitter": Number,
        Purpose = "purpose": ProgramWord,
        Decision = "decision": ProgramWord,
        DecidedBy = "decided_by": FreeText,
        DecidedOn = "decided_on": ProgramWord,
        RecordedBy = "recorded_by": FreeText,
        RecordedAt = "recorded_at": Stamp,
        Uid = "uid": ProgramWord,
        Rev = "rev": Number,
        Edits = "edits": Number,
        EditedIn = "edited_in": ProgramWord,
        Turn = "turn": Number,
    }
}

extras! {
    PlanExtra behind PlanColumn {
        HitterName = "hitters.name",
    }
}

columns! {
    RepColumn in "reps" {
        Id = "id": Number,
        Session = "session": Number,
        Number = "number": Number,
        Kind = "kind": ProgramWord,
        Bats = "bats": ProgramWord,
        View = "view": ProgramWord,
        Fps = "fps": Number,
        SetSecs = "set_secs": Number,
        GatherSecs = "gather_secs": Number,
        LiftOffSecs = "lift_off_secs": Number,
        PlantSecs = "plant_secs": Number,
        HeelRiseSecs = "heel_rise_secs": Number,
        ContactSecs = "contact_secs": Number,
        FinishSecs = "finish_secs": Number,
        KnownAtSecs = "known_at_secs": Number,
        Cue = "cue": FreeText,
        CueAtSecs = "cue_at_secs": Number,
        CueLatencyMs = "cue_latency_ms": Number,
        LoggedAt = "logged_at": Stamp,
        StanceWidthCm = "stance_width_cm": Number,
        HandHeightCm = "hand_height_cm": Number,
        LiftHeightCm = "lift_height_cm": Number,
        Load = "load": ProgramWord,
        NoCue = "no_cue": FreeText,
        PitchKmh = "pitch_kmh": Number,
        PitchReleaseSecs = "pitch_release_secs": Number,
        PitchArrivalSecs = "pitch_arrival_secs": Number,
        Marked = "marked": Number,
        StruckWhy = "struck_why": FreeText,
        Called = "called": ProgramWord,
        CmPerPx = "cm_per_px": Number,
        ScaledForCm = "scaled_for_cm": Number,
        ScaleSpread = "scale_spread": Number,
        RollDeg = "roll_deg": Number,
        Pitcher = "pitcher": ProgramWord,
        Heard = "heard": ProgramWord,
        ContactPlusMinusMs = "contact_plus_minus_ms": Number,
        ContactLevelDb = "contact_level_db": Number,
        Uid = "uid": ProgramWord,
        Rev = "rev": Number,
        Edits = "edits": Number,
        EditedIn = "edited_in": ProgramWord,
    }
}

extras! {
    /// Who hit, whether the coach moved any event of the rep, and whether it counts only since the coach said so.
    RepExtra behind RepColumn {
        Hitter = "sessions.hitter",
        HitterName = "hitters.name",
        Moved = "EXISTS (SELECT 1 FROM found_events WHERE rep = reps.id)",
        MadeToCount = "EXISTS (SELECT 1 FROM not_counted WHERE counted_as = reps.id)",
    }
}

impl RepColumn {
    /// Where the time of an event stands; `found_events` has a column of the same name.
    pub(in crate::journal) const fn of_event(event: EventName) -> Self {
        match event {
            EventName::Set => Self::SetSecs,
            EventName::Gather => Self::GatherSecs,
            EventName::LiftOff => Self::LiftOffSecs,
            EventName::Plant => Self::PlantSecs,
            EventName::HeelRise => Self::HeelRiseSecs,
            EventName::Contact => Self::ContactSecs,
            EventName::Finish => Self::FinishSecs,
        }
    }

    /// The columns of all events, in the order of [`EventName::ALL`].
    pub(in crate::journal) fn events() -> [Self; EventName::ALL.len()] {
        EventName::ALL.map(Self::of_event)
    }
}

columns! {
    /// `found_measures` and `not_counted_measures` have the same columns.
    MeasureColumn in "measures" {
        Rep = "rep": Number,
        Name = "name": ProgramWord,
        Value = "value": Number,
        PlusMinus = "plus_minus": Number,
        Confidence = "confidence": Number,
        Verdict = "verdict": ProgramWord,
        BandLow = "band_low": Number,
        BandHigh = "band_high": Number,
        Why = "why": FreeText,
    }
}

extras! {
    /// What is read of a measure of a swing that was picked: many are, so nothing that is not used.
    SwingColumn {
        Rep = "measures.rep",
        Value = "measures.value",
        PlusMinus = "measures.plus_minus",
        Verdict = "measures.verdict",
        BandLow = "measures.band_low",
        BandHigh = "measures.band_high",
        Session = "picked.session",
        Number = "picked.number",
        LoggedAt = "picked.logged_at",
        Marked = "picked.marked",
        KnownAtSecs = "picked.known_at_secs",
        SessionStartedAt = "picked.started_at",
    }
}

columns! {
    NoteColumn in "notes" {
        Id = "id": Number,
        Session = "session": Number,
        Rep = "rep": Number,
        Text = "text": FreeText,
        MadeAt = "made_at": Stamp,
        MadeBy = "made_by": FreeText,
        Uid = "uid": ProgramWord,
        Rev = "rev": Number,
    }
}

columns! {
    CorrectionColumn in "corrections" {
        Id = "id": Number,
        Rep = "rep": Number,
        What = "what": ProgramWord,
        Was = "was": FreeText,
        Became = "became": FreeText,
        MadeAt = "made_at": Stamp,
        MadeBy = "made_by": FreeText,
        Uid = "uid": ProgramWord,
        Rev = "rev": Number,
    }
}

columns! {
    /// What it shares with `reps` has the same name there.
    NotCountedColumn in "not_counted" {
        Id = "id": Number,
        Session = "session": Number,
        Kind = "kind": ProgramWord,
        Bats = "bats": ProgramWord,
        View = "view": ProgramWord,
        Fps = "fps": Number,
        SetSecs = "set_secs": Number,
        GatherSecs = "gather_secs": Number,
        LiftOffSecs = "lift_off_secs": Number,
        PlantSecs = "plant_secs": Number,
        HeelRiseSecs = "heel_rise_secs": Number,
        ContactSecs = "contact_secs": Number,
        FinishSecs = "finish_secs": Number,
        KnownAtSecs = "known_at_secs": Number,
        LoggedAt = "logged_at": Stamp,
        StanceWidthCm = "stance_width_cm": Number,
        HandHeightCm = "hand_height_cm": Number,
        LiftHeightCm = "lift_height_cm": Number,
        Load = "load": ProgramWord,
        PitchKmh = "pitch_kmh": Number,
        PitchReleaseSecs = "pitch_release_secs": Number,
        PitchArrivalSecs = "pitch_arrival_secs": Number,
        CmPerPx = "cm_per_px": Number,
        ScaledForCm = "scaled_for_cm": Number,
        ScaleSpread = "scale_spread": Number,
        RollDeg = "roll_deg": Number,
        Pitcher = "pitcher": ProgramWord,
        Reason = "reason": ProgramWord,
        Value = "value": Number,
        Asked = "asked": Number,
        CountedAs = "counted_as": Number,
        CountedAt = "counted_at": Stamp,
        CountedBy = "counted_by": FreeText,
    }
}

/// What a row of a movement that was not counted has behind the columns and extras of a rep.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::journal) enum NotCountedExtra {
    Reason,
    Value,
    Asked,
    CountedAs,
    CountedBy,
}

impl Selected for NotCountedExtra {
    fn index(self) -> usize {
        RepColumn::ALL.len() + RepExtra::ALL.len() + self as usize
    }
}

impl Extra for NotCountedExtra {
    const ALL: &'static [Self] = &[
        Self::Reason,
        Self::Value,
        Self::Asked,
        Self::CountedAs,
        Self::CountedBy,
    ];

    fn sql(self) -> &'static str {
        match self {
            Self::Reason => "not_counted.reason",
            Self::Value => "not_counted.value",
            Self::Asked => "not_counted.asked",
            Self::CountedAs => "not_counted.counted_as",
            Self::CountedBy => "not_counted.counted_by",
        }
    }
}

columns! {
    /// `not_counted_timelines` has the same columns.
    TimelineColumn in "timelines" {
        Rep = "rep": Number,
        StartSecs = "start_secs": Number,
        WidthPx = "width_px": Number,
        HeightPx = "height_px": Number,
        Landmarks = "landmarks": Landmarks,
    }
}

/// Adds a row and gives its number; columns that are left out get their default.
pub(in crate::journal) fn insert<C: Column>(
    connection: &Sql<'_>,
    values: &[(C, &dyn ToSql)],
) -> rusqlite::Result<i64> {
    let sql = format!("{} RETURNING id", insertion(C::TABLE, values));
    connection.prepare_cached(&sql)?.query_row(
        params_from_iter(values.iter().map(|(_, value)| value)),
        |row| row.get(0),
    )
}

/// Adds a row to a table that has no numbers of its own.
pub(in crate::journal) fn insert_into<C: Column>(
    connection: &Sql<'_>,
    table: &str,
    values: &[(C, &dyn ToSql)],
) -> rusqlite::Result<()> {
    connection
        .prepare_cached(&insertion(table, values))?
        .execute(params_from_iter(values.iter().map(|(_, value)| value)))
        .map(drop)
}

fn insertion<C: Column>(table: &str, values: &[(C, &dyn ToSql)]) -> String {
    let columns: Vec<C> = values.iter().map(|(column, _)| *column).collect();
    let places = vec!["?"; values.len()].join(", ");
    let columns = joined(&columns);
    format!("INSERT INTO {table} ({columns}) VALUES ({places})")
}

/// Reads a column of a row. By its place, which is known: looking a name up costs a search through all names.
pub(in crate::journal) fn get<T: FromSql>(
    row: &SqlRow<'_>,
    column: impl Selected,
) -> rusqlite::Result<T> {
    row.get(column.index())
}

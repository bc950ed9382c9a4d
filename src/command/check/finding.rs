//! One line of the report, and how much it matters.

/// How much a finding matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Grade {
    Good,
    /// Reps are found and measured, but for a measure or two that this costs.
    Note,
    /// To be mended before the cage is used.
    Mend,
}

impl Grade {
    /// Of what is either good or needs fixing.
    pub(super) const fn of(good: bool) -> Self {
        match good {
            true => Grade::Good,
            false => Grade::Mend,
        }
    }

    /// Of what is either good or costs a measure.
    pub(super) const fn note_unless(good: bool) -> Self {
        match good {
            true => Grade::Good,
            false => Grade::Note,
        }
    }

    const fn mark(self) -> &'static str {
        match self {
            Grade::Good => "good",
            Grade::Note => "note",
            Grade::Mend => "FIX",
        }
    }
}

/// One line of the report.
pub(super) struct Finding {
    pub what: &'static str,
    pub grade: Grade,
    pub says: String,
}

impl Finding {
    pub(super) fn line(&self) -> String {
        format!("{}  {:<10}  {}", self.grade.mark(), self.what, self.says)
    }

    #[cfg(test)]
    pub(super) fn is_good(&self) -> bool {
        self.grade == Grade::Good
    }
}

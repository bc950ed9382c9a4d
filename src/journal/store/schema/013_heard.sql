-- Version 13. What a microphone says of a swing's contact: 'contact' where it was heard, with how sure its moment is and how
-- loud it was; 'nothing' for a swing and miss; 'unclear'. NULL for takes, where none listened, and for reps of older versions.

ALTER TABLE reps ADD COLUMN heard TEXT CHECK (heard IN ('contact', 'nothing', 'unclear'));
ALTER TABLE reps ADD COLUMN contact_plus_minus_ms REAL;
ALTER TABLE reps ADD COLUMN contact_level_db REAL;

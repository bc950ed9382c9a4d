-- Version 6. On which side of the picture the pitcher is; with "bats", which says which foot is in front, that is how the hitter
-- stands in it. NULL for reps of older versions.

ALTER TABLE reps ADD COLUMN pitcher TEXT CHECK (pitcher IN ('left', 'right'));

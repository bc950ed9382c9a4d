-- Version 11. A frozen hitter gets no new sessions and is shown in no list to choose from.

ALTER TABLE hitters ADD COLUMN frozen_at TEXT;

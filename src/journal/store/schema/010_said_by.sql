-- Version 10. Who said who hits: the settings, or somebody at the page. NULL where nobody did, as after a restart until somebody
-- answers, and in older rows.

ALTER TABLE sessions ADD COLUMN said_by TEXT CHECK (said_by IN ('settings', 'page'));

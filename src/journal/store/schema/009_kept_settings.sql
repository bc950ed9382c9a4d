-- Version 9. A session keeps only those settings that say how its reps are found and judged: the settings' hitter need not be the
-- session's, and a comment can name anybody. A text that cannot be read is replaced by nothing.

UPDATE sessions SET settings = kept_settings(settings);

-- When whoever holds it gave the password last, in milliseconds since 1970; none: it began by a code, or before this was noted.
ALTER TABLE sessions ADD COLUMN proved_at INTEGER;
ALTER TABLE token_families ADD COLUMN proved_at INTEGER;

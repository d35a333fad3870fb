-- Tries at what can be guessed, counted for all processes. A row says by when all tries are given back; after that it means
-- nothing and goes. No fact of the log: nothing is rebuilt from it.
CREATE TABLE tries (
    what     BLOB NOT NULL PRIMARY KEY CHECK (length(what) = 32),   -- SHA-256 of the limit and whom it counts
    full_at  INTEGER NOT NULL                                       -- milliseconds since 1970
) STRICT, WITHOUT ROWID;

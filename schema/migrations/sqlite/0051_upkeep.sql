-- Housekeeping. No fact of the log: nothing is rebuilt from it.

-- Files that no entry names: noted when they were first seen, taken away by a later look if they still are.
CREATE TABLE orphan (
    shop      TEXT NOT NULL REFERENCES shop (id),
    shelf     TEXT NOT NULL,                          -- the folder: originals, renditions
    file      BLOB NOT NULL,
    noted_at  INTEGER NOT NULL,                          -- milliseconds since 1970, UTC
    PRIMARY KEY (shop, shelf, file)
) STRICT, WITHOUT ROWID;

-- How far originals were read again.
CREATE TABLE rehash (
    shop      TEXT NOT NULL PRIMARY KEY REFERENCES shop (id),
    after     BLOB,                                   -- the last one read in this round; none: a round begins
    due       INTEGER NOT NULL,                          -- so many are to be read
    at        INTEGER NOT NULL,                          -- when that was last reckoned
    was_read  INTEGER NOT NULL,                          -- so many were, ever
    round_at  INTEGER                                    -- when a round last ended
) STRICT, WITHOUT ROWID;

-- Originals that were not what they are called when they were last read.
CREATE TABLE broken_file (
    shop      TEXT NOT NULL REFERENCES shop (id),
    file      BLOB NOT NULL,
    what      TEXT NOT NULL CHECK (what IN ('changed', 'missing')),
    found_at  INTEGER NOT NULL,                          -- when it was first found so
    PRIMARY KEY (shop, file)
) STRICT, WITHOUT ROWID;

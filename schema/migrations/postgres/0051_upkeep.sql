-- Housekeeping. No fact of the log: nothing is rebuilt from it.

-- Files that no entry names: noted when they were first seen, taken away by a later look if they still are.
CREATE TABLE orphan (
    shop      TEXT COLLATE "C" NOT NULL REFERENCES shop (id),
    shelf     TEXT COLLATE "C" NOT NULL,                          -- the folder: originals, renditions
    file      BYTEA NOT NULL,
    noted_at  BIGINT NOT NULL,                          -- milliseconds since 1970, UTC
    PRIMARY KEY (shop, shelf, file)
);

-- How far originals were read again.
CREATE TABLE rehash (
    shop      TEXT COLLATE "C" NOT NULL PRIMARY KEY REFERENCES shop (id),
    after     BYTEA,                                   -- the last one read in this round; none: a round begins
    due       BIGINT NOT NULL,                          -- so many are to be read
    at        BIGINT NOT NULL,                          -- when that was last reckoned
    was_read  BIGINT NOT NULL,                          -- so many were, ever
    round_at  BIGINT                                    -- when a round last ended
);

-- Originals that were not what they are called when they were last read.
CREATE TABLE broken_file (
    shop      TEXT COLLATE "C" NOT NULL REFERENCES shop (id),
    file      BYTEA NOT NULL,
    what      TEXT COLLATE "C" NOT NULL CHECK (what IN ('changed', 'missing')),
    found_at  BIGINT NOT NULL,                          -- when it was first found so
    PRIMARY KEY (shop, file)
);

-- The log, and what is derived from it. Every key carries the shop.

CREATE TABLE shop (
    id         TEXT PRIMARY KEY,
    log_name   TEXT NOT NULL,
    opened_at  INTEGER NOT NULL
) STRICT;

-- The signed head; replaced only where it is still the one that was read.
CREATE TABLE log_head (
    shop      TEXT PRIMARY KEY REFERENCES shop (id),
    epoch     INTEGER NOT NULL,
    size      INTEGER NOT NULL,
    root      BLOB NOT NULL,
    note      TEXT NOT NULL,
    log_time  INTEGER NOT NULL,
    -- a newer checkpoint that somebody showed us: writing stops until a new epoch is opened
    ahead     TEXT
) STRICT;

CREATE TABLE entry (
    shop    TEXT NOT NULL REFERENCES shop (id),
    idx     INTEGER NOT NULL,
    id      TEXT NOT NULL,
    digest  BLOB NOT NULL,
    intake  TEXT,
    type    TEXT NOT NULL,
    bytes   BLOB NOT NULL,
    PRIMARY KEY (shop, idx),
    CONSTRAINT entry_id UNIQUE (shop, id)
) STRICT;
CREATE INDEX entry_of_intake ON entry (shop, intake, idx);
CREATE INDEX entry_of_type ON entry (shop, type, idx);

-- Complete subtrees of the log: (0, i) is leaf i.
CREATE TABLE node (
    shop   TEXT NOT NULL REFERENCES shop (id),
    level  INTEGER NOT NULL,
    idx    INTEGER NOT NULL,
    hash   BLOB NOT NULL,
    PRIMARY KEY (shop, level, idx)
) STRICT, WITHOUT ROWID;

-- Personal members, apart from the entries that bind them.
CREATE TABLE disclosure (
    shop    TEXT NOT NULL REFERENCES shop (id),
    idx     INTEGER NOT NULL,
    intake  TEXT,
    digest  TEXT NOT NULL,
    text    TEXT NOT NULL,
    PRIMARY KEY (shop, idx, digest)
) STRICT, WITHOUT ROWID;
CREATE INDEX disclosure_of_intake ON disclosure (shop, intake, idx);

-- Projections: rebuilt from log and disclosures, and compared, by `counterfoil check`.
CREATE TABLE intake (
    shop       TEXT NOT NULL REFERENCES shop (id),
    id         TEXT NOT NULL,
    tag        TEXT NOT NULL,
    state      TEXT NOT NULL,
    kind       BLOB NOT NULL,
    opened_idx INTEGER NOT NULL,
    last_idx   INTEGER NOT NULL,
    summary    TEXT NOT NULL,
    PRIMARY KEY (shop, id)
) STRICT;
CREATE UNIQUE INDEX tag_in_use ON intake (shop, tag) WHERE state IN ('open', 'in care');
CREATE INDEX intake_by_opening ON intake (shop, opened_idx);
CREATE INDEX intake_by_state ON intake (shop, state, opened_idx);

CREATE TABLE intake_word (
    shop    TEXT NOT NULL REFERENCES shop (id),
    word    TEXT NOT NULL,
    intake  TEXT NOT NULL,
    PRIMARY KEY (shop, word, intake)
) STRICT, WITHOUT ROWID;
CREATE INDEX word_of_intake ON intake_word (shop, intake);

-- Files an entry named, and the entry that says their bytes are held.
CREATE TABLE named_file (
    shop        TEXT NOT NULL REFERENCES shop (id),
    file        BLOB NOT NULL,
    named_idx   INTEGER NOT NULL,
    intake      TEXT NOT NULL,
    of          TEXT NOT NULL,
    photo       TEXT NOT NULL,
    size        INTEGER NOT NULL,
    media_type  TEXT NOT NULL,
    held_idx    INTEGER,
    judged_idx  INTEGER,
    PRIMARY KEY (shop, file, named_idx)
) STRICT;
CREATE INDEX file_of_photo ON named_file (shop, photo);
CREATE INDEX file_not_judged ON named_file (shop, held_idx) WHERE of = 'photo' AND held_idx IS NOT NULL AND judged_idx IS NULL;

CREATE TABLE setting (
    shop   TEXT NOT NULL REFERENCES shop (id),
    name   TEXT NOT NULL,
    value  TEXT NOT NULL,
    idx    INTEGER NOT NULL,
    PRIMARY KEY (shop, name)
) STRICT;

-- Documents entries name by digest: kinds, catalogues of words, terms.
CREATE TABLE document (
    shop    TEXT NOT NULL REFERENCES shop (id),
    digest  BLOB NOT NULL,
    what    TEXT NOT NULL,
    name    TEXT NOT NULL,
    bytes   BLOB NOT NULL,
    PRIMARY KEY (shop, digest, what)
) STRICT;

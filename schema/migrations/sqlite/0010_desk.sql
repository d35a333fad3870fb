-- The desk: words for a forgiving search, and the kinds a shop made itself.

-- Words of letters as intake_word has them, so that one with a typo is found from its first or its last two letters.
CREATE TABLE search_word (
    shop   TEXT NOT NULL REFERENCES shop (id),
    word   TEXT NOT NULL,
    front  TEXT NOT NULL,
    back   TEXT NOT NULL,
    PRIMARY KEY (shop, word)
) STRICT, WITHOUT ROWID;
CREATE INDEX search_word_front ON search_word (shop, front);
CREATE INDEX search_word_back ON search_word (shop, back);

-- By which version of the projections a shop's rows were written; another one writes them anew at its start.
CREATE TABLE projected (
    shop     TEXT PRIMARY KEY REFERENCES shop (id),
    version  INTEGER NOT NULL
) STRICT;

-- Kinds a shop added and retired, each by its entry; the newest row of a kind_id holds, without a digest it is retired.
CREATE TABLE own_kind (
    shop     TEXT NOT NULL REFERENCES shop (id),
    idx      INTEGER NOT NULL,
    kind_id  TEXT NOT NULL,
    digest   BLOB,
    PRIMARY KEY (shop, idx)
) STRICT, WITHOUT ROWID;

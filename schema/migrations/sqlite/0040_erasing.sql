-- A customer's personal data that was erased by an entry, while its traces are still to be taken away: files, and what deleted
-- rows leave in the database's own files. No fact of the log: nothing is rebuilt from it.
CREATE TABLE erasing (
    shop  TEXT NOT NULL REFERENCES shop (id),
    idx   INTEGER NOT NULL,
    PRIMARY KEY (shop, idx)
) STRICT, WITHOUT ROWID;

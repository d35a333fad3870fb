-- A second factor beside the password: one-time codes by time (RFC 6238). The secret has to be read again, so it is kept as it is;
-- it is on once a first code of it was given. Times are milliseconds since 1970; a step is 30 seconds.
CREATE TABLE second_factors (
    shop     TEXT NOT NULL,
    staff    TEXT NOT NULL,
    secret   BLOB NOT NULL CHECK (length(secret) = 20),
    made_at  INTEGER NOT NULL,
    on_at    INTEGER,                                  -- none: shown, and no code of it given yet
    step     INTEGER NOT NULL,                         -- the last one whose code was taken: each counts once
    PRIMARY KEY (shop, staff),
    FOREIGN KEY (shop, staff) REFERENCES staff (shop, staff)
) STRICT, WITHOUT ROWID;

-- What lets in where the program with the secret is lost: 120 random bits each, kept as SHA-256, once.
CREATE TABLE recovery_codes (
    shop     TEXT NOT NULL,
    staff    TEXT NOT NULL,
    code     BLOB NOT NULL CHECK (length(code) = 32),
    used_at  INTEGER,
    PRIMARY KEY (shop, staff, code),
    FOREIGN KEY (shop, staff) REFERENCES second_factors (shop, staff)
) STRICT, WITHOUT ROWID;

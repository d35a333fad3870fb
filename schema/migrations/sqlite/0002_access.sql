-- Who may do what. What they did is in the log; these tables say what holds now.
-- Every secret is kept as its SHA-256 only. Times are milliseconds since 1970, UTC. Ids are lower-case UUIDs.

CREATE TABLE staff (
  shop     TEXT    NOT NULL,
  staff    TEXT    NOT NULL,
  name     TEXT    NOT NULL,
  sign_in  TEXT    NOT NULL,                                -- lower case
  password TEXT,                                            -- argon2id (PHC string); none: only by a paired device
  roles    TEXT    NOT NULL,                                -- words, in order, with commas between
  active   INTEGER NOT NULL CHECK (active IN (0, 1)),
  revision INTEGER NOT NULL,
  made_at  INTEGER NOT NULL,
  PRIMARY KEY (shop, staff),
  UNIQUE (shop, sign_in)
) STRICT, WITHOUT ROWID;
CREATE INDEX staff_by_sign_in ON staff (sign_in);

CREATE TABLE devices (
  shop       TEXT    NOT NULL,
  device     TEXT    NOT NULL,
  staff      TEXT    NOT NULL,                              -- who signed in on it last
  label      TEXT    NOT NULL,
  made_at    INTEGER NOT NULL,
  revoked_at INTEGER,
  PRIMARY KEY (shop, device),
  FOREIGN KEY (shop, staff) REFERENCES staff (shop, staff)
) STRICT, WITHOUT ROWID;

CREATE TABLE sessions (
  secret   BLOB    NOT NULL PRIMARY KEY CHECK (length(secret) = 32),
  shop     TEXT    NOT NULL,
  staff    TEXT    NOT NULL,
  device   TEXT    NOT NULL,
  made_at  INTEGER NOT NULL,
  seen_at  INTEGER NOT NULL,
  ended_at INTEGER,
  FOREIGN KEY (shop, staff) REFERENCES staff (shop, staff),
  FOREIGN KEY (shop, device) REFERENCES devices (shop, device)
) STRICT, WITHOUT ROWID;
CREATE INDEX sessions_by_device ON sessions (shop, device);
CREATE INDEX sessions_by_staff ON sessions (shop, staff);

-- One family for each sign-in of an API client; its refresh tokens follow each other.
CREATE TABLE token_families (
  shop     TEXT    NOT NULL,
  family   TEXT    NOT NULL,
  staff    TEXT    NOT NULL,
  device   TEXT    NOT NULL,
  made_at  INTEGER NOT NULL,
  ended_at INTEGER,
  PRIMARY KEY (shop, family),
  FOREIGN KEY (shop, staff) REFERENCES staff (shop, staff),
  FOREIGN KEY (shop, device) REFERENCES devices (shop, device)
) STRICT, WITHOUT ROWID;
CREATE INDEX token_families_by_device ON token_families (shop, device);
CREATE INDEX token_families_by_staff ON token_families (shop, staff);

CREATE TABLE refresh_tokens (
  secret  BLOB    NOT NULL PRIMARY KEY CHECK (length(secret) = 32),
  shop    TEXT    NOT NULL,
  family  TEXT    NOT NULL,
  made_at INTEGER NOT NULL,
  used_at INTEGER,
  FOREIGN KEY (shop, family) REFERENCES token_families (shop, family) ON DELETE CASCADE
) STRICT, WITHOUT ROWID;
CREATE INDEX refresh_tokens_by_family ON refresh_tokens (shop, family);

CREATE TABLE pairings (
  secret     BLOB    NOT NULL PRIMARY KEY CHECK (length(secret) = 32),
  shop       TEXT    NOT NULL,
  staff      TEXT    NOT NULL,                              -- whose device it will be
  by_staff   TEXT    NOT NULL,                              -- who made the code, and where
  by_device  TEXT    NOT NULL,
  made_at    INTEGER NOT NULL,
  expires_at INTEGER NOT NULL,
  claimed_at INTEGER,
  FOREIGN KEY (shop, staff) REFERENCES staff (shop, staff)
) STRICT, WITHOUT ROWID;
CREATE INDEX pairings_by_staff ON pairings (shop, staff);

-- Capabilities: whoever holds the secret may read this one thing until it expires.
CREATE TABLE links (
  shop       TEXT    NOT NULL,
  link       TEXT    NOT NULL,
  secret     BLOB    NOT NULL UNIQUE CHECK (length(secret) = 32),
  intake     TEXT    NOT NULL,
  what       TEXT    NOT NULL CHECK (what IN ('receipt')),
  made_by    TEXT    NOT NULL,
  made_at    INTEGER NOT NULL,
  expires_at INTEGER NOT NULL,
  revoked_at INTEGER,
  opened     INTEGER NOT NULL DEFAULT 0,
  opened_at  INTEGER,
  PRIMARY KEY (shop, link)
) STRICT, WITHOUT ROWID;
CREATE INDEX links_by_intake ON links (shop, intake);

-- The token that the program prints at its first start. It carries no shop: there is none yet.
CREATE TABLE set_up (
  one     INTEGER NOT NULL PRIMARY KEY CHECK (one = 1),
  secret  BLOB    NOT NULL CHECK (length(secret) = 32),
  made_at INTEGER NOT NULL,
  used_at INTEGER
) STRICT;

-- What was revoked and still has to be told to the log: committed together with the revocation.
CREATE TABLE unsaid (
  n     INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT,
  shop  TEXT    NOT NULL,
  entry TEXT    NOT NULL                                    -- JSON
) STRICT;

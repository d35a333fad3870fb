-- The whole schema as SQLite has it after its migration 0040; later migrations stand in both folders under one number, and
-- only ever add. Columns are text, whole numbers and bytes; truth is 0 or 1; text is compared byte by byte, as SQLite does.

-- What SQLite calls the place of the first match, from 1; 0: none.
CREATE FUNCTION instr(whole BYTEA, part BYTEA) RETURNS INTEGER
    LANGUAGE sql IMMUTABLE STRICT PARALLEL SAFE RETURN position(part IN whole);
CREATE FUNCTION instr(whole TEXT, part TEXT) RETURNS INTEGER
    LANGUAGE sql IMMUTABLE STRICT PARALLEL SAFE RETURN strpos(whole, part);

-- The log, and what is derived from it. Every key carries the shop.

CREATE TABLE shop (
    id         TEXT COLLATE "C" PRIMARY KEY,
    log_name   TEXT COLLATE "C" NOT NULL,
    opened_at  BIGINT NOT NULL
);

-- The signed head; replaced only where it is still the one that was read.
CREATE TABLE log_head (
    shop      TEXT COLLATE "C" PRIMARY KEY REFERENCES shop (id),
    epoch     BIGINT NOT NULL,
    size      BIGINT NOT NULL,
    root      BYTEA NOT NULL,
    note      TEXT COLLATE "C" NOT NULL,
    log_time  BIGINT NOT NULL,
    -- a newer checkpoint that somebody showed us: writing stops until a new epoch is opened
    ahead     TEXT COLLATE "C"
);

CREATE TABLE entry (
    shop    TEXT COLLATE "C" NOT NULL REFERENCES shop (id),
    idx     BIGINT NOT NULL,
    id      TEXT COLLATE "C" NOT NULL,
    digest  BYTEA NOT NULL,
    intake  TEXT COLLATE "C",
    type    TEXT COLLATE "C" NOT NULL,
    bytes   BYTEA NOT NULL,
    PRIMARY KEY (shop, idx),
    CONSTRAINT entry_id UNIQUE (shop, id)
);
CREATE INDEX entry_of_intake ON entry (shop, intake, idx);
CREATE INDEX entry_of_type ON entry (shop, type, idx);

-- Complete subtrees of the log: (0, i) is leaf i.
CREATE TABLE node (
    shop   TEXT COLLATE "C" NOT NULL REFERENCES shop (id),
    level  BIGINT NOT NULL,
    idx    BIGINT NOT NULL,
    hash   BYTEA NOT NULL,
    PRIMARY KEY (shop, level, idx)
);

-- Personal members, apart from the entries that bind them.
CREATE TABLE disclosure (
    shop    TEXT COLLATE "C" NOT NULL REFERENCES shop (id),
    idx     BIGINT NOT NULL,
    intake  TEXT COLLATE "C",
    digest  TEXT COLLATE "C" NOT NULL,
    text    TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (shop, idx, digest)
);
CREATE INDEX disclosure_of_intake ON disclosure (shop, intake, idx);

-- Projections: rebuilt from log and disclosures, and compared, by `counterfoil check`.
CREATE TABLE intake (
    shop       TEXT COLLATE "C" NOT NULL REFERENCES shop (id),
    id         TEXT COLLATE "C" NOT NULL,
    tag        TEXT COLLATE "C" NOT NULL,
    state      TEXT COLLATE "C" NOT NULL,
    kind       BYTEA NOT NULL,
    opened_idx BIGINT NOT NULL,
    last_idx   BIGINT NOT NULL,
    summary    TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (shop, id)
);
CREATE UNIQUE INDEX tag_in_use ON intake (shop, tag) WHERE state IN ('open', 'in care');
CREATE INDEX intake_by_opening ON intake (shop, opened_idx);
CREATE INDEX intake_by_state ON intake (shop, state, opened_idx);

CREATE TABLE intake_word (
    shop    TEXT COLLATE "C" NOT NULL REFERENCES shop (id),
    word    TEXT COLLATE "C" NOT NULL,
    intake  TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (shop, word, intake)
);
CREATE INDEX word_of_intake ON intake_word (shop, intake);

-- Files an entry named, and the entry that says their bytes are held.
CREATE TABLE named_file (
    shop        TEXT COLLATE "C" NOT NULL REFERENCES shop (id),
    file        BYTEA NOT NULL,
    named_idx   BIGINT NOT NULL,
    intake      TEXT COLLATE "C" NOT NULL,
    of          TEXT COLLATE "C" NOT NULL,
    photo       TEXT COLLATE "C" NOT NULL,
    size        BIGINT NOT NULL,
    media_type  TEXT COLLATE "C" NOT NULL,
    held_idx    BIGINT,
    judged_idx  BIGINT,
    PRIMARY KEY (shop, file, named_idx)
);
CREATE INDEX file_of_photo ON named_file (shop, photo);
CREATE INDEX file_not_judged ON named_file (shop, held_idx) WHERE of = 'photo' AND held_idx IS NOT NULL AND judged_idx IS NULL;

CREATE TABLE setting (
    shop   TEXT COLLATE "C" NOT NULL REFERENCES shop (id),
    name   TEXT COLLATE "C" NOT NULL,
    value  TEXT COLLATE "C" NOT NULL,
    idx    BIGINT NOT NULL,
    PRIMARY KEY (shop, name)
);

-- Documents entries name by digest: kinds, catalogues of words, terms.
CREATE TABLE document (
    shop    TEXT COLLATE "C" NOT NULL REFERENCES shop (id),
    digest  BYTEA NOT NULL,
    what    TEXT COLLATE "C" NOT NULL,
    name    TEXT COLLATE "C" NOT NULL,
    bytes   BYTEA NOT NULL,
    PRIMARY KEY (shop, digest, what)
);

-- Who may do what. What they did is in the log; these tables say what holds now.
-- Every secret is kept as its SHA-256 only. Times are milliseconds since 1970, UTC. Ids are lower-case UUIDs.

CREATE TABLE staff (
  shop     TEXT COLLATE "C"    NOT NULL,
  staff    TEXT COLLATE "C"    NOT NULL,
  name     TEXT COLLATE "C"    NOT NULL,
  sign_in  TEXT COLLATE "C"    NOT NULL,                                -- lower case
  password TEXT COLLATE "C",                                            -- argon2id (PHC string); none: only by a paired device
  roles    TEXT COLLATE "C"    NOT NULL,                                -- words, in order, with commas between
  active   BIGINT NOT NULL CHECK (active IN (0, 1)),
  revision BIGINT NOT NULL,
  made_at  BIGINT NOT NULL,
  PRIMARY KEY (shop, staff),
  UNIQUE (shop, sign_in)
);
CREATE INDEX staff_by_sign_in ON staff (sign_in);

CREATE TABLE devices (
  shop       TEXT COLLATE "C"    NOT NULL,
  device     TEXT COLLATE "C"    NOT NULL,
  staff      TEXT COLLATE "C"    NOT NULL,                              -- who signed in on it last
  label      TEXT COLLATE "C"    NOT NULL,
  made_at    BIGINT NOT NULL,
  revoked_at BIGINT,
  PRIMARY KEY (shop, device),
  FOREIGN KEY (shop, staff) REFERENCES staff (shop, staff)
);

CREATE TABLE sessions (
  secret   BYTEA    NOT NULL PRIMARY KEY CHECK (length(secret) = 32),
  shop     TEXT COLLATE "C"    NOT NULL,
  staff    TEXT COLLATE "C"    NOT NULL,
  device   TEXT COLLATE "C"    NOT NULL,
  made_at  BIGINT NOT NULL,
  seen_at  BIGINT NOT NULL,
  ended_at BIGINT,
  FOREIGN KEY (shop, staff) REFERENCES staff (shop, staff),
  FOREIGN KEY (shop, device) REFERENCES devices (shop, device)
);
CREATE INDEX sessions_by_device ON sessions (shop, device);
CREATE INDEX sessions_by_staff ON sessions (shop, staff);

-- One family for each sign-in of an API client; its refresh tokens follow each other.
CREATE TABLE token_families (
  shop     TEXT COLLATE "C"    NOT NULL,
  family   TEXT COLLATE "C"    NOT NULL,
  staff    TEXT COLLATE "C"    NOT NULL,
  device   TEXT COLLATE "C"    NOT NULL,
  made_at  BIGINT NOT NULL,
  ended_at BIGINT,
  PRIMARY KEY (shop, family),
  FOREIGN KEY (shop, staff) REFERENCES staff (shop, staff),
  FOREIGN KEY (shop, device) REFERENCES devices (shop, device)
);
CREATE INDEX token_families_by_device ON token_families (shop, device);
CREATE INDEX token_families_by_staff ON token_families (shop, staff);

CREATE TABLE refresh_tokens (
  secret  BYTEA    NOT NULL PRIMARY KEY CHECK (length(secret) = 32),
  shop    TEXT COLLATE "C"    NOT NULL,
  family  TEXT COLLATE "C"    NOT NULL,
  made_at BIGINT NOT NULL,
  used_at BIGINT,
  FOREIGN KEY (shop, family) REFERENCES token_families (shop, family) ON DELETE CASCADE
);
CREATE INDEX refresh_tokens_by_family ON refresh_tokens (shop, family);

CREATE TABLE pairings (
  secret     BYTEA    NOT NULL PRIMARY KEY CHECK (length(secret) = 32),
  shop       TEXT COLLATE "C"    NOT NULL,
  staff      TEXT COLLATE "C"    NOT NULL,                              -- whose device it will be
  by_staff   TEXT COLLATE "C"    NOT NULL,                              -- who made the code, and where
  by_device  TEXT COLLATE "C"    NOT NULL,
  made_at    BIGINT NOT NULL,
  expires_at BIGINT NOT NULL,
  claimed_at BIGINT,
  FOREIGN KEY (shop, staff) REFERENCES staff (shop, staff)
);
CREATE INDEX pairings_by_staff ON pairings (shop, staff);

-- Capabilities: whoever holds the secret may read this one thing until it expires.
CREATE TABLE links (
  shop       TEXT COLLATE "C"    NOT NULL,
  link       TEXT COLLATE "C"    NOT NULL,
  secret     BYTEA    NOT NULL UNIQUE CHECK (length(secret) = 32),
  intake     TEXT COLLATE "C"    NOT NULL,
  what       TEXT COLLATE "C"    NOT NULL CHECK (what IN ('receipt')),
  made_by    TEXT COLLATE "C"    NOT NULL,
  made_at    BIGINT NOT NULL,
  expires_at BIGINT NOT NULL,
  revoked_at BIGINT,
  opened     BIGINT NOT NULL DEFAULT 0,
  opened_at  BIGINT,
  PRIMARY KEY (shop, link)
);
CREATE INDEX links_by_intake ON links (shop, intake);

-- The token that the program prints at its first start. It carries no shop: there is none yet.
CREATE TABLE set_up (
  one     BIGINT NOT NULL PRIMARY KEY CHECK (one = 1),
  secret  BYTEA    NOT NULL CHECK (length(secret) = 32),
  made_at BIGINT NOT NULL,
  used_at BIGINT
);

-- What was revoked and still has to be told to the log: committed together with the revocation.
CREATE TABLE unsaid (
  n     BIGINT  GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
  shop  TEXT COLLATE "C"    NOT NULL,
  entry TEXT COLLATE "C"    NOT NULL                                    -- JSON
);

-- Days that go differently. Every key carries the shop.

-- A machine that was found hangs on a tag too.
DROP INDEX tag_in_use;
CREATE UNIQUE INDEX tag_in_use ON intake (shop, tag) WHERE state IN ('open', 'in care', 'found');

-- Projection: tags that were lost. They are found by searching for ever and never used again.
CREATE TABLE lost_tag (
    shop    TEXT COLLATE "C" NOT NULL REFERENCES shop (id),
    tag     TEXT COLLATE "C" NOT NULL,
    intake  TEXT COLLATE "C" NOT NULL,
    idx     BIGINT NOT NULL,
    PRIMARY KEY (shop, tag)
);
CREATE INDEX lost_tag_of_intake ON lost_tag (shop, intake);

-- A photo that was moved away or erased: its row no longer holds the bytes.
ALTER TABLE named_file ADD COLUMN moved_idx BIGINT;
ALTER TABLE named_file ADD COLUMN erased_idx BIGINT;
CREATE INDEX file_erased ON named_file (shop, file) WHERE erased_idx IS NOT NULL;

-- What judged photos look like: a projection of their judgements, to find the same picture again.

CREATE TABLE photo_look (
    shop    TEXT COLLATE "C" NOT NULL REFERENCES shop (id),
    photo   TEXT COLLATE "C" NOT NULL,
    intake  TEXT COLLATE "C" NOT NULL,
    idx     BIGINT NOT NULL,
    look    BIGINT NOT NULL,
    PRIMARY KEY (shop, photo)
);
-- Two looks at most ten bits apart have a part of sixteen bits with at most two bits between them.
CREATE INDEX look_part_0 ON photo_look (shop, (look >> 48 & 65535));
CREATE INDEX look_part_1 ON photo_look (shop, (look >> 32 & 65535));
CREATE INDEX look_part_2 ON photo_look (shop, (look >> 16 & 65535));
CREATE INDEX look_part_3 ON photo_look (shop, (look & 65535));

-- The desk: words for a forgiving search, and the kinds a shop made itself.

-- Words of letters as intake_word has them, so that one with a typo is found from its first or its last two letters.
CREATE TABLE search_word (
    shop   TEXT COLLATE "C" NOT NULL REFERENCES shop (id),
    word   TEXT COLLATE "C" NOT NULL,
    front  TEXT COLLATE "C" NOT NULL,
    back   TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (shop, word)
);
CREATE INDEX search_word_front ON search_word (shop, front);
CREATE INDEX search_word_back ON search_word (shop, back);

-- By which version of the projections a shop's rows were written; another one writes them anew at its start.
CREATE TABLE projected (
    shop     TEXT COLLATE "C" PRIMARY KEY REFERENCES shop (id),
    version  BIGINT NOT NULL
);

-- Kinds a shop added and retired, each by its entry; the newest row of a kind_id holds, without a digest it is retired.
CREATE TABLE own_kind (
    shop     TEXT COLLATE "C" NOT NULL REFERENCES shop (id),
    idx      BIGINT NOT NULL,
    kind_id  TEXT COLLATE "C" NOT NULL,
    digest   BYTEA,
    PRIMARY KEY (shop, idx)
);

-- Tags set apart for a device, so that two phones without a network do not offer the same one. A proposal only: whoever wires a
-- tag to a machine says its number, and the entry decides. No fact of the log: nothing is rebuilt from it.
CREATE TABLE tag_lease (
    shop    TEXT COLLATE "C" NOT NULL REFERENCES shop (id),
    tag     TEXT COLLATE "C" NOT NULL,
    device  TEXT COLLATE "C" NOT NULL,
    until   BIGINT NOT NULL,                                -- milliseconds since 1970, UTC
    PRIMARY KEY (shop, tag)
);
CREATE INDEX tag_lease_of_device ON tag_lease (shop, device);

-- A customer's personal data that was erased by an entry, while its traces are still to be taken away.
CREATE TABLE erasing (
  shop TEXT COLLATE "C" NOT NULL REFERENCES shop (id),
  idx  BIGINT NOT NULL,
  PRIMARY KEY (shop, idx)
);

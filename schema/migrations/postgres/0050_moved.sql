-- Where an installation is on its way to, went to, or comes from: what `counterfoil move` and `restore` leave until they have ended.
-- No row: it is here. Never copied with the rest.
CREATE TABLE moved (
    one    BIGINT NOT NULL PRIMARY KEY CHECK (one = 1),
    state  TEXT COLLATE "C" NOT NULL CHECK (state IN ('leaving', 'left', 'coming')),
    id     TEXT COLLATE "C" NOT NULL,                       -- of the move: both ends have the same
    place  TEXT COLLATE "C" NOT NULL,                       -- the other end, as a person reads it
    at     BIGINT NOT NULL                                  -- milliseconds since 1970, UTC
);

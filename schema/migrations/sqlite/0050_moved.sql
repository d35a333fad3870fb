-- Where an installation is on its way to, went to, or comes from: what `counterfoil move` and `restore` leave until they have ended.
-- No row: it is here. Never copied with the rest.
CREATE TABLE moved (
    one    INTEGER NOT NULL PRIMARY KEY CHECK (one = 1),
    state  TEXT    NOT NULL CHECK (state IN ('leaving', 'left', 'coming')),
    id     TEXT    NOT NULL,                                -- of the move: both ends have the same
    place  TEXT    NOT NULL,                                -- the other end, as a person reads it
    at     INTEGER NOT NULL                                 -- milliseconds since 1970, UTC
) STRICT;

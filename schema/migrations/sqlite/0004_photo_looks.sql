-- What judged photos look like: a projection of their judgements, to find the same picture again.

CREATE TABLE photo_look (
    shop    TEXT NOT NULL REFERENCES shop (id),
    photo   TEXT NOT NULL,
    intake  TEXT NOT NULL,
    idx     INTEGER NOT NULL,
    look    INTEGER NOT NULL,
    PRIMARY KEY (shop, photo)
) STRICT, WITHOUT ROWID;
-- Two looks at most ten bits apart have a part of sixteen bits with at most two bits between them.
CREATE INDEX look_part_0 ON photo_look (shop, (look >> 48 & 65535));
CREATE INDEX look_part_1 ON photo_look (shop, (look >> 32 & 65535));
CREATE INDEX look_part_2 ON photo_look (shop, (look >> 16 & 65535));
CREATE INDEX look_part_3 ON photo_look (shop, (look & 65535));

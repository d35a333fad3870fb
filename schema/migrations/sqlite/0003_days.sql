-- Days that go differently. Every key carries the shop.

-- A machine that was found hangs on a tag too.
DROP INDEX tag_in_use;
CREATE UNIQUE INDEX tag_in_use ON intake (shop, tag) WHERE state IN ('open', 'in care', 'found');

-- Projection: tags that were lost. They are found by searching for ever and never used again.
CREATE TABLE lost_tag (
    shop    TEXT NOT NULL REFERENCES shop (id),
    tag     TEXT NOT NULL,
    intake  TEXT NOT NULL,
    idx     INTEGER NOT NULL,
    PRIMARY KEY (shop, tag)
) STRICT, WITHOUT ROWID;
CREATE INDEX lost_tag_of_intake ON lost_tag (shop, intake);

-- A photo that was moved away or erased: its row no longer holds the bytes.
ALTER TABLE named_file ADD COLUMN moved_idx INTEGER;
ALTER TABLE named_file ADD COLUMN erased_idx INTEGER;
CREATE INDEX file_erased ON named_file (shop, file) WHERE erased_idx IS NOT NULL;

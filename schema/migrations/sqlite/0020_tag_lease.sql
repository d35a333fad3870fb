-- Tags set apart for a device, so that two phones without a network do not offer the same one. A proposal only: whoever wires a
-- tag to a machine says its number, and the entry decides. No fact of the log: nothing is rebuilt from it.
CREATE TABLE tag_lease (
    shop    TEXT NOT NULL REFERENCES shop (id),
    tag     TEXT NOT NULL,
    device  TEXT NOT NULL,
    until   INTEGER NOT NULL,                                -- milliseconds since 1970, UTC
    PRIMARY KEY (shop, tag)
) STRICT, WITHOUT ROWID;
CREATE INDEX tag_lease_of_device ON tag_lease (shop, device);

-- Until when a link to open a further shop counts; none: the link of the first start, which counts while nobody is set up.
ALTER TABLE set_up ADD COLUMN until BIGINT;

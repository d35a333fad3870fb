-- How many photos an intake still has, and the revision (last_idx) at which they were counted. A server of before this writes a row
-- without counting: only where the two revisions are one is the count believed.
ALTER TABLE intake ADD COLUMN photos INTEGER;
ALTER TABLE intake ADD COLUMN photos_idx INTEGER;

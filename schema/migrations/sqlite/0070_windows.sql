-- Intakes with the window of a claim that is open: few among all that ever were.
CREATE INDEX intake_with_window ON intake (shop, opened_idx) WHERE instr(summary, '"windows":') > 0;

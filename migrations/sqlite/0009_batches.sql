-- Batches on hold, and cards that several batches carry out, are found among few rows however many batches there are.
CREATE INDEX batch_held ON batch (site, day, id) WHERE held = TRUE;
CREATE INDEX batch_carded ON batch (site, card) WHERE card IS NOT NULL AND state <> 'undone';

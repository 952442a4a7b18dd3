-- Batches under way are found among few rows however many batches there are.
CREATE INDEX batch_under_way ON batch (site, day, id) WHERE state IN ('weighed_in', 'in_drum');

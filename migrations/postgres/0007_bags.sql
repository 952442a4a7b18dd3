-- What a line of bags says further: how they were ground, and for bags that left, came back or were thrown away, the packing that filled them.
ALTER TABLE bags ADD COLUMN grind TEXT COLLATE "C";
ALTER TABLE bags ADD COLUMN from_packing UUID REFERENCES posting (id);
CREATE INDEX bags_packing ON bags (from_packing);

-- Bags that a posting packed or shipped, for an order or for the shelf. It follows from the posting's facts; what was undone is left out by
-- whoever sums.
CREATE TABLE bags (
    posting BLOB NOT NULL REFERENCES posting (id),
    line INTEGER NOT NULL,
    for_order BLOB REFERENCES record (id),
    product BLOB NOT NULL REFERENCES record (id),
    bags INTEGER NOT NULL CHECK (bags > 0),
    PRIMARY KEY (posting, line)
) STRICT;
CREATE INDEX bags_order ON bags (for_order);

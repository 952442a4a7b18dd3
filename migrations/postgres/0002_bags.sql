-- Bags that a posting packed or shipped, for an order or for the shelf. It follows from the posting's facts; what was undone is left out by
-- whoever sums.
CREATE TABLE bags (
    posting UUID NOT NULL REFERENCES posting (id),
    line BIGINT NOT NULL,
    for_order UUID REFERENCES record (id),
    product UUID NOT NULL REFERENCES record (id),
    bags BIGINT NOT NULL CHECK (bags > 0),
    PRIMARY KEY (posting, line)
);
CREATE INDEX bags_order ON bags (for_order);

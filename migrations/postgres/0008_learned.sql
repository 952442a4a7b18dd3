-- What the learner has learned, as it writes it down itself: it may be deleted at any time, and is then learned again from the book.
CREATE TABLE learned (
    site UUID NOT NULL PRIMARY KEY REFERENCES log_head (site),
    image BYTEA NOT NULL
);

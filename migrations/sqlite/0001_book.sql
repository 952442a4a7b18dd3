-- The book: one append-only log of leaves for each site, and the tables that follow from it.
-- Instants are Unix milliseconds, days are ISO text, masses are milligrams; `outturn verify` rebuilds every table below from `log`.

CREATE TABLE log_head (
    site BLOB NOT NULL PRIMARY KEY,
    size INTEGER NOT NULL,
    recorded_at INTEGER NOT NULL,
    frontier BLOB NOT NULL,
    root BLOB NOT NULL
) STRICT;

CREATE TABLE log (
    site BLOB NOT NULL REFERENCES log_head (site),
    position INTEGER NOT NULL,
    recorded_at INTEGER NOT NULL,
    hash BLOB NOT NULL,
    leaf TEXT NOT NULL,
    PRIMARY KEY (site, position)
) STRICT;
CREATE INDEX log_recorded ON log (site, recorded_at);

-- What was answered to each command, by the id its sender gave it.
CREATE TABLE command (
    id BLOB NOT NULL PRIMARY KEY,
    site BLOB NOT NULL REFERENCES log_head (site),
    digest BLOB NOT NULL,
    answer TEXT NOT NULL
) STRICT;

-- A thing people edit. `label` is its name among its kind, `day` the day it is about, where it has them.
CREATE TABLE record (
    id BLOB NOT NULL PRIMARY KEY,
    site BLOB NOT NULL REFERENCES log_head (site),
    kind TEXT NOT NULL,
    revision INTEGER NOT NULL,
    label TEXT,
    day TEXT,
    body TEXT NOT NULL
) STRICT;
CREATE UNIQUE INDEX record_label ON record (site, kind, label);
CREATE INDEX record_kind ON record (site, kind, id);
CREATE INDEX record_day ON record (site, kind, day);

-- What a record names: nothing in the book can point at a thing that is not there.
CREATE TABLE record_link (
    record BLOB NOT NULL REFERENCES record (id),
    names BLOB NOT NULL REFERENCES record (id),
    PRIMARY KEY (record, names)
) STRICT;
CREATE INDEX record_link_names ON record_link (names);

CREATE TABLE posting (
    id BLOB NOT NULL PRIMARY KEY,
    site BLOB NOT NULL,
    position INTEGER NOT NULL,
    version INTEGER NOT NULL,
    kind TEXT NOT NULL,
    person BLOB NOT NULL REFERENCES record (id),
    device BLOB,
    happened_at INTEGER NOT NULL,
    effective_at INTEGER NOT NULL,
    day TEXT NOT NULL,
    recorded_at INTEGER NOT NULL,
    late INTEGER NOT NULL,
    reason TEXT,
    card BLOB REFERENCES record (id),
    reverses BLOB UNIQUE REFERENCES posting (id),
    facts TEXT NOT NULL,
    digest BLOB NOT NULL,
    FOREIGN KEY (site, position) REFERENCES log (site, position),
    UNIQUE (site, position)
) STRICT;

-- One lot at one place. `key` is the nil UUID where the place has none.
CREATE TABLE account (
    id INTEGER NOT NULL PRIMARY KEY,
    site BLOB NOT NULL REFERENCES log_head (site),
    lot BLOB NOT NULL REFERENCES record (id),
    place TEXT NOT NULL,
    key BLOB NOT NULL,
    balance_mg INTEGER NOT NULL,
    UNIQUE (site, lot, place, key)
) STRICT;
CREATE INDEX account_standing ON account (site, place, lot) WHERE balance_mg <> 0;
CREATE INDEX account_key ON account (key);

CREATE TABLE movement (
    posting BLOB NOT NULL REFERENCES posting (id),
    line INTEGER NOT NULL,
    position INTEGER NOT NULL,
    day TEXT NOT NULL,
    from_account INTEGER NOT NULL REFERENCES account (id),
    to_account INTEGER NOT NULL REFERENCES account (id),
    mass_mg INTEGER NOT NULL CHECK (mass_mg > 0),
    PRIMARY KEY (posting, line),
    CHECK (from_account <> to_account)
) STRICT;
CREATE INDEX movement_from ON movement (from_account, day, position);
CREATE INDEX movement_to ON movement (to_account, day, position);

-- How the mass of a movement was known, with the readings as typed.
CREATE TABLE weighing (
    posting BLOB NOT NULL REFERENCES posting (id),
    line INTEGER NOT NULL,
    movement INTEGER NOT NULL,
    basis TEXT NOT NULL,
    source TEXT NOT NULL,
    scale BLOB REFERENCES record (id),
    unit TEXT,
    division_mg INTEGER,
    net_mg INTEGER NOT NULL,
    readings TEXT NOT NULL,
    PRIMARY KEY (posting, line)
) STRICT;
CREATE INDEX weighing_scale ON weighing (scale);

-- What came to an account less what left it, month by month, so that a balance at a past day reads few rows.
CREATE TABLE account_month (
    account INTEGER NOT NULL REFERENCES account (id),
    month TEXT NOT NULL,
    net_mg INTEGER NOT NULL,
    PRIMARY KEY (account, month)
) STRICT;

CREATE TABLE journal (
    id BLOB NOT NULL PRIMARY KEY,
    site BLOB NOT NULL,
    position INTEGER NOT NULL,
    version INTEGER NOT NULL,
    kind TEXT NOT NULL,
    subject BLOB NOT NULL,
    act TEXT NOT NULL,
    person BLOB NOT NULL,
    device BLOB,
    happened_at INTEGER NOT NULL,
    recorded_at INTEGER NOT NULL,
    reason TEXT,
    FOREIGN KEY (site, position) REFERENCES log (site, position),
    UNIQUE (site, position)
) STRICT;
CREATE INDEX journal_subject ON journal (subject, position);

CREATE TABLE closing (
    id BLOB NOT NULL PRIMARY KEY,
    site BLOB NOT NULL,
    position INTEGER NOT NULL,
    from_day TEXT,
    to_day TEXT NOT NULL,
    reopened INTEGER NOT NULL,
    FOREIGN KEY (site, position) REFERENCES log (site, position),
    UNIQUE (site, position)
) STRICT;

-- A batch's steps in the order they were booked; the columns beside them follow from the steps.
CREATE TABLE batch (
    id BLOB NOT NULL PRIMARY KEY,
    site BLOB NOT NULL REFERENCES log_head (site),
    lot BLOB NOT NULL REFERENCES record (id),
    style BLOB NOT NULL REFERENCES record (id),
    roaster BLOB NOT NULL REFERENCES record (id),
    card BLOB REFERENCES record (id),
    state TEXT NOT NULL,
    held INTEGER NOT NULL,
    day TEXT NOT NULL,
    out_minute INTEGER,
    steps TEXT NOT NULL
) STRICT;
CREATE INDEX batch_state ON batch (site, state, day);
CREATE INDEX batch_lot ON batch (lot, day);
CREATE INDEX batch_day ON batch (site, day, id);
CREATE INDEX batch_out ON batch (site, out_minute, id);
CREATE INDEX batch_card ON batch (card);

-- A command kept on a tablet that could not be booked: a person settles it.
CREATE TABLE unsettled (
    id BLOB NOT NULL PRIMARY KEY,
    site BLOB NOT NULL REFERENCES log_head (site),
    command TEXT NOT NULL,
    person BLOB NOT NULL,
    device BLOB,
    received_at INTEGER NOT NULL,
    body TEXT NOT NULL,
    problem TEXT NOT NULL,
    settled_at INTEGER,
    settled_how TEXT
) STRICT;

-- The book: one append-only log of leaves for each site, and the tables that follow from it.
-- Instants are Unix milliseconds, days are ISO text, masses are milligrams; `outturn verify` rebuilds every table below from `log`.

CREATE TABLE log_head (
    site UUID NOT NULL PRIMARY KEY,
    size BIGINT NOT NULL,
    recorded_at BIGINT NOT NULL,
    frontier BYTEA NOT NULL,
    root BYTEA NOT NULL
);

CREATE TABLE log (
    site UUID NOT NULL REFERENCES log_head (site),
    position BIGINT NOT NULL,
    recorded_at BIGINT NOT NULL,
    hash BYTEA NOT NULL,
    leaf TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (site, position)
);
CREATE INDEX log_recorded ON log (site, recorded_at);

-- What was answered to each command, by the id its sender gave it.
CREATE TABLE command (
    id UUID NOT NULL PRIMARY KEY,
    site UUID NOT NULL REFERENCES log_head (site),
    digest BYTEA NOT NULL,
    answer TEXT COLLATE "C" NOT NULL
);

-- A thing people edit. `label` is its name among its kind, `day` the day it is about, where it has them.
CREATE TABLE record (
    id UUID NOT NULL PRIMARY KEY,
    site UUID NOT NULL REFERENCES log_head (site),
    kind TEXT COLLATE "C" NOT NULL,
    revision BIGINT NOT NULL,
    label TEXT COLLATE "C",
    day TEXT COLLATE "C",
    body TEXT COLLATE "C" NOT NULL
);
CREATE UNIQUE INDEX record_label ON record (site, kind, label);
CREATE INDEX record_kind ON record (site, kind, id);
CREATE INDEX record_day ON record (site, kind, day);

-- What a record names: nothing in the book can point at a thing that is not there.
CREATE TABLE record_link (
    record UUID NOT NULL REFERENCES record (id),
    names UUID NOT NULL REFERENCES record (id),
    PRIMARY KEY (record, names)
);
CREATE INDEX record_link_names ON record_link (names);

CREATE TABLE posting (
    id UUID NOT NULL PRIMARY KEY,
    site UUID NOT NULL,
    position BIGINT NOT NULL,
    version BIGINT NOT NULL,
    kind TEXT COLLATE "C" NOT NULL,
    person UUID NOT NULL REFERENCES record (id),
    device UUID,
    happened_at BIGINT NOT NULL,
    effective_at BIGINT NOT NULL,
    day TEXT COLLATE "C" NOT NULL,
    recorded_at BIGINT NOT NULL,
    late BOOLEAN NOT NULL,
    reason TEXT COLLATE "C",
    card UUID REFERENCES record (id),
    reverses UUID UNIQUE REFERENCES posting (id),
    facts TEXT COLLATE "C" NOT NULL,
    digest BYTEA NOT NULL,
    FOREIGN KEY (site, position) REFERENCES log (site, position),
    UNIQUE (site, position)
);

-- One lot at one place. `key` is the nil UUID where the place has none.
CREATE TABLE account (
    id BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    site UUID NOT NULL REFERENCES log_head (site),
    lot UUID NOT NULL REFERENCES record (id),
    place TEXT COLLATE "C" NOT NULL,
    key UUID NOT NULL,
    balance_mg BIGINT NOT NULL,
    UNIQUE (site, lot, place, key)
);
CREATE INDEX account_standing ON account (site, place, lot) WHERE balance_mg <> 0;
CREATE INDEX account_key ON account (key);

CREATE TABLE movement (
    posting UUID NOT NULL REFERENCES posting (id),
    line BIGINT NOT NULL,
    position BIGINT NOT NULL,
    day TEXT COLLATE "C" NOT NULL,
    from_account BIGINT NOT NULL REFERENCES account (id),
    to_account BIGINT NOT NULL REFERENCES account (id),
    mass_mg BIGINT NOT NULL CHECK (mass_mg > 0),
    PRIMARY KEY (posting, line),
    CHECK (from_account <> to_account)
);
CREATE INDEX movement_from ON movement (from_account, day, position);
CREATE INDEX movement_to ON movement (to_account, day, position);

-- How the mass of a movement was known, with the readings as typed.
CREATE TABLE weighing (
    posting UUID NOT NULL REFERENCES posting (id),
    line BIGINT NOT NULL,
    movement BIGINT NOT NULL,
    basis TEXT COLLATE "C" NOT NULL,
    source TEXT COLLATE "C" NOT NULL,
    scale UUID REFERENCES record (id),
    unit TEXT COLLATE "C",
    division_mg BIGINT,
    net_mg BIGINT NOT NULL,
    readings TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (posting, line)
);
CREATE INDEX weighing_scale ON weighing (scale);

-- What came to an account less what left it, month by month, so that a balance at a past day reads few rows.
CREATE TABLE account_month (
    account BIGINT NOT NULL REFERENCES account (id),
    month TEXT COLLATE "C" NOT NULL,
    net_mg BIGINT NOT NULL,
    PRIMARY KEY (account, month)
);

CREATE TABLE journal (
    id UUID NOT NULL PRIMARY KEY,
    site UUID NOT NULL,
    position BIGINT NOT NULL,
    version BIGINT NOT NULL,
    kind TEXT COLLATE "C" NOT NULL,
    subject UUID NOT NULL,
    act TEXT COLLATE "C" NOT NULL,
    person UUID NOT NULL,
    device UUID,
    happened_at BIGINT NOT NULL,
    recorded_at BIGINT NOT NULL,
    reason TEXT COLLATE "C",
    FOREIGN KEY (site, position) REFERENCES log (site, position),
    UNIQUE (site, position)
);
CREATE INDEX journal_subject ON journal (subject, position);

CREATE TABLE closing (
    id UUID NOT NULL PRIMARY KEY,
    site UUID NOT NULL,
    position BIGINT NOT NULL,
    from_day TEXT COLLATE "C",
    to_day TEXT COLLATE "C" NOT NULL,
    reopened BOOLEAN NOT NULL,
    FOREIGN KEY (site, position) REFERENCES log (site, position),
    UNIQUE (site, position)
);

-- A batch's steps in the order they were booked; the columns beside them follow from the steps.
CREATE TABLE batch (
    id UUID NOT NULL PRIMARY KEY,
    site UUID NOT NULL REFERENCES log_head (site),
    lot UUID NOT NULL REFERENCES record (id),
    style UUID NOT NULL REFERENCES record (id),
    roaster UUID NOT NULL REFERENCES record (id),
    card UUID REFERENCES record (id),
    state TEXT COLLATE "C" NOT NULL,
    held BOOLEAN NOT NULL,
    day TEXT COLLATE "C" NOT NULL,
    out_minute BIGINT,
    steps TEXT COLLATE "C" NOT NULL
);
CREATE INDEX batch_state ON batch (site, state, day);
CREATE INDEX batch_lot ON batch (lot, day);
CREATE INDEX batch_day ON batch (site, day, id);
CREATE INDEX batch_out ON batch (site, out_minute, id);
CREATE INDEX batch_card ON batch (card);

-- A command kept on a tablet that could not be booked: a person settles it.
CREATE TABLE unsettled (
    id UUID NOT NULL PRIMARY KEY,
    site UUID NOT NULL REFERENCES log_head (site),
    command TEXT COLLATE "C" NOT NULL,
    person UUID NOT NULL,
    device UUID,
    received_at BIGINT NOT NULL,
    body TEXT COLLATE "C" NOT NULL,
    problem TEXT COLLATE "C" NOT NULL,
    settled_at BIGINT,
    settled_how TEXT COLLATE "C"
);

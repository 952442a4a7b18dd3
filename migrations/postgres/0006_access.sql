-- Who may come in. Nothing here is in the log, follows from it or leaves with an export: people and devices themselves are records.

-- What a person knows: a password or a PIN, as the text of an Argon2id hash.
CREATE TABLE secret (
    person UUID NOT NULL REFERENCES record (id),
    kind TEXT COLLATE "C" NOT NULL,
    hash TEXT COLLATE "C" NOT NULL,
    set_at BIGINT NOT NULL,
    PRIMARY KEY (person, kind)
);

-- What a device shows, as SHA-256 of its key.
CREATE TABLE device_key (
    hash BYTEA NOT NULL PRIMARY KEY,
    device UUID NOT NULL REFERENCES record (id),
    seen_at BIGINT NOT NULL
);
CREATE INDEX device_key_device ON device_key (device);

-- A person signed in on a device, as SHA-256 of what the browser shows.
CREATE TABLE session (
    hash BYTEA NOT NULL PRIMARY KEY,
    person UUID NOT NULL REFERENCES record (id),
    device UUID NOT NULL REFERENCES record (id),
    expires_at BIGINT NOT NULL
);
CREATE INDEX session_person ON session (person);

-- A link by which a person chooses a password, once.
CREATE TABLE invitation (
    hash BYTEA NOT NULL PRIMARY KEY,
    person UUID NOT NULL REFERENCES record (id),
    expires_at BIGINT NOT NULL
);
CREATE INDEX invitation_person ON invitation (person);

-- A short code by which a tablet is paired, once.
CREATE TABLE pairing (
    hash BYTEA NOT NULL PRIMARY KEY,
    site UUID NOT NULL REFERENCES log_head (site),
    name TEXT COLLATE "C" NOT NULL,
    made_by UUID NOT NULL REFERENCES record (id),
    expires_at BIGINT NOT NULL
);

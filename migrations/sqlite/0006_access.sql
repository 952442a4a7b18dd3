-- Who may come in. Nothing here is in the log, follows from it or leaves with an export: people and devices themselves are records.

-- What a person knows: a password or a PIN, as the text of an Argon2id hash.
CREATE TABLE secret (
    person BLOB NOT NULL REFERENCES record (id),
    kind TEXT NOT NULL,
    hash TEXT NOT NULL,
    set_at INTEGER NOT NULL,
    PRIMARY KEY (person, kind)
) STRICT;

-- What a device shows, as SHA-256 of its key.
CREATE TABLE device_key (
    hash BLOB NOT NULL PRIMARY KEY,
    device BLOB NOT NULL REFERENCES record (id),
    seen_at INTEGER NOT NULL
) STRICT;
CREATE INDEX device_key_device ON device_key (device);

-- A person signed in on a device, as SHA-256 of what the browser shows.
CREATE TABLE session (
    hash BLOB NOT NULL PRIMARY KEY,
    person BLOB NOT NULL REFERENCES record (id),
    device BLOB NOT NULL REFERENCES record (id),
    expires_at INTEGER NOT NULL
) STRICT;
CREATE INDEX session_person ON session (person);

-- A link by which a person chooses a password, once.
CREATE TABLE invitation (
    hash BLOB NOT NULL PRIMARY KEY,
    person BLOB NOT NULL REFERENCES record (id),
    expires_at INTEGER NOT NULL
) STRICT;
CREATE INDEX invitation_person ON invitation (person);

-- A short code by which a tablet is paired, once.
CREATE TABLE pairing (
    hash BLOB NOT NULL PRIMARY KEY,
    site BLOB NOT NULL REFERENCES log_head (site),
    name TEXT NOT NULL,
    made_by BLOB NOT NULL REFERENCES record (id),
    expires_at INTEGER NOT NULL
) STRICT;

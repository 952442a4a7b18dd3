-- SHA-256 over a command's id, digest and answer, so that verifying sees an answer that is not what was answered.
ALTER TABLE command ADD COLUMN answer_hash BYTEA NOT NULL DEFAULT '';

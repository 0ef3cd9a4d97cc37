-- Blind montages and what an audience made of them.

-- A blind montage. `key_text` is the canonical text of its key, `nonce` the 32 bytes in front of it, `commitment` the SHA-256 over both
-- that stands in its captions. The key stays here, out of the log, until it is revealed: then `record` holds it as well.
CREATE TABLE montage (
  id         TEXT PRIMARY KEY,
  seq        INTEGER NOT NULL UNIQUE,
  commitment TEXT NOT NULL,
  nonce      TEXT NOT NULL,
  key_text   TEXT NOT NULL,
  record     TEXT NOT NULL
) STRICT;

CREATE TRIGGER montage_keeps_its_key BEFORE UPDATE OF id, seq, commitment, nonce, key_text ON montage
BEGIN SELECT RAISE (ABORT, 'the key of a montage never changes'); END;

-- Every count of an audience's answers, so that a second count of one montage can be told from the first.
CREATE TABLE vote_count (
  seq     INTEGER PRIMARY KEY,
  montage TEXT,                        -- null: answers from the audience page, everybody by a key of their own
  record  TEXT NOT NULL
) STRICT;

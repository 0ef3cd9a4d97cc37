-- Every table is from here on the replay of the log: nothing is in a table that no entry of the log tells of.

-- A withdrawn take gives its recording free: the same file may be taken in again under the right setup. For that the rule "once" moves
-- from the table into an index over the takes that stand.
CREATE TABLE take_anew (
  id        TEXT PRIMARY KEY,
  seq       INTEGER NOT NULL UNIQUE,
  setup     TEXT,                       -- null for the DI
  mic       TEXT NOT NULL,
  pass      INTEGER NOT NULL,
  sha256    TEXT NOT NULL,
  channel   INTEGER NOT NULL,           -- -1: the whole file
  withdrawn INTEGER NOT NULL CHECK (withdrawn IN (0, 1)),
  record    TEXT NOT NULL
) STRICT;

INSERT INTO take_anew
  SELECT id, seq, setup, mic, pass, sha256, channel,
         CASE WHEN json_valid (record) THEN json_extract (record, '$.withdrawn') IS NOT NULL ELSE 0 END, record
  FROM take ORDER BY rowid;

DROP TABLE take;

ALTER TABLE take_anew RENAME TO take;

CREATE UNIQUE INDEX take_once ON take (sha256, channel) WHERE withdrawn = 0;

-- What a test was sealed under: session id, head of the log before the seal, nonce. Null in tests of older programs.
ALTER TABLE test ADD COLUMN context TEXT;

-- The result as it was frozen when the test closed, if it was.
ALTER TABLE test ADD COLUMN result TEXT;

-- Why and when a test that nobody answered was given up, if it was.
ALTER TABLE test ADD COLUMN given_up TEXT;

DROP TRIGGER test_is_sealed;

CREATE TRIGGER test_is_sealed BEFORE UPDATE OF id, seq, seal, canonical, context ON test
BEGIN SELECT RAISE (ABORT, 'a sealed test never changes'); END;

CREATE TRIGGER test_ends_once BEFORE UPDATE ON test WHEN old.closed_at IS NOT NULL OR old.given_up IS NOT NULL
BEGIN SELECT RAISE (ABORT, 'a test that has ended never changes'); END;

-- A session's records, first version. Never edited once released; changes come as 0002 and so on.
--
-- Every table keeps the whole record as JSON in `record` (the shapes of src/model), with the columns beside it that are searched,
-- joined or must be unique. What a person can see of a record is therefore exactly what the program wrote.

-- Free key/value notes about the session: title, time of making, summary of the last check.
CREATE TABLE note (
  key    TEXT PRIMARY KEY,
  value  TEXT NOT NULL
) STRICT;

-- The rig as it was last read in. One row.
CREATE TABLE rig (
  one    INTEGER PRIMARY KEY CHECK (one = 1),
  record TEXT NOT NULL
) STRICT;

-- Recordings. The copy under takes/ is named by its hash alone, so that no setup can be read from the name.
CREATE TABLE take (
  id      TEXT PRIMARY KEY,
  seq     INTEGER NOT NULL UNIQUE,
  setup   TEXT,                       -- null for the DI
  mic     TEXT NOT NULL,
  pass    INTEGER NOT NULL,
  sha256  TEXT NOT NULL,
  channel INTEGER NOT NULL,           -- -1: the whole file
  record  TEXT NOT NULL,
  UNIQUE (sha256, channel)            -- one recording is never taken in twice
) STRICT;

-- Matching runs. Clips of different runs are never compared with each other.
CREATE TABLE match_run (
  run    INTEGER PRIMARY KEY,
  record TEXT NOT NULL
) STRICT;

CREATE TABLE clip (
  id     TEXT PRIMARY KEY,
  seq    INTEGER NOT NULL UNIQUE,
  run    INTEGER NOT NULL REFERENCES match_run (run),
  setup  TEXT NOT NULL,
  take   TEXT NOT NULL REFERENCES take (id),
  record TEXT NOT NULL
) STRICT;

-- Ohmmeter readings, with the judgement of the day.
CREATE TABLE meter (
  seq    INTEGER PRIMARY KEY,
  wiring TEXT NOT NULL,
  record TEXT NOT NULL
) STRICT;

CREATE TABLE listener (
  code      TEXT PRIMARY KEY,
  simulated INTEGER NOT NULL CHECK (simulated IN (0, 1)),
  record    TEXT NOT NULL
) STRICT;

-- Sealed tests. `canonical` is the text whose SHA-256 is `seal`. Only `closed_at` ever changes, once.
CREATE TABLE test (
  id        TEXT PRIMARY KEY,
  seq       INTEGER NOT NULL UNIQUE,
  seal      TEXT NOT NULL,
  canonical TEXT NOT NULL,
  closed_at TEXT,
  record    TEXT NOT NULL
) STRICT;

CREATE TRIGGER test_is_sealed BEFORE UPDATE OF id, seq, seal, canonical ON test
BEGIN SELECT RAISE (ABORT, 'a sealed test never changes'); END;

-- Trials. A row is written when the trial opens, with its commitment and without its order; order, nonce and pick come together.
CREATE TABLE trial (
  id         TEXT PRIMARY KEY,
  seq        INTEGER NOT NULL UNIQUE,
  test       TEXT NOT NULL REFERENCES test (id),
  listener   TEXT NOT NULL REFERENCES listener (code),
  state      TEXT NOT NULL CHECK (state IN ('open', 'answered', 'void')),
  commitment TEXT NOT NULL,
  record     TEXT NOT NULL
) STRICT;

CREATE INDEX trial_by_test ON trial (test, listener, seq);

CREATE TRIGGER trial_ends_once BEFORE UPDATE ON trial WHEN old.state <> 'open'
BEGIN SELECT RAISE (ABORT, 'a finished trial never changes'); END;

CREATE TRIGGER trial_keeps_its_commitment BEFORE UPDATE ON trial WHEN new.commitment <> old.commitment
BEGIN SELECT RAISE (ABORT, 'a commitment never changes'); END;

-- An invitation to listen from another device: an unguessable code for one listener and one test.
CREATE TABLE invitation (
  code     TEXT PRIMARY KEY,
  test     TEXT NOT NULL REFERENCES test (id),
  listener TEXT NOT NULL REFERENCES listener (code),
  UNIQUE (test, listener)
) STRICT;

-- The log: every change above in the order in which it happened. `hash` = SHA-256 over the previous hash, seq, at, what, subject and
-- body, joined by line feeds; the first previous hash is 64 zeros.
CREATE TABLE log (
  seq     INTEGER PRIMARY KEY,
  at      TEXT NOT NULL,
  what    TEXT NOT NULL,
  subject TEXT NOT NULL,
  body    TEXT NOT NULL,
  hash    TEXT NOT NULL
) STRICT;

CREATE TRIGGER log_is_append_only_1 BEFORE UPDATE ON log BEGIN SELECT RAISE (ABORT, 'the log is append-only'); END;
CREATE TRIGGER log_is_append_only_2 BEFORE DELETE ON log BEGIN SELECT RAISE (ABORT, 'the log is append-only'); END;

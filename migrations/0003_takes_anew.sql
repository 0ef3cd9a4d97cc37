-- A recording may be taken in anew once its take was withdrawn: only takes in use are unique. The table is made again, since a constraint
-- cannot be taken off one; the clips step aside meanwhile, for they refer to it.

CREATE TABLE take_anew (
  id      TEXT PRIMARY KEY,
  seq     INTEGER NOT NULL UNIQUE,
  setup   TEXT,                       -- null for the DI
  mic     TEXT NOT NULL,
  pass    INTEGER NOT NULL,
  sha256  TEXT NOT NULL,
  channel INTEGER NOT NULL,           -- -1: the whole file
  record  TEXT NOT NULL
) STRICT;

INSERT INTO take_anew SELECT id, seq, setup, mic, pass, sha256, channel, record FROM take;
CREATE TEMP TABLE clip_aside AS SELECT id, seq, run, setup, take, record FROM clip;
DELETE FROM clip;
DROP TABLE take;
ALTER TABLE take_anew RENAME TO take;
INSERT INTO clip SELECT id, seq, run, setup, take, record FROM clip_aside;
DROP TABLE clip_aside;

CREATE UNIQUE INDEX take_in_use ON take (sha256, channel) WHERE json_extract(record, '$.withdrawn') IS NULL;

-- Reference checks, corrections, recalls, commands. Nothing here is removed by retention but raw traces of old checks.

-- Recall events stand among the results: numbered, delivered and acknowledged like them. Widening a CHECK changes no
-- stored row, so the table's text alone is changed, as https://www.sqlite.org/lang_altertable.html (section 7) has it;
-- copying the table would need twice its room. The tables made below raise the schema cookie for all connections.
PRAGMA writable_schema = ON;
UPDATE sqlite_schema SET sql = replace(sql, 'kind IN (''result'', ''gap'')', 'kind IN (''result'', ''gap'', ''recall'')')
  WHERE type = 'table' AND name = 'result';
PRAGMA writable_schema = RESET;

-- One traverse over a specimen. It is stored when it comes, so that a check survives a restart between its traces.
CREATE TABLE reference_reading (
  reading_id    INTEGER PRIMARY KEY,
  specimen      TEXT NOT NULL,
  check_id      TEXT,                        -- NULL: its check is not complete, or was abandoned
  abandoned     TEXT,                        -- why it belongs to no check; NULL: it does, or still may
  request_id    TEXT,                        -- of the command that asked for it
  taken_at      REAL NOT NULL,               -- seconds since the epoch
  value         REAL,                        -- of the specimen's parameter; NULL: undefined, see reason
  reason        TEXT NOT NULL,
  amplification REAL NOT NULL,               -- correction that it was measured with
  delivery_id   BLOB UNIQUE,                 -- 16 bytes, UUIDv5 of the trace's own identity, where it came with one
  sha256        BLOB NOT NULL,
  points        INTEGER NOT NULL,
  data          BLOB                         -- as trace.data; NULL: removed, the hash stays
) STRICT;
CREATE INDEX reading_by_check ON reference_reading (check_id);

-- number is the order; times are not (DC-03).
CREATE TABLE reference_check (
  number             INTEGER PRIMARY KEY,
  check_id           TEXT NOT NULL UNIQUE,   -- UUIDv7
  specimen           TEXT NOT NULL,
  specimen_hash      TEXT NOT NULL,          -- of its entry in the station file: another entry needs another check
  request_id         TEXT,
  finished_at        REAL NOT NULL,
  clock_synchronized INTEGER NOT NULL,
  outcome            TEXT NOT NULL,          -- in-tolerance, warning, out-of-tolerance
  amplification      REAL NOT NULL,          -- correction that it was made with
  instance_id        TEXT NOT NULL,          -- where the results stood when it ended
  last_sequence      INTEGER NOT NULL,
  document           TEXT NOT NULL           -- JSON: its numbers, for people and programs
) STRICT;
CREATE INDEX check_by_specimen ON reference_check (specimen, number);

-- The amplification in force is that of the newest row that is not undone; 1 where there is none.
CREATE TABLE correction (
  number        INTEGER PRIMARY KEY,
  correction_id TEXT NOT NULL UNIQUE,        -- UUIDv7
  check_id      TEXT NOT NULL,
  specimen      TEXT NOT NULL,
  amplification REAL NOT NULL,               -- whole factor, over that of the gauge's own calibration
  accepted_at   REAL NOT NULL,
  accepted_by   TEXT NOT NULL,
  accepted_why  TEXT NOT NULL,
  undone_at     REAL,
  undone_by     TEXT,
  undone_why    TEXT
) STRICT;

CREATE TABLE recall (
  number      INTEGER PRIMARY KEY,
  recall_id   TEXT NOT NULL UNIQUE,          -- UUIDv7
  check_id    TEXT NOT NULL,                 -- the check that failed
  specimen    TEXT NOT NULL,
  made_at     REAL NOT NULL,
  instance_id TEXT NOT NULL,                 -- its event among the results
  sequence    INTEGER NOT NULL
) STRICT;

-- Passed results whose measurement is in doubt. Also those that are no longer stored.
CREATE TABLE recalled (
  instance_id TEXT NOT NULL,
  sequence    INTEGER NOT NULL,
  recall      INTEGER NOT NULL,              -- recall.number
  part_id     TEXT NOT NULL,
  created_at  REAL NOT NULL,
  PRIMARY KEY (instance_id, sequence)
) STRICT, WITHOUT ROWID;
CREATE INDEX recalled_by_recall ON recalled (recall);

-- Passed results since the last good check that went by retention, or stand in an earlier database.
CREATE TABLE earlier_pass (
  instance_id TEXT NOT NULL,
  sequence    INTEGER NOT NULL,
  after_check INTEGER NOT NULL,              -- reference_check.number of the newest check before it, 0 for none
  part_id     TEXT NOT NULL,
  created_at  REAL NOT NULL,
  PRIMARY KEY (instance_id, sequence)
) STRICT, WITHOUT ROWID;

-- Who asked for what, by which way, and what was answered.
CREATE TABLE command (
  number      INTEGER PRIMARY KEY,
  request_id  TEXT NOT NULL,
  received_at REAL NOT NULL,
  way         TEXT NOT NULL CHECK (way IN ('bus', 'machine')),
  name        TEXT NOT NULL,
  payload     TEXT NOT NULL,                 -- JSON
  accepted    INTEGER NOT NULL,
  answer      TEXT NOT NULL,
  ended       TEXT                           -- how an accepted one ended; NULL: it is not over yet
) STRICT;
CREATE INDEX command_by_request ON command (request_id);

-- Correlations of in-line with laboratory values that a person accepted. Nothing here is removed by retention.

-- In force for a characteristic, parameter and settings is the newest row that is not undone.
CREATE TABLE correlation (
  number         INTEGER PRIMARY KEY,
  correlation_id TEXT NOT NULL UNIQUE,       -- UUIDv7
  characteristic TEXT NOT NULL,
  parameter      TEXT NOT NULL,
  settings_hash  TEXT NOT NULL,              -- of the settings of the study's values: others need another study
  amplification  REAL NOT NULL,              -- correction in force for the study's values
  document       TEXT NOT NULL,              -- JSON: the line, and the values that it was fitted to
  accepted_at    REAL NOT NULL,
  accepted_by    TEXT NOT NULL,
  accepted_why   TEXT NOT NULL,
  undone_at      REAL,
  undone_by      TEXT,
  undone_why     TEXT
) STRICT;

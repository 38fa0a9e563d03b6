-- Results, their outbox, and raw traces. Small pages: one commit touches few of them (see DEVELOPERS.md, bytes written).
CREATE TABLE meta (
  key   TEXT PRIMARY KEY,
  value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- One row per sequence number, results and gap records alike. payload is what goes on the wire, byte for byte (DC-05).
CREATE TABLE result (
  sequence    INTEGER PRIMARY KEY,
  result_id   BLOB NOT NULL,                 -- 16 bytes; UUIDv5 of the trace's identity, or UUIDv7 (DC-04)
  part_id     TEXT NOT NULL,
  kind        TEXT NOT NULL CHECK (kind IN ('result', 'gap')),
  decision    TEXT NOT NULL,
  created_at  REAL NOT NULL,                 -- seconds since the epoch, by this computer's clock; never an order (DC-03)
  payload     BLOB NOT NULL
) STRICT;
CREATE INDEX result_by_part ON result (part_id, sequence);

-- Traces that came with an identity of their own: one found again after a crash is not measured again.
CREATE TABLE delivery (
  delivery_id BLOB PRIMARY KEY,              -- 16 bytes, UUIDv5
  sequence    INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- A row here is a promise to deliver (DC-11).
CREATE TABLE outbox (
  sequence    INTEGER PRIMARY KEY REFERENCES result (sequence),
  quarantined TEXT                           -- NULL: to be delivered; else why it is kept aside (DC-23)
) STRICT;

-- trace_id = sequence * 1000 + position: the traces of one result lie together and need no index of their own.
CREATE TABLE trace (
  trace_id    INTEGER PRIMARY KEY,
  sha256      BLOB NOT NULL,
  points      INTEGER NOT NULL,
  data        BLOB NOT NULL                  -- zlib of the container that traces.py describes
) STRICT;

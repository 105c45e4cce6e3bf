-- Times are engine times in milliseconds since 1970 unless a comment says
-- otherwise. Blobs end in a CRC-32C of their key and content.

-- Small facts: horizons and floors (see rollup.go), counters (see prune.go).
CREATE TABLE meta (
    name  TEXT PRIMARY KEY,
    value INTEGER NOT NULL
) WITHOUT ROWID;

-- The id of this database from event row first on. A restored backup gets a
-- new id, for it will count up to the same rows again with other events.
CREATE TABLE identity (
    first INTEGER PRIMARY KEY,
    id    TEXT NOT NULL
);

-- wall time = engine time + offset, from input seq on.
CREATE TABLE clock (
    seq    INTEGER PRIMARY KEY,
    at     INTEGER NOT NULL,
    offset INTEGER NOT NULL, -- ms
    mark   INTEGER NOT NULL  -- 0 sure, 1 uncertain, 2 corrected later
);

-- Who an input is about. Inputs of one series are kept together once packed.
CREATE TABLE series (
    id     INTEGER PRIMARY KEY,
    kind   TEXT NOT NULL,
    lamp   TEXT NOT NULL,
    device TEXT NOT NULL,
    word   TEXT NOT NULL,
    UNIQUE (kind, lamp, device, word)
);

-- Words that repeat: event keys and kinds, routes.
CREATE TABLE name (
    id   INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
);

-- The log: plain inputs, one row for each Append, packed (codec.go). Rows are
-- only added at the end and, once packed into chunk, deleted from the front.
CREATE TABLE batch (
    seq  INTEGER PRIMARY KEY, -- of the first input in body
    body BLOB NOT NULL
);

-- Other inputs: a person's actions and configurations, as JSON.
CREATE TABLE input (
    seq  INTEGER PRIMARY KEY,
    at   INTEGER NOT NULL,
    body TEXT NOT NULL,
    sum  INTEGER NOT NULL
);

-- Packed inputs, one row for each hour and series.
CREATE TABLE chunk (
    id   INTEGER PRIMARY KEY, -- hour << 20 | series
    last INTEGER NOT NULL,    -- the newest seq in body
    body BLOB NOT NULL
);

-- Rollups of lamps' readings (min, mean, max, count); see rollup.go.
CREATE TABLE rollup1 ( -- 10-minute buckets, one row for each day and series
    id   INTEGER PRIMARY KEY, -- day << 20 | series
    body BLOB NOT NULL
);
CREATE TABLE rollup2 ( -- 2-hour buckets, one row for each 10 days and series
    id   INTEGER PRIMARY KEY,
    body BLOB NOT NULL
);
CREATE TABLE rollup3 ( -- 1-day buckets, one row for each 60 days and series
    id   INTEGER PRIMARY KEY,
    body BLOB NOT NULL
);

CREATE TABLE event (
    id   INTEGER PRIMARY KEY,
    seq  INTEGER NOT NULL, -- of the input that caused it; rises with id
    at   INTEGER NOT NULL, -- rises with id
    key  INTEGER NOT NULL, -- name.id of "lamp/NAME", "device/NAME" or ""
    kind INTEGER NOT NULL, -- name.id
    body TEXT NOT NULL,    -- the event as JSON
    sum  INTEGER NOT NULL
);
CREATE INDEX event_key ON event (key, id);

CREATE TABLE outbox (
    id       INTEGER PRIMARY KEY,
    event    INTEGER NOT NULL, -- event.id
    route    INTEGER NOT NULL, -- name.id
    key      INTEGER NOT NULL, -- name.id
    state    INTEGER NOT NULL, -- 0 pending, 1 sent, 2 dead
    due      INTEGER NOT NULL,
    attempts INTEGER NOT NULL,
    last     INTEGER NOT NULL, -- time of the last attempt; 0: none
    note     TEXT NOT NULL     -- what the last attempt came to
);
CREATE INDEX outbox_line ON outbox (route, key, id) WHERE state = 0;
CREATE INDEX outbox_dead ON outbox (id) WHERE state = 2;
CREATE INDEX outbox_event ON outbox (event);

-- The newest snapshot of the machine; meta snapshot_seq says as of when.
CREATE TABLE snapshot (
    id   INTEGER PRIMARY KEY,
    part TEXT NOT NULL,
    body BLOB NOT NULL,
    sum  INTEGER NOT NULL
);

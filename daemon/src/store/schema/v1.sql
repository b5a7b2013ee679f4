-- Times are milliseconds since 1970, UTC. `up` is milliseconds since the start of run `run`.

-- One row for each start of the program.
CREATE TABLE run (
    id INTEGER PRIMARY KEY,
    boot TEXT NOT NULL,
    started_at INTEGER NOT NULL,
    trusted INTEGER NOT NULL
) STRICT;

-- The wall clock was set: in run `run` at up-time `up` it went from old_at to new_at.
CREATE TABLE clock_step (
    id INTEGER PRIMARY KEY,
    run INTEGER NOT NULL REFERENCES run (id),
    up INTEGER NOT NULL,
    old_at INTEGER NOT NULL,
    new_at INTEGER NOT NULL
) STRICT;

CREATE TABLE channel (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
) STRICT;

-- The newest readings as they came, one row a commit. Numbers are given by the writer and never
-- used twice.
CREATE TABLE tail (
    id INTEGER PRIMARY KEY,
    packed BLOB NOT NULL
) STRICT;

-- One hour of one channel; id is channel * 2^32 + hour since 1970. `upto` is the highest number
-- in the tail that went into it.
CREATE TABLE chunk (
    id INTEGER PRIMARY KEY,
    upto INTEGER NOT NULL,
    n INTEGER NOT NULL,
    used INTEGER NOT NULL,
    low INTEGER NOT NULL,
    high INTEGER NOT NULL,
    total INTEGER NOT NULL,
    first_at INTEGER NOT NULL,
    last_at INTEGER NOT NULL,
    packed BLOB NOT NULL
) STRICT;
CREATE INDEX chunk_upto ON chunk (upto);

CREATE TABLE journal (
    id INTEGER PRIMARY KEY,
    at INTEGER NOT NULL,
    run INTEGER NOT NULL REFERENCES run (id),
    up INTEGER NOT NULL,
    trusted INTEGER NOT NULL,
    kind TEXT NOT NULL,
    event INTEGER,
    body TEXT NOT NULL
) STRICT;
CREATE INDEX journal_kind ON journal (kind);
CREATE INDEX journal_event ON journal (event) WHERE event IS NOT NULL;

CREATE TABLE state (
    key TEXT PRIMARY KEY,
    body TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE entry (
    seq INTEGER PRIMARY KEY,
    id TEXT NOT NULL UNIQUE,
    happened_at INTEGER NOT NULL,
    written_at INTEGER NOT NULL,
    who TEXT NOT NULL,
    body TEXT NOT NULL
) STRICT;

-- Due and end of life are lengths from the start of run `run`, so that a step of the wall clock
-- moves neither.
CREATE TABLE outbox (
    id INTEGER PRIMARY KEY,
    key TEXT NOT NULL UNIQUE,
    about TEXT NOT NULL,
    event INTEGER,
    seq INTEGER NOT NULL,
    person TEXT NOT NULL,
    route TEXT NOT NULL,
    step INTEGER NOT NULL,
    priority INTEGER NOT NULL,
    body TEXT NOT NULL,
    created_at INTEGER NOT NULL,
    created_trusted INTEGER NOT NULL,
    life INTEGER,
    run INTEGER NOT NULL REFERENCES run (id),
    wanted_up INTEGER NOT NULL,
    due_up INTEGER NOT NULL,
    dies_up INTEGER,
    state TEXT NOT NULL,
    repeated INTEGER NOT NULL DEFAULT 0,
    attempts INTEGER NOT NULL DEFAULT 0,
    last_error TEXT,
    provider TEXT,
    changed_at INTEGER NOT NULL
) STRICT;
CREATE INDEX outbox_state ON outbox (state, route);
CREATE INDEX outbox_about ON outbox (about, person);

CREATE TABLE incoming (
    id INTEGER PRIMARY KEY,
    sender TEXT NOT NULL,
    centre_time TEXT NOT NULL,
    body TEXT NOT NULL,
    received_at INTEGER NOT NULL,
    UNIQUE (sender, centre_time, body)
) STRICT;

CREATE TABLE setting (
    key TEXT PRIMARY KEY,
    body TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE session (
    token_hash BLOB PRIMARY KEY,
    person TEXT NOT NULL,
    role TEXT NOT NULL,
    created_at INTEGER NOT NULL,
    used_at INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE cursor (
    name TEXT PRIMARY KEY,
    position INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE set_aside (
    id INTEGER PRIMARY KEY,
    at INTEGER NOT NULL,
    source TEXT NOT NULL,
    raw TEXT NOT NULL,
    reason TEXT NOT NULL
) STRICT;

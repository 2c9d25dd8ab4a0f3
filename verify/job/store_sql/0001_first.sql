-- The first shape of a store. A released migration is never changed: write the next number.

-- "KEYS": tells a store from any other SQLite file.
PRAGMA application_id = 1262836051;

CREATE TABLE entries (
    job       TEXT    NOT NULL,
    seq       INTEGER NOT NULL CHECK (seq >= 1),
    time      TEXT    NOT NULL,
    person    TEXT    NOT NULL,
    kind      TEXT    NOT NULL,
    version   INTEGER NOT NULL,
    body      TEXT    NOT NULL, -- RFC 8785 JSON
    previous  TEXT    NOT NULL,
    digest    TEXT    NOT NULL,
    append_id TEXT    NOT NULL UNIQUE, -- one wish to append, one entry
    PRIMARY KEY (job, seq)
) STRICT; -- with row ids: a body of some kilobytes would spill over in the tree of a key

CREATE TRIGGER entries_never_changed BEFORE UPDATE ON entries
BEGIN
    SELECT RAISE(ABORT, 'entries are never changed');
END;

CREATE TRIGGER entries_never_removed BEFORE DELETE ON entries
BEGIN
    SELECT RAISE(ABORT, 'entries are never removed');
END;

-- INSERT OR REPLACE would delete without asking the trigger above. And whoever writes, an entry
-- may only stand behind the one it names.
CREATE TRIGGER entries_only_at_the_end BEFORE INSERT ON entries
WHEN EXISTS (SELECT 1 FROM entries WHERE job = NEW.job AND seq >= NEW.seq)
    OR EXISTS (SELECT 1 FROM entries WHERE append_id = NEW.append_id)
    OR (NEW.seq > 1 AND NOT EXISTS (
        SELECT 1 FROM entries
        WHERE job = NEW.job AND seq = NEW.seq - 1 AND digest = NEW.previous))
BEGIN
    SELECT RAISE(ABORT, 'an entry stands only at the end of its job');
END;

-- Personal data, apart from the entries that hold only its salted digest: the one table of facts
-- that can be erased.
CREATE TABLE private (
    digest TEXT PRIMARY KEY,
    salt   BLOB NOT NULL,
    value  TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- One row a job, for lists. Derived from the entries, rebuilt from them at any time.
CREATE TABLE listing (
    job     TEXT PRIMARY KEY,
    entries INTEGER NOT NULL,
    changed TEXT    NOT NULL, -- time of the last entry
    row     TEXT    NOT NULL  -- see verify/job/listing.py
) STRICT, WITHOUT ROWID;

CREATE TABLE editions (
    sha256  TEXT PRIMARY KEY,
    content BLOB NOT NULL
) STRICT;

CREATE TRIGGER editions_never_changed BEFORE UPDATE ON editions
BEGIN
    SELECT RAISE(ABORT, 'editions are never changed');
END;

CREATE TRIGGER editions_never_removed BEFORE DELETE ON editions
BEGIN
    SELECT RAISE(ABORT, 'editions are never removed');
END;

CREATE TABLE mappings (
    layout  TEXT PRIMARY KEY,
    mapping TEXT NOT NULL -- JSON object: column header to channel
) STRICT, WITHOUT ROWID;

CREATE TABLE settings (
    name  TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Who works with this store, and their public keys. Nobody and no key is ever removed: what they
-- signed must verify after they have gone. A name is a salted digest; its value stands in `private`
-- and can be erased.

CREATE TABLE people (
    id      TEXT PRIMARY KEY,
    name    TEXT NOT NULL,
    roles   TEXT NOT NULL, -- words with a space between
    added   TEXT NOT NULL,
    retired TEXT NOT NULL  -- '' while they work here
) STRICT, WITHOUT ROWID;

CREATE TABLE keys (
    public  BLOB PRIMARY KEY CHECK (length(public) = 32), -- one key, one person
    person  TEXT    NOT NULL,
    number  INTEGER NOT NULL, -- in the order they were made, from 0
    added   TEXT    NOT NULL,
    retired TEXT    NOT NULL, -- '' while it is in force
    UNIQUE (person, number)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER people_never_removed BEFORE DELETE ON people
BEGIN
    SELECT RAISE(ABORT, 'people are never removed');
END;

CREATE TRIGGER people_stay_who_they_are BEFORE UPDATE ON people
WHEN NEW.id <> OLD.id OR NEW.name <> OLD.name OR NEW.added <> OLD.added
    OR OLD.retired NOT IN ('', NEW.retired)
BEGIN
    SELECT RAISE(ABORT, 'people stay who they are');
END;

CREATE TRIGGER people_only_once BEFORE INSERT ON people
WHEN EXISTS (SELECT 1 FROM people WHERE id = NEW.id)
BEGIN
    SELECT RAISE(ABORT, 'people stay who they are');
END;

CREATE TRIGGER keys_never_removed BEFORE DELETE ON keys
BEGIN
    SELECT RAISE(ABORT, 'keys are never removed');
END;

CREATE TRIGGER keys_stay_whose_they_are BEFORE UPDATE ON keys
WHEN NEW.public <> OLD.public OR NEW.person <> OLD.person OR NEW.number <> OLD.number
    OR NEW.added <> OLD.added OR OLD.retired NOT IN ('', NEW.retired)
BEGIN
    SELECT RAISE(ABORT, 'keys stay whose they are');
END;

CREATE TRIGGER keys_only_once BEFORE INSERT ON keys
WHEN EXISTS (SELECT 1 FROM keys WHERE public = NEW.public)
    OR EXISTS (SELECT 1 FROM keys WHERE person = NEW.person AND number = NEW.number)
BEGIN
    SELECT RAISE(ABORT, 'keys stay whose they are');
END;

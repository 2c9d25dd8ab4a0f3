"""People as rows of a store's two tables, both directions; `verify.job.journal` hands in the
connection, inside its own transaction."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from verify.job.people import Key, Person, Role, check_change

_PERSON = (str, str, str, str, str)
_KEY = (bytes, str, str, str)


def read_people(db: Any, typed: Callable[[Any, tuple[type, ...]], Any]) -> tuple[Person, ...]:
    """All people, in the order they were added.

    typed: the row, if its values are of these kinds. Raises ValueError for a role nobody has.
    """
    keys: dict[str, list[Key]] = {}
    for row in db.execute("SELECT public, person, added, retired FROM keys ORDER BY number"):
        public, person, added, retired = typed(row, _KEY)
        keys.setdefault(person, []).append(Key(public, added, retired))
    rows = db.execute("SELECT id, name, roles, added, retired FROM people ORDER BY added, id")
    found = []
    for row in rows.fetchall():
        person, name, roles, added, retired = typed(row, _PERSON)
        known = tuple(map(Role, roles.split()))
        found.append(Person(person, name, known, added, retired, tuple(keys.get(person, ()))))
    return tuple(found)


def write_person(db: Any, known: tuple[Person, ...], person: Person) -> None:
    """Adds a person, or what is new about one. Raises ValueError as `people.check_change` does."""
    check_change(known, person)
    old = next((p for p in known if p.id == person.id), None)
    roles = " ".join(person.roles)
    if old is None:
        row = person.id, person.name, roles, person.added, person.retired
        db.execute("INSERT INTO people VALUES (?, ?, ?, ?, ?)", row)
    else:
        change = roles, person.retired, person.id
        db.execute("UPDATE people SET roles = ?, retired = ? WHERE id = ?", change)
    there = len(old.keys) if old is not None else 0
    for number, key in enumerate(person.keys):
        if number < there:
            changed = key.retired, key.public
            db.execute("UPDATE keys SET retired = ? WHERE public = ?", changed)
        else:
            new = key.public, person.id, number, key.added, key.retired
            db.execute("INSERT INTO keys VALUES (?, ?, ?, ?, ?)", new)

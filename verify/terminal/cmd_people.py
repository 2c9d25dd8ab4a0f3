"""`keysback people`: who works with this store, in which roles, and the keys they sign with."""

from __future__ import annotations

import argparse
import json
import os
import sys
from typing import TYPE_CHECKING, Any

from verify.errors import Problem, UserError
from verify.terminal.screen import say_plain

if TYPE_CHECKING:
    from verify.job.people import Key, Person

HELP = "who works here, and the keys they sign with"
LONGEST_NAME = 80
ROLES = ("technician", "owner", "signer")


def parser() -> argparse.ArgumentParser:
    from verify.terminal.desk import add_store_option

    p = argparse.ArgumentParser(
        description="People sign with an Ed25519 key what they did. The private key stays in their "
        "own folder on this machine (KEYSBACK_KEYS names another one), the public key in the "
        "store. Nobody needs one: without a key a job is written down unsigned."
    )
    commands = p.add_subparsers(
        dest="command", required=True, metavar="COMMAND", prog="keysback people"
    )

    def command(name: str, words: str) -> Any:
        made = commands.add_parser(name, help=words, description=words[0].upper() + words[1:] + ".")
        add_store_option(made)
        return made

    add = command("add", "add a person, with a new key; the first one is at the bench from now on")
    add.add_argument("name", help="as the shop calls them; it stands in no job, only an id does")
    add.add_argument(
        "--role",
        action="append",
        choices=ROLES,
        help="technician (else), owner or signer; may be given several times",
    )
    add.add_argument("--no-key", action="store_true", help="without a key: they sign nothing")
    command("list", "list the people, their roles and keys").add_argument(
        "--json", action="store_true", help="as JSON, with the public keys"
    )
    for name, words in (
        ("retire", "note that a person works here no more: they sign nothing from now on"),
        ("key", "make a person a new key; one they had signs nothing from now on"),
    ):
        command(name, words).add_argument("person", help="a name, an id or its beginning")
    return p


def run(args: argparse.Namespace) -> int:
    from verify.terminal.desk import open_store

    with open_store(args.store, readonly=args.command == "list") as journal:
        return {"add": _add, "list": _list, "retire": _retire, "key": _key}[args.command](
            journal, args
        )


def _now() -> str:
    from verify.terminal.clock import SystemClock, stamp

    return stamp(SystemClock().now())


def _add(journal: Any, args: argparse.Namespace) -> int:
    from verify.job.entry import hide
    from verify.job.people import Person, Role
    from verify.terminal.bench import names_of
    from verify.terminal.desk import new_person_id

    name = _name(args.name)
    if name.casefold() in (n.casefold() for n in names_of(journal, retired=False).values()):
        raise UserError(
            Problem(
                field="name",
                found=f"somebody who is called {name} already",
                expected="a name that means one person here",
                next="add more of the name; a new key for the same person: keysback people key",
            )
        )
    digest, kept = hide(name)
    roles = tuple(Role(r) for r in dict.fromkeys(args.role or [ROLES[0]]))
    person = Person(new_person_id(), digest, roles, _now())
    if args.no_key:
        journal.put_person(person, {digest: kept})
    else:
        person = _with_new_key(journal, person, {digest: kept})
    say_plain(f"{name} is added as {person.id}: {', '.join(roles)}.")
    _say_key(person)
    _to_the_bench(journal, person, name)
    return 0


def _name(text: str) -> str:
    from verify.terminal.masks import vin_in

    name = " ".join(text.split())
    if not name or len(name) > LONGEST_NAME or not name.isprintable() or vin_in(name):
        raise UserError(
            Problem(
                field="name",
                found=f'"{name}"',
                expected=f"a person's name of at most {LONGEST_NAME} characters",
                next="write it as the shop calls them",
            )
        )
    return name


def _to_the_bench(journal: Any, person: Person, name: str) -> None:
    """The first one who can work here is taken to be at the bench, so that nobody has to say so."""
    from verify.job.people import Purpose

    there = {p.id for p in journal.people() if not p.retired} - {person.id}
    if journal.setting("person") in there or person.role_for(Purpose.SITTING) is None:
        return
    journal.put_setting("person", person.id)
    say_plain(f"{name} is at the bench from now on; keysback open --by names somebody else.")


def _with_new_key(journal: Any, person: Person, private: dict[str, tuple[bytes, str]]) -> Person:
    """The person with a new key in force, kept here and in the store; both or neither."""
    from dataclasses import replace

    from verify.job.people import Key
    from verify.terminal import keyfile

    made, now = keyfile.new_key(), _now()
    passphrase = keyfile.ask_new_passphrase()
    path = keyfile.write_key(keyfile.keys_folder(os.environ), person.id, made, passphrase)
    before = tuple(k if k.retired else replace(k, retired=now) for k in person.keys)
    new = replace(person, keys=(*before, Key(made.public, now)))
    try:
        journal.put_person(new, private)
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    say_plain(f"The private key lies in {path}")
    say_plain(
        "Nobody can make it again: keep a copy of the file where only its owner can get at it."
    )
    if not passphrase:
        say_plain("It has no passphrase: whoever can use this account can sign with it.")
    return new


def _say_key(person: Person) -> None:
    key = person.key
    if key is None:
        say_plain("Without a key: what they do is written down unsigned.")
        return
    say_plain(f"Key {key.short}\nFingerprint {key.fingerprint}")


def _key(journal: Any, args: argparse.Namespace) -> int:
    from verify.terminal.bench import find_person, names_of

    person = find_person(journal, args.person)
    name = names_of(journal)[person.id]
    if person.retired:
        raise _retired(name, person)
    old = person.key
    new = _with_new_key(journal, person, {})
    say_plain(f"{name} ({new.id}) has a new key.")
    _say_key(new)
    if old is not None:
        say_plain(f"The key {old.short} signs nothing from now on; what it signed still holds.")
    return 0


def _retire(journal: Any, args: argparse.Namespace) -> int:
    from dataclasses import replace

    from verify.terminal.bench import find_person, names_of

    person = find_person(journal, args.person)
    name = names_of(journal)[person.id]
    if person.retired:
        raise _retired(name, person)
    journal.put_person(replace(person, retired=_now()), {})
    say_plain(f"{name} ({person.id}) signs nothing from now on; what they signed still holds.")
    if person.key is not None:
        say_plain("Their private key can be deleted where they kept it.")
    return 0


def _retired(name: str, person: Person) -> UserError:
    return UserError(
        Problem(
            found=f"{name}, who retired on {person.retired[:10]}",
            expected="somebody who works here",
            next="add them again with keysback people add if they came back",
        )
    )


def _list(journal: Any, args: argparse.Namespace) -> int:
    from verify.terminal.bench import names_of
    from verify.terminal.clock import local

    names, here = names_of(journal), journal.setting("person")
    if args.json:
        rows = [_row(p, names[p.id], here) for p in journal.people()]
        json.dump(rows, sys.stdout, indent=2, ensure_ascii=False)
        print()
        return 0
    if not names:
        say_plain("Nobody is named here yet. Jobs are written down unsigned.")
        say_plain("Add somebody: keysback people add NAME")
    for person in journal.people():
        mark = "  (at the bench)" if person.id == here and not person.retired else ""
        say_plain(f"{person.id}  {names[person.id]}: {', '.join(person.roles)}{mark}")
        if person.retired:
            say_plain(f"    retired {local(person.retired)}")
        for key in person.keys:
            say_plain(f"    key {key.short}, since {local(key.added)}{_until(key)}")
            say_plain(f"        fingerprint {key.fingerprint}")
        if not person.keys:
            say_plain("    without a key")
    return 0


def _until(key: Key) -> str:
    from verify.terminal.clock import local

    return f", until {local(key.retired)}" if key.retired else ""


def _row(person: Person, name: str, here: str | None) -> dict[str, Any]:
    from verify.job.jws import jwk

    return {
        "id": person.id,
        "name": name,
        "roles": [r.value for r in person.roles],
        "added": person.added,
        "retired": person.retired or None,
        "at_the_bench": person.id == here and not person.retired,
        "keys": [
            {
                "fingerprint": k.fingerprint,
                "short": k.short,
                "jwk": jwk(k.public),
                "added": k.added,
                "retired": k.retired or None,
            }
            for k in person.keys
        ],
    }

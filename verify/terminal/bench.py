"""Who is at the bench: the person a sitting is written by, and their signature when it ends.

    --by PERSON, else who was there last ─→ Worker ─sitting→ … ─sign_sitting→ one line on the screen

Nobody needs a key. Without one the work is written down all the same, and said to be unsigned.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Any

from verify.errors import Problem, UserError
from verify.job.jws import SigningKey
from verify.job.people import Key, Person, Purpose, Role, pick_person
from verify.job.session import DraftSession, ReadOnlySession
from verify.terminal.desk import Desk, person_id
from verify.terminal.tongue import mark, tr

NO_KEY = mark("Not signed: whoever worked here has no key (keysback people add makes one).")
SCRIPTED = mark("Not signed: the answers came from a file, and a rehearsal is not signed.")


@dataclass(frozen=True, slots=True)
class Worker:
    """person: an opaque id; name: "" where nobody is named; role and key: None without one."""

    person: str
    name: str = ""
    role: Role | None = None
    key: Key | None = None

    def words(self) -> str:
        """One line for the screen: who is taken to be at the bench. "" where nobody is named."""
        if not (self.name and self.role):
            return ""
        return tr("At the bench: {name} ({role}).", name=self.name, role=tr(self.role.value))


def add_by_option(parser: Any) -> None:
    parser.add_argument(
        "--by",
        metavar="PERSON",
        help="who is at the bench: a name or id from keysback people list (remembered)",
    )


def names_of(journal: Any, *, retired: bool = True) -> dict[str, str]:
    """id → name, in the order people were added. retired: these too."""
    return {
        p.id: journal.private(p.name) or "(name erased)"
        for p in journal.people()
        if retired or not p.retired
    }


def find_person(journal: Any, text: str) -> Person:
    """The person that `text` means. Raises UserError."""
    # Who works here comes first: a name may return after somebody of that name has left.
    present, everybody = names_of(journal, retired=False), names_of(journal)
    wanted = text.strip().casefold()
    among = present if wanted in (n.casefold() for n in present.values()) else everybody
    found = pick_person(text, among)
    person: Person = next(p for p in journal.people() if p.id == found)
    return person


def at_bench(journal: Any, by: str | None, audience: str = "") -> Worker:
    """Whoever `--by` names, and is remembered; else who was there last.

    audience: the role wanted, where this person has several. Raises UserError for somebody unknown,
    retired or who only signs off, and where the key could not be used when it is needed.
    """
    if by is not None:
        person = find_person(journal, by)
    else:
        here = person_id(journal)
        known = next((p for p in journal.people() if p.id == here), None)
        if known is None:
            return Worker(here)
        person = known
    name = names_of(journal)[person.id]
    if person.retired:
        raise _not_here(f"{name}, who retired on {person.retired[:10]}", "somebody who works here")
    role = person.role_for(Purpose.SITTING, audience)
    if role is None:
        raise _not_here(f"{name}, who only signs off", "a technician, or the owner")
    if person.key is not None:
        from verify.terminal.keyfile import check_key_file, key_path, keys_folder

        check_key_file(key_path(keys_folder(os.environ), person.id, person.key.public), person.key)
    if by is not None and journal.setting("person") != person.id:
        journal.put_setting("person", person.id)
    return Worker(person.id, name, role, person.key)


def _not_here(found: str, expected: str) -> UserError:
    return UserError(
        Problem(
            field="--by",
            found=found,
            expected=expected,
            next="name who is at the bench with --by; keysback people list shows who there is",
        )
    )


def open_key(person: str, key: Key) -> SigningKey:
    """The private half, its passphrase asked for where it has one. Raises UserError."""
    from verify.terminal.keyfile import key_path, keys_folder, prompt, read_key

    path = key_path(keys_folder(os.environ), person, key.public)
    return read_key(path, key, prompt())


def sign_head(
    desk: Desk, key: SigningKey, *, role: Role, purpose: Purpose = Purpose.SITTING
) -> ReadOnlySession:
    """Signs the job as it stands, by the desk's person, who must have written its last entry."""
    from verify.job.bodies import signature_body
    from verify.terminal.clock import stamp

    time = stamp(desk.clock.now())
    body = signature_body(
        desk.session(), key, person=desk.person, role=role, purpose=purpose, time=time
    )
    return desk.write_any("signature", body, time=time)


def sign_sitting(desk: Desk, worker: Worker, *, scripted: bool = False) -> str:
    """Signs what the sitting has written, where its worker has a key. Returns the line to show.

    Raises UserError where the key cannot be used; the job is then kept unsigned.
    """
    session = desk.session()
    if scripted:
        return tr(SCRIPTED)
    if worker.key is None or worker.role is None or isinstance(session, DraftSession):
        return tr(NO_KEY)
    if not session.unsigned():
        return tr("Signed already; nothing was written since.")
    sign_head(desk, open_key(worker.person, worker.key), role=worker.role)
    return tr(
        "Signed by {name} ({role}), key {key}.",
        name=worker.name,
        role=tr(worker.role.value),
        key=worker.key.short,
    )

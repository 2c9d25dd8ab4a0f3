"""Who works with a store: people, their roles and their public keys. Pure.

    people add → Person(id, roles, keys) ─kept by the journal─→ who may sign, and did

A person is an opaque id; that alone stands in entries. The name is personal: a `Person` holds only
its salted digest, and the journal keeps the value among what can be erased. Private keys never come
here; a front end keeps them (`verify.terminal.keyfile`).

A person may have several roles (a small shop's one signer also turns wrenches), and several keys
one after the other (one that was lost is retired and replaced). Nothing is ever taken away: what
was signed before somebody or some key retired still verifies.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from verify.errors import Problem, UserError, nearest
from verify.job.jws import fingerprint, short


class Role(StrEnum):
    """What somebody does at a job, and signs as."""

    TECHNICIAN = "technician"
    OWNER = "owner"
    SIGNER = "signer"


class Purpose(StrEnum):
    """What a signature says: this is what I did and saw; or: I have looked at it and decide."""

    SITTING = "sitting"
    SIGN_OFF = "sign-off"


SIGNS_AS: Mapping[Purpose, tuple[Role, ...]] = {
    Purpose.SITTING: (Role.TECHNICIAN, Role.OWNER),
    Purpose.SIGN_OFF: (Role.SIGNER,),
}


@dataclass(frozen=True, slots=True)
class Key:
    """A public key of 32 bytes; times as in entries, retired "" while it is in force."""

    public: bytes
    added: str
    retired: str = ""

    @property
    def fingerprint(self) -> str:
        """RFC 7638, the kid of what it signs."""
        return fingerprint(self.public)

    @property
    def short(self) -> str:
        return short(self.public)


@dataclass(frozen=True, slots=True)
class Person:
    """name: salted digest. roles: at least one. keys: in the order they were made, at most one of
    them in force. added, retired: times as in entries."""

    id: str
    name: str
    roles: tuple[Role, ...]
    added: str
    retired: str = ""
    keys: tuple[Key, ...] = ()

    @property
    def key(self) -> Key | None:
        """The key to sign with; None for who has none, or has retired."""
        return next((k for k in self.keys if not k.retired), None) if not self.retired else None

    def role_for(self, purpose: Purpose, wanted: str = "") -> Role | None:
        """As what this person signs for `purpose`: as `wanted` where that may be, else the first
        role that may. None where none may."""
        may = [role for role in SIGNS_AS[purpose] if role in self.roles]
        return next((role for role in may if role == wanted), may[0] if may else None)


def check_change(known: Iterable[Person], new: Person) -> None:
    """Raises ValueError where `new` would take away what was, or makes no sense.

    The rule of every store. What a store may lose is the value behind the name, never the person.
    """
    if not new.id or not new.roles or len(set(new.roles)) != len(new.roles):
        raise ValueError("a person has an id and roles, each once")
    if sum(not key.retired for key in new.keys) > 1:
        raise ValueError("a person has one key in force")
    people = {p.id: p for p in known}
    old = people.pop(new.id, None)
    others = [key.public for person in people.values() for key in person.keys]
    publics = [key.public for key in new.keys]
    if len({*others, *publics}) != len(others) + len(publics):
        raise ValueError("a key belongs to one person, once")
    if old is None:
        return
    if (old.name, old.added) != (new.name, new.added):
        raise ValueError("a person stays who they are")
    if old.retired not in ("", new.retired):
        raise ValueError("who has retired stays so")
    if len(new.keys) < len(old.keys):
        raise ValueError("keys are added, never taken away")
    for before, now in zip(old.keys, new.keys, strict=False):
        if (before.public, before.added) != (now.public, now.added):
            raise ValueError("keys are added, never taken away")
        if before.retired not in ("", now.retired):
            raise ValueError("a key that has retired stays so")


def why_not(people: Iterable[Person], person: str, public: bytes, time: str) -> str:
    """Why a signature by `person` with this key, said to be made at `time`, is not backed by the
    people of a store; "" where it is. (Whether it fits what it signs is another question.)"""
    known = next((p for p in people if p.id == person), None)
    if known is None:
        return "made by somebody this store does not know"
    key = next((k for k in known.keys if k.public == public), None)
    if key is None:
        return "made with a key that this store does not know as theirs"
    # Times of entries are all of one form, so that their order as text is that in time.
    if key.retired and time > key.retired:
        return "made after the key was retired"
    if known.retired and time > known.retired:
        return "made after its maker had retired"
    return ""


def pick_person(text: str, names: Mapping[str, str]) -> str:
    """The id that `text` means: an id, a name in any case, or the beginning of one of them.

    names: id → name, those that may be meant. Raises UserError for none or several.
    """
    wanted = " ".join(text.split()).casefold()
    fitting = [i for i in names if i == wanted] or [
        i for i, name in names.items() if name.casefold() == wanted
    ]
    if not fitting and len(wanted) > len("p-"):
        fitting = [
            i
            for i, name in names.items()
            if i.startswith(wanted) or name.casefold().startswith(wanted)
        ]
    if len(fitting) == 1:
        return fitting[0]
    shown = {f"{name} ({i})": name for i, name in names.items()}
    if fitting:
        listed = ", ".join(sorted(f"{names[i]} ({i})" for i in fitting))
        raise UserError(
            Problem(
                found=f'"{text}", which means several people',
                expected=f"one of {listed}",
                next="write the id of the one you mean",
            )
        )
    guess = nearest(text, list(shown.values())) or nearest(text, names)
    listed = ", ".join(sorted(shown)[:12])
    raise UserError(
        Problem(
            found=f'"{text}"',
            expected=f"a person of this store: {listed}"
            if shown
            else "a person of this store (there is none yet)",
            next=f'write "{guess}"' if guess else "list them, or add one: keysback people --help",
        )
    )

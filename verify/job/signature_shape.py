"""A signature's entry as the fold takes it: its shape and its place, without cryptography.

Apart from `signing`, which says whether a signature holds: a fold must be the same on any machine,
and must not load what only an audit needs.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from verify.job.entry import Entry
from verify.job.jws import BadSignature, fingerprint, public_of
from verify.job.people import SIGNS_AS, Purpose, Role
from verify.job.visits import Misfit, Signature, Stamp

_PART = r"[A-Za-z0-9_-]+"
_JWS = re.compile(rf"{_PART}\.{_PART}\.{_PART}")


def read_signature(body: Mapping[str, Any], stamp: Stamp, last: Entry) -> Signature:
    """The signature in an entry behind `last`. Raises Misfit where it cannot stand there."""
    if type(body["seq"]) is not int or (body["seq"], body["over"]) != (last.seq, last.digest):
        raise Misfit(
            f"a signature over entry {body['seq']}",
            f"one over the entry before it, {last.seq}",
            "sign the job as it stands now",
        )
    if last.kind == "signature":
        raise Misfit("a signature over a signature", "one over work", "go on with the job first")
    if last.person != stamp.person:
        raise Misfit(
            "a signature over what somebody else wrote",
            f"one by {last.person}",
            "let whoever did the work sign it",
        )
    if body["purpose"] not in list(Purpose) or body["role"] not in list(Role):
        raise Misfit(
            f"a signature for {body['purpose']}, as {body['role']}",
            " or ".join(Purpose) + ", as " + " or ".join(Role),
            "install the version of keysback that wrote it, or a later one",
        )
    purpose, role = Purpose(body["purpose"]), Role(body["role"])
    if role not in SIGNS_AS[purpose]:
        raise Misfit(
            f"a {purpose} signed as {role}",
            "as " + " or ".join(SIGNS_AS[purpose]),
            "sign in a role that may",
        )
    if (purpose is Purpose.SIGN_OFF) != (last.kind == "sign-off"):
        raise Misfit(
            f"a signature for {purpose} over an entry {last.kind}",
            "a sign-off signed as one, and work as work",
            "sign what the entry is",
        )
    try:
        kid = fingerprint(public_of(body["jwk"]))
    except BadSignature as bad:
        raise _unreadable(str(bad)) from None
    if body["kid"] != kid:
        raise _unreadable("a key under another name than its own")
    if not isinstance(body["jws"], str) or not _JWS.fullmatch(body["jws"]):
        raise _unreadable("no compact JWS")
    return Signature(
        *(stamp.seq, stamp.time, stamp.person, purpose.value, role.value),
        *(last.seq, last.digest, kid, body["jwk"], body["jws"]),
    )


def _unreadable(why: str) -> Misfit:
    return Misfit(
        f"a signature that cannot be read ({why})",
        "a signature as keysback writes it",
        "restore the store from a backup",
    )

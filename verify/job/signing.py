"""What a signature in the journal says, and whether it holds.

    entry n ─its hash→ statement {head, job, person, purpose, role, seq, time} ─sign→ entry n + 1

A signature is an entry of its own, directly behind the one whose hash it signs; through the chain
that is everything before. It carries the public key, so that a journal can be checked by itself.
Here is the cryptography, for who audits; the fold looks at the shape alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from verify.job.entry import Entry
from verify.job.jws import BadSignature, SigningKey, fingerprint, jwk, public_of, sign_value
from verify.job.jws import verify_value as _verify_value
from verify.job.people import Purpose, Role

__all__ = ["check_signature", "signature_content", "statement"]


def statement(
    over: Entry, *, person: str, role: str, purpose: str, time: str
) -> dict[str, str | int]:
    """What is signed, as a JSON value: that the job up to and with the entry `over` stands so.

    time: as in entries, the machine's claim of when it was signed.
    """
    return {
        "head": over.digest,
        "job": over.job,
        "person": person,
        "purpose": str(purpose),
        "role": str(role),
        "seq": over.seq,
        "time": time,
    }


def signature_content(
    over: Entry, key: SigningKey, *, person: str, role: Role, purpose: Purpose, time: str
) -> dict[str, Any]:
    """The body of the entry behind `over`, which must bear this `person` and this `time`.

    `verify.job.bodies.signature_body` tries it on a session; a front end calls that.
    """
    said = statement(over, person=person, role=role, purpose=purpose, time=time)
    return {
        "purpose": purpose.value,
        "role": role.value,
        "seq": over.seq,
        "over": over.digest,
        "jwk": jwk(key.public),
        "kid": key.kid,
        "jws": sign_value(said, key),
    }


def check_signature(entry: Entry, over: Entry) -> bytes:
    """The public key (32 bytes) that signed, if the signature in `entry` holds over `over`, the
    entry before it. Whose key it is, nothing here can say: see `people.why_not`.

    Raises BadSignature. The chain of hashes is not looked at here; `entry.verify_chain` does that.
    """
    body: Mapping[str, Any] = entry.body
    try:
        public = public_of(body["jwk"])
        said = _verify_value(body["jws"], public)
        named = body["seq"], body["over"], body["kid"]
        expected = statement(
            over,
            person=entry.person,
            role=body["role"],
            purpose=body["purpose"],
            time=entry.time,
        )
    except (KeyError, TypeError):
        raise BadSignature("an entry that holds no signature") from None
    if said != expected:
        raise BadSignature("a signature of something else than the entry says and stands behind")
    if type(named[0]) is not int or named != (over.seq, over.digest, fingerprint(public)):
        raise BadSignature("an entry that names another entry or key than it signs")
    return public

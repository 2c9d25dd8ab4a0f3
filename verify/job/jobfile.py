"""A job as one file for somebody who does not trust us: what is in it, and the writing of it.

    journal ─fold→ session ┐
    edition, evidence      ├─members→ manifest ─signed→ zip ─sealed→ one file
    people's public keys   ┘

Members, in this order (names are never made of anything a person typed):

    HOW-TO-CHECK.txt        how to check all this by hand, with public tools
    journal.jsonl           one line an entry: what is hashed, and the hash, in RFC 8785 form
    edition.json            the flow as it was when the job was opened
    evidence/<sha256>       files as they were handed in, each under the SHA-256 of its bytes
    personal.json           only if asked for: salts and values behind the entries' digests
    report.<kind>           only if there is one
    keys.json               JWK set (RFC 7517) of who signed here, with the people they belong to
    keys/<fingerprint>.pem  the same keys for openssl
    signatures/<entry>.jws  the signatures of the journal (compact JWS, RFC 7515)
    SHA256SUMS              for sha256sum -c
    manifest.json           all members above with size and hash, and what is left out
    manifest.jws            the manifest, signed by whoever made the file; not there if nobody did

Pure but for the stream it writes to: `jobfile_zip` is the container, `jobfile_read` and `audit` the
way back.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Any, BinaryIO

from verify.job.canonical import canonical
from verify.job.entry import Entry
from verify.job.hidden import digests_in, evidence_in
from verify.job.jobfile_page import how_to_check
from verify.job.jobfile_zip import FORMAT, JobFileWriter, Listed, Seal
from verify.job.jws import fingerprint, jwk, public_of, sign
from verify.job.people import Person

if TYPE_CHECKING:
    from verify.job.jws import SigningKey
    from verify.job.memory import Journal
    from verify.job.session import ReadOnlySession

__all__ = ["EVIDENCE", "JobFile", "journal_lines", "pem", "sums", "write_jobfile"]

HOW_TO, JOURNAL, EDITION = "HOW-TO-CHECK.txt", "journal.jsonl", "edition.json"
PERSONAL, KEYS, SUMS = "personal.json", "keys.json", "SHA256SUMS"
MANIFEST, MANIFEST_JWS = "manifest.json", "manifest.jws"
EVIDENCE = "evidence/"
REPORT_KINDS = ("pdf", "html")
# RFC 8410: SubjectPublicKeyInfo of Ed25519 in DER, the 32 bytes of the key behind it.
_SPKI = bytes.fromhex("302a300506032b6570032100")

ERASED, LEFT_OUT = "erased", "left out"


@dataclass(frozen=True, slots=True)
class JobFile:
    """What was written. withheld: SHA-256 of evidence → why it is not in the file."""

    manifest: Mapping[str, Any]
    seal: Seal
    withheld: Mapping[str, str]


def write_jobfile(
    journal: Journal,
    session: ReadOnlySession,
    target: BinaryIO,
    *,
    made: str,
    made_by: str,
    maker: str = "",
    key: SigningKey | None = None,
    personal: Mapping[str, tuple[bytes, str]] | None = None,
    report: tuple[str, bytes] | None = None,
    with_evidence: bool = True,
) -> JobFile:
    """Writes the file of a job to `target` (empty, seekable, opened for writing and reading).

    made: time as in entries; made_by: program and version. maker, key: the person who makes it, ""
    and None where nobody signs it. personal: digest → (salt, value), None to leave all of it out,
    pictures too, as these are personal. report: kind ("pdf", "html") and bytes.
    Raises UserError where the store cannot hand out what the job names, and where it is too large.
    """
    entries = session.history
    writer, listed = JobFileWriter(target), []

    def add(name: str, content: bytes) -> None:
        listed.append(writer.add(name, content))

    add(HOW_TO, how_to_check().encode())
    add(JOURNAL, journal_lines(entries))
    add(EDITION, journal.edition(session.edition))
    withheld: dict[str, str] = {}
    for sha256 in sorted(evidence_in(entries) | _pictures(entries, personal or {})):
        if not journal.has_evidence(sha256):
            withheld[sha256] = ERASED
        elif not with_evidence:
            withheld[sha256] = LEFT_OUT
        else:
            listed.append(writer.add(EVIDENCE + sha256, partial(journal.open_evidence, sha256)))
    if personal is not None:
        add(PERSONAL, canonical(personal_rows(entries, personal)))
    if report is not None:
        kind, content = report
        if kind not in REPORT_KINDS:
            raise ValueError(f"a report of the kind {kind}")
        add(f"report.{kind}", content)
    people = [
        p for p in journal.people() if p.id == maker or any(e.person == p.id for e in entries)
    ]
    keys = _public_keys(entries, people, key)
    add(KEYS, canonical(key_set(people, keys)))
    for kid, public in keys.items():
        add(f"keys/{kid}.pem", pem(public))
    for entry in entries:
        if entry.kind == "signature":
            add(f"signatures/{entry.seq}.jws", f"{entry.body['jws']}\n".encode())
    add(SUMS, sums(listed))
    ending = session.ending
    manifest = {
        "format": FORMAT,
        "made": made,
        "made_by": made_by,
        "maker": maker,
        "job": session.job,
        "flow": session.flow,
        "edition": session.edition,
        "entries": len(entries),
        "head": entries[-1].digest,
        "at": session.at,
        "ending": ending.kind.value if ending is not None else "",
        "members": [m.to_json() for m in listed],
        "withheld": [{"sha256": s, "why": why} for s, why in withheld.items()],
    }
    text = canonical(manifest)
    writer.add(MANIFEST, text)
    if key is not None:
        writer.add(MANIFEST_JWS, f"{sign(text, key)}\n".encode())
    return JobFile(manifest, writer.finish(key), withheld)


def entry_value(entry: Entry) -> dict[str, Any]:
    """What the hash of an entry covers, as a JSON value, and the hash itself as `digest`."""
    return {
        "job": entry.job,
        "seq": entry.seq,
        "time": entry.time,
        "person": entry.person,
        "kind": entry.kind,
        "version": entry.version,
        "body": entry.body,
        "previous": entry.previous,
        "digest": entry.digest,
    }


def journal_lines(entries: Iterable[Entry]) -> bytes:
    return b"".join(canonical(entry_value(e)) + b"\n" for e in entries)


def sums(listed: Iterable[Listed]) -> bytes:
    """As sha256sum writes and reads it."""
    return "".join(f"{m.sha256}  {m.name}\n" for m in listed).encode()


def pem(public: bytes) -> bytes:
    """A public key as PEM (RFC 7468, RFC 8410)."""
    text = b64encode(_SPKI + public).decode()
    return f"-----BEGIN PUBLIC KEY-----\n{text}\n-----END PUBLIC KEY-----\n".encode()


def key_set(people: Iterable[Person], keys: Mapping[str, bytes]) -> dict[str, Any]:
    """A JWK set with, beside it, whose keys these are; of people only the opaque id, never a
    name."""
    return {
        "keys": [{**jwk(public), "kid": kid} for kid, public in keys.items()],
        "people": [
            {
                "id": p.id,
                "roles": [r.value for r in p.roles],
                "added": p.added,
                "retired": p.retired,
                "keys": [
                    {"kid": k.fingerprint, "added": k.added, "retired": k.retired} for k in p.keys
                ],
            }
            for p in people
        ],
    }


def personal_rows(
    entries: Iterable[Entry], personal: Mapping[str, tuple[bytes, str]]
) -> list[dict[str, str]]:
    """Value and salt behind the digests of these entries, as far as they are known.

    sha256(salt, given here in hexadecimal, followed by the value in UTF-8) is the digest.
    """
    return [
        {"digest": digest, "salt": personal[digest][0].hex(), "value": personal[digest][1]}
        for digest in sorted(digests_in(entries))
        if digest in personal
    ]


def _public_keys(
    entries: Iterable[Entry], people: Iterable[Person], key: SigningKey | None
) -> dict[str, bytes]:
    found = [k.public for p in people for k in p.keys]
    found += [public_of(e.body["jwk"]) for e in entries if e.kind == "signature"]
    found += [key.public] if key is not None else []
    return dict(sorted((fingerprint(public), public) for public in found))


def _pictures(
    entries: Iterable[Entry], personal: Mapping[str, tuple[bytes, str]]
) -> frozenset[str]:
    """The hashes of pictures: they are personal values, so known only where these are."""
    return frozenset(
        personal[digest][1]
        for e in entries
        for name, digest in _private(e.body).items()
        if name == "photo" and digest in personal
    )


def _private(body: Mapping[str, Any]) -> Mapping[str, str]:
    found = body.get("private", {})
    return found if isinstance(found, Mapping) else {}

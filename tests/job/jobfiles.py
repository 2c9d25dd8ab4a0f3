"""A whole job and its file, in memory, and the forger's workshop: the same file with something else
in it and everything around it made to fit."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from tests.terminal.walks import idle_csv, play, small_desk
from verify.errors import UserError
from verify.job import bodies
from verify.job.audit import Audit, audit
from verify.job.audit_shape import read_entries
from verify.job.canonical import canonical, parse
from verify.job.entry import GENESIS, Entry, digest_of, hide
from verify.job.jobfile import journal_lines, pem, sums, write_jobfile
from verify.job.jobfile_read import JobFileReader
from verify.job.jobfile_zip import JobFileWriter
from verify.job.jws import SigningKey, jwk, sign
from verify.job.people import Key, Person, Purpose, Role
from verify.terminal.clock import stamp
from verify.terminal.desk import Desk, Secrets
from verify.terminal.rejudge import rejudge_all

MADE = "2031-03-05T09:00:00.000Z"
KEY = SigningKey(bytes(range(32)))
OTHER_KEY = SigningKey(bytes(range(1, 33)))
# From the story to the idle: story, card, torque with its spec, voltage with its default, codes.
ANSWERS = [
    "It hunts when warm",
    "none",
    *("9 N·m", "", "1", ""),
    *("1", "9 N·m", "sheet 4"),
    *("12.6 V", "3"),
    *("none", "none", "?", "1"),
    *("2", "hurry", "1", "1"),
]


def whole_job(folder: Path, rpm: float = 750.0, job: str = "tester") -> Desk:
    """A job played to its end, with a recording, a torque, a reading and codes; then the number it
    rests on is corrected and judged anew, and an answer corrected. Signed twice."""
    desk = small_desk()
    desk.job = job
    if job != "tester":
        desk.open(desk.journal.entries("tester")[0].body, Secrets())
    digest, kept = hide("Kim")
    roles = (Role.TECHNICIAN, Role.SIGNER)
    person = Person("p-test", digest, roles, "2031-03-01T00:00:00.000Z", "",
                    (Key(KEY.public, "2031-03-01T00:00:00.000Z"),))  # fmt: skip
    desk.journal.put_person(person, {digest: kept})
    csv = idle_csv(folder / f"idle-{rpm:.0f}.csv", rpm)
    play(desk, *ANSWERS, "1", str(csv), "1", "750 rpm", "", "1")
    sign_job(desk)
    session = desk.live()
    number = {"name": "idle_speed", "text": "760", "unit": "rpm", "source": "service information"}
    rejudge_all(desk, desk.write("spec", bodies.spec_body(session, **number)), "idle_speed")
    start = next(v for v in desk.live().walk if v.step == "start")
    reason, salted = hide("mistyped")
    body = bodies.correction_body(desk.live(), start.seq, start.outcome, reason=reason)
    apart = Secrets()
    apart.kept[reason] = salted
    desk.write("correction", body, apart)
    while desk.live().pending is not None:
        desk.write("outcome", bodies.ready_body(desk.live()))
    sign_job(desk)
    return desk


def sign_job(desk: Desk, key: SigningKey = KEY) -> None:
    how = {"person": desk.person, "role": Role.TECHNICIAN, "purpose": Purpose.SITTING}
    time = stamp(desk.clock.now())
    desk.write("signature", bodies.signature_body(desk.live(), key, time=time, **how))


def file_of(desk: Desk, key: SigningKey | None = KEY, **more: Any) -> bytes:
    target = io.BytesIO()
    maker = "p-test" if key is not None else ""
    how: dict[str, Any] = {"made": MADE, "made_by": "keysback 0", "maker": maker, "key": key}
    write_jobfile(desk.journal, desk.session(), target, **(how | more))
    return target.getvalue()


def audited(data: bytes, **more: Any) -> Audit:
    return audit(io.BytesIO(data), "job.zip", **more)


def found(data: bytes, **more: Any) -> str:
    """What an audit finds wrong, one line a part: "" where all holds."""
    return "\n".join(
        " | ".join((f"{p.name}: {p.text}", *p.more)) for p in audited(data, **more).findings
    )


def refused(data: bytes) -> str:
    """The one problem of a file that cannot be read."""
    with pytest.raises(UserError) as caught:
        audited(data, verdicts=False)
    (problem,) = caught.value.problems
    assert problem.next
    return problem.found


def looked_at(data: bytes, **more: Any) -> Audit | None:
    """What an audit comes to; None where the file cannot even be read, which is said in one
    problem."""
    try:
        return audited(data, **more)
    except UserError as error:
        if len(error.problems) != 1:
            raise
        return None


def members(data: bytes) -> dict[str, bytes]:
    reader = JobFileReader(io.BytesIO(data), "job.zip")
    return {name: b"".join(reader.chunks(name)) for name in reader.members}


def forged(
    parts: Mapping[str, bytes],
    key: SigningKey | None = OTHER_KEY,
    change: Callable[[dict[str, Any]], None] | None = None,
) -> bytes:
    """The file with these members, its manifest, sums and seal made to fit them."""
    target = io.BytesIO()
    writer = JobFileWriter(target)
    manifest = parse(parts["manifest.json"])
    named = ("SHA256SUMS", "manifest.json", "manifest.jws")
    listed = [writer.add(name, text) for name, text in parts.items() if name not in named]
    listed.append(writer.add("SHA256SUMS", sums(listed)))
    manifest["members"] = [m.to_json() for m in listed]
    lines = parts["journal.jsonl"].splitlines()
    manifest["entries"], manifest["head"] = len(lines), parse(lines[-1])["digest"]
    manifest["job"] = parse(lines[0])["job"]
    if change is not None:
        change(manifest)
    text = canonical(manifest)
    writer.add("manifest.json", text)
    if key is not None:
        writer.add("manifest.jws", f"{sign(text, key)}\n".encode())
    writer.finish(key)
    return target.getvalue()


def with_key(parts: Mapping[str, bytes], key: SigningKey = OTHER_KEY) -> dict[str, bytes]:
    """The members, with the forger's own key among the public ones."""
    keys = parse(parts["keys.json"])
    keys["keys"].append({**jwk(key.public), "kid": key.kid})
    changed = {**parts, "keys.json": canonical(keys)}
    return {**changed, f"keys/{key.kid}.pem": pem(key.public)}


def rechained(
    parts: Mapping[str, bytes], change: Callable[[Entry, dict[str, Any]], None]
) -> dict[str, bytes]:
    """The members with bodies changed and every hash after them made to fit. Signatures are dropped
    from the journal: the forger has no key."""
    entries: list[Entry] = []
    previous, renumbered = GENESIS, dict[int, int]()
    for e in read_entries(parts["journal.jsonl"]):
        if e.kind == "signature":
            continue
        body = parse(canonical(e.body))
        for name in ("of", "from"):
            if name in body:
                body[name] = renumbered[body[name]]
        change(e, body)
        seq = len(entries) + 1
        renumbered[e.seq] = seq
        digest = digest_of(e.job, seq, e.time, e.person, e.kind, e.version, body, previous)
        entries.append(
            Entry(e.job, seq, e.time, e.person, e.kind, e.version, body, previous, digest)
        )
        previous = digest
    kept = {n: t for n, t in parts.items() if not n.startswith("signatures/")}
    return {**kept, "journal.jsonl": journal_lines(entries)}

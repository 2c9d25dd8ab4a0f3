"""The journal looked at: its chain and signatures, and all it rests on and comes to.

entries → chain → signatures → edition ─fold→ session → every verdict again. What holds goes into
the `Auditing`. Pure over the reader's stream.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import AbstractContextManager
from itertools import pairwise
from typing import BinaryIO

from verify.errors import Problem, UserError
from verify.flow.load import edition_to_flow
from verify.flow.machine import Machine, compile_flow, replay_machine
from verify.flow.proof import ProvenFlow, prove
from verify.job import audit_shape as shape
from verify.job.audit_result import Auditing, Level, upper
from verify.job.audit_shape import Bad, Keys, Manifest
from verify.job.catalogue import catalogue
from verify.job.entry import KINDS, Entry, verify_chain
from verify.job.hidden import digests_in, evidence_in
from verify.job.jobfile import EDITION, EVIDENCE, JOURNAL, PERSONAL
from verify.job.jws import BadSignature
from verify.job.people import why_not
from verify.job.recompute import Again, Recompute, Told
from verify.job.same import Recomputed
from verify.job.session import ReadOnlySession, fold
from verify.job.signing import check_signature

TIMES = "Times are what the clock of the machine said that wrote them; nothing here proves them."

_WORST = (
    Recomputed.DIFFERS,
    Recomputed.OTHER_VERDICT,
    Recomputed.OTHER_VERSION,
    Recomputed.WITHHELD,
    Recomputed.NOT_HERE,
    Recomputed.OTHER_WORDS,
    Recomputed.SAME,
)
# Worth knowing and no failure, in words behind their number.
_COUNTED = {
    Recomputed.OTHER_VERDICT: "with another verdict by another version",
    Recomputed.OTHER_VERSION: "with the same verdict by another version",
    Recomputed.WITHHELD: "with their bytes withheld",
    Recomputed.NOT_HERE: "not recomputable here",
}
_NOTES = tuple(_COUNTED)


def chain(a: Auditing, manifest: Manifest | None) -> tuple[Entry, ...]:
    text = a.bytes_of(JOURNAL)
    try:
        if text is None:
            raise Bad("no journal that can be read")
        entries = shape.read_entries(text)
    except Bad as bad:
        a.finding("chain", f"The journal cannot be read: found {bad}.")
        return ()
    for e in entries:
        if e.kind not in KINDS or e.version > KINDS[e.kind][0]:
            raise a.newer(f"an entry of a newer version ({e.kind}, {e.version})")
    try:
        verify_chain(entries)
    except UserError as error:
        a.finding("chain", f"{upper(error.problems[0].found)}.")
        return entries
    if manifest is not None and (
        (manifest.entries, manifest.head) != (len(entries), entries[-1].digest)
        or any(e.job != manifest.job for e in entries)
        or (manifest.edition, manifest.flow)
        != (entries[0].body.get("edition"), entries[0].body.get("flow"))
    ):
        a.finding("chain", "The journal is not the one the manifest speaks of.")
        return entries
    head = entries[-1].digest
    a.part(
        "chain",
        Level.HOLDS,
        f"{len(entries)} entries, each bound to the one before; head {head[:16]}…",
    )
    return entries


def signatures(a: Auditing, entries: tuple[Entry, ...], keys: Keys) -> dict[int, str]:
    """Entries that a signature directly behind them holds over → by which key, in words."""
    more, level, begin, held = [], Level.HOLDS, 1, dict[int, str]()
    for number, entry in enumerate(entries):
        if entry.kind != "signature":
            continue
        over = entries[number - 1]
        span = f"entries {begin} to {over.seq}"
        try:
            public = check_signature(entry, over)
            carried = a.bytes_of(f"signatures/{entry.seq}.jws")
            if carried != f"{entry.body['jws']}\n".encode():
                raise BadSignature("another signature beside the journal than in it")
            doubt = why_not(keys.people, entry.person, public, entry.time)
            if "retired" in doubt:
                raise BadSignature(f"a signature {doubt}")
        except BadSignature as bad:
            level = Level.FINDING
            a.say(entry.seq, Level.FINDING, f"its signature does not hold: found {bad}")
            more.append(f"entry {entry.seq}: the signature does not hold: found {bad}")
            continue
        held[over.seq] = a.key_words(public)
        words = f"{entry.person} as {entry.body['role']}, {held[over.seq]}"
        if doubt:
            level = level if level is Level.FINDING else Level.NOTE
            words += f" ({doubt})"
        for seq in range(begin, over.seq + 1):
            a.say(seq, Level.HOLDS, f"signed in entry {entry.seq}")
        a.say(entry.seq, Level.HOLDS, f"its signature holds, {words}")
        more.append(f"{span}: {words}")
        begin = entry.seq + 1
    if begin <= len(entries):
        level = level if level is Level.FINDING else Level.NOTE
        more.append(f"entries {begin} to {len(entries)}: no signature stands behind them")
    count = sum(e.kind == "signature" for e in entries)
    text = {
        Level.HOLDS: f"All {len(entries)} entries are signed.",
        Level.NOTE: f"{count} signatures hold; not everything is signed, or known.",
        Level.FINDING: "A signature of the journal does not hold.",
    }[level]
    if not count:
        text, more = "Nobody who worked at this job signed it.", []
    a.part("signatures", level, text, more)
    return held


def second_person(a: Auditing, entries: tuple[Entry, ...], held: Mapping[int, str]) -> None:
    """Whether somebody who did not do the work signed it off; that is a claim without their
    signature directly behind it. The fold has seen to it that they did not work at it."""
    last = next((e for e in reversed(entries) if e.kind == "sign-off"), None)
    if last is None:
        a.part("sign-off", Level.NOTE, "No second person signed this job off.")
    elif last.body.get("decision") != "accepted":
        a.part("sign-off", Level.NOTE, f"{last.person} sent it back in entry {last.seq}.")
    elif last.seq not in held:
        text = f"Accepted in entry {last.seq} by {last.person}, whose signature is not there."
        a.part("sign-off", Level.NOTE, text)
    else:
        text = f"Accepted in entry {last.seq} by {last.person}, {held[last.seq]}."
        a.part("sign-off", Level.HOLDS, text)


def edition(a: Auditing, entries: tuple[Entry, ...]) -> Machine | None:
    wanted = entries[0].body.get("edition")
    content = a.bytes_of(EDITION)
    if content is None or a.file.hash(EDITION) != wanted:
        a.finding("edition", "The flow in this file is not the one the job was opened with.")
        return None
    try:
        graph = edition_to_flow(content, catalogue()).graph
        proof = prove(graph, catalogue())
    except UserError as error:
        found = error.problems[0].found
        text = f"Its hash holds; this version cannot load it any more (found {found})."
        a.part("edition", Level.NOTE, text)
        return None
    except Exception as error:  # a hostile file must not end in a traceback
        text = f"Its hash holds, and it is no flow ({type(error).__name__})."
        a.finding("edition", text)
        return None
    if isinstance(proof, ProvenFlow):
        a.part("edition", Level.HOLDS, "The flow is the one of the job, and proves today.")
        return compile_flow(proof)
    text = "The flow is the one of the job; today's prover would not let it run."
    a.part("edition", Level.NOTE, text, [proof[0].message] if proof else [])
    return replay_machine(graph)


def evidence(
    a: Auditing, entries: tuple[Entry, ...], manifest: Manifest | None
) -> Mapping[str, str]:
    """SHA-256 of what is there and sound → name of the member."""
    named = set(evidence_in(entries))
    wrong, notes = [], []
    personal: dict[str, str] = {}
    if PERSONAL in a.file.members:
        try:
            personal = shape.read_personal(a.bytes_of(PERSONAL) or b"")
        except Bad as bad:
            wrong.append(f"found {bad}")
        fields = digests_in(entries)
        if foreign := personal.keys() - fields.keys():
            wrong.append(f"{len(foreign)} personal values that no entry speaks of")
        named |= {v for d, v in personal.items() if fields.get(d) == "photo"}
        notes.append(f"{len(personal)} personal values are in the file, as salted")
    else:
        notes.append("personal values, pictures among them, are left out: salted hashes stand")
    there = {
        name.removeprefix(EVIDENCE): name for name in a.file.members if name.startswith(EVIDENCE)
    }
    withheld = manifest.withheld if manifest is not None else {}
    for sha256 in sorted(named - there.keys()):
        if sha256 in withheld:
            notes.append(f"evidence {sha256[:12]}… withheld ({withheld[sha256]}), its hash is kept")
        else:
            wrong.append(f"evidence {sha256[:12]}… is missing, and not said to be withheld")
    wrong += [
        f"evidence {s[:12]}… is in the file and no entry names it" for s in there.keys() - named
    ]
    sound = {s: n for s, n in there.items() if s in named and n not in a.damaged}
    wrong += [
        f"evidence {s[:12]}… was changed" for s in sorted((there.keys() & named) - sound.keys())
    ]
    if wrong:
        a.finding("evidence", f"{upper(wrong[0])}.", [*wrong[1:], *notes])
    else:
        level = Level.NOTE if named - there.keys() else Level.HOLDS
        text = f"{len(sound)} of {len(named)} files are here, each with the hash of its entry."
        a.part("evidence", level, text, notes)
    return sound


def replay(
    a: Auditing, entries: tuple[Entry, ...], machine: Machine, manifest: Manifest | None
) -> ReadOnlySession | None:
    try:
        session = fold(entries[0].job, entries, machine)
    except UserError as error:
        a.finding("replay", f"{upper(error.problems[0].found)}.")
        return None
    except Exception as error:  # entries of any shape may be in a hostile file
        a.finding("replay", f"The entries cannot be gone through ({type(error).__name__}).")
        return None
    ending = session.ending.kind.value if session.ending is not None else ""
    words = f"in {ending}" if ending else f"before its end, at {session.at}"
    if manifest is not None and (manifest.ending, manifest.at) != (ending, session.at):
        said = manifest.ending or f"no ending, at {manifest.at}"
        a.finding("replay", f"Gone through again the job stands {words}, not in {said}.")
    else:
        a.part("replay", Level.HOLDS, f"Gone through again, the job stands {words}.")
    return session


def verdicts(
    a: Auditing,
    session: ReadOnlySession,
    evidence: Mapping[str, str],
    told: Told | None,
) -> None:
    def opened(sha256: str) -> AbstractContextManager[BinaryIO] | None:
        if EVIDENCE + sha256 in a.damaged:
            raise UserError(Problem("evidence that was changed"))
        return a.file.opened(evidence[sha256]) if sha256 in evidence else None

    again = Recompute(session.history, session.machine, opened, told)
    found = list(again.all())
    for one in found:
        a.verdicts[one.state.value] += 1
        level = Level.FINDING if one.state is Recomputed.DIFFERS else Level.HOLDS
        level = Level.NOTE if one.state in _NOTES else level
        a.say(one.seq, level, f"{one.check or 'verdict'}: {_state_words(one)}")
    more = [
        f"entry {a.seq}, {a.step}{', ' if a.check else ''}{a.check}: {_state_words(a)}"
        for a in sorted(found, key=lambda a: (_WORST.index(a.state), a.seq))
        if a.state is not Recomputed.SAME
    ]
    more += _owed(session)
    if a.verdicts[Recomputed.DIFFERS.value]:
        a.finding("verdicts", "A verdict does not come out as it was written.", more)
    elif more:
        a.part("verdicts", Level.NOTE, f"{upper(verdict_words(a))}.", more)
    else:
        a.part("verdicts", Level.HOLDS, f"{upper(verdict_words(a))}.")


def _owed(session: ReadOnlySession) -> list[str]:
    """Live verdicts held against a number that was changed afterwards: a sitting can break off
    between the change and the judging anew (invariant 3)."""
    return [
        f"entry {v.seq}, {v.step}: “{name}” was changed in entry {spec.seq}, and it was not "
        "judged anew"
        for v in session.walk
        for name, spec in session.specs.items()
        if v.results
        and name in session.graph.steps[v.step].detail.get("specs", ())
        and max(v.seq, v.rejudged) < spec.seq
    ]


def verdict_words(a: Auditing) -> str:
    total = sum(a.verdicts.values())
    same = a.verdicts[Recomputed.SAME.value] + a.verdicts[Recomputed.OTHER_WORDS.value]
    if not total:
        return "no verdict was computed in this job"
    if same == total:
        return f"all {total} verdicts come out the same"
    rest = [f"{a.verdicts[s.value]} {_COUNTED[s]}" for s in _NOTES if a.verdicts[s.value]]
    return f"{same} of {total} verdicts come out the same ({', '.join(rest)})"


def claims(a: Auditing, entries: tuple[Entry, ...], session: ReadOnlySession | None) -> None:
    """What the file says of itself and nothing can prove."""
    more = []
    back = [e.seq for before, e in pairwise(entries) if e.time < before.time]
    if strange := [e.seq for e in entries if not shape.is_time(e.time)]:
        more.append(f"no time at all: entry {_numbers(strange)}")
    if back:
        more.append(f"the clock ran backwards before entry {_numbers(back)}")
    a.part("times", Level.NOTE if more else Level.HOLDS, TIMES, more)
    if session is not None and (session.scripted or session.demo):
        what = "the demo" if session.demo else "a rehearsal, played from an answers file"
        a.part("job", Level.NOTE, f"This job is {what}; no car stood behind it.")


def _state_words(again: Again) -> str:
    if again.state is Recomputed.WITHHELD:
        return again.text
    return f"{again.state.value}{': ' if again.text else ''}{again.text}"


def _numbers(seqs: list[int]) -> str:
    shown = ", ".join(map(str, seqs[:8]))
    return shown + (f" and {len(seqs) - 8} more" if len(seqs) > 8 else "")

"""The container looked at: the seal, the keys, and the manifest with its signature.

reader → manifest, public keys; what holds goes into the `Auditing`. Pure over the reader's stream.
"""

from __future__ import annotations

from verify.job import audit_shape as shape
from verify.job.audit_result import Auditing, Level, upper
from verify.job.audit_shape import Bad, Keys, Manifest
from verify.job.jobfile import (
    EDITION,
    EVIDENCE,
    HOW_TO,
    JOURNAL,
    KEYS,
    MANIFEST,
    MANIFEST_JWS,
    SUMS,
    pem,
    sums,
)
from verify.job.jobfile_read import Damaged
from verify.job.jobfile_zip import FORMAT
from verify.job.jws import BadSignature, decode, verify, verify_value
from verify.job.people import why_not


def container(a: Auditing) -> tuple[Manifest | None, Keys]:
    """Looks at everything but what the journal tells."""
    manifest, text = None, a.bytes_of(MANIFEST)
    if text is None:
        a.finding("manifest", "There is no manifest that can be read.")
    else:
        manifest = _read_manifest(a, text)
    keys = _keys(a)
    _seal(a, keys)
    if manifest is not None and text is not None:
        _manifest(a, manifest, text, keys)
    return manifest, keys


def _read_manifest(a: Auditing, text: bytes) -> Manifest | None:
    try:
        return shape.read_manifest(text)
    except Bad as bad:
        number = _format_of(text)
        if number > FORMAT:
            raise a.newer(f"a job file of a newer form ({number})") from None
        a.finding("manifest", f"The manifest cannot be read: found {bad}.")
        return None


def _keys(a: Auditing) -> Keys:
    text = a.bytes_of(KEYS)
    try:
        if text is None:
            raise Bad("no public keys")
        keys = shape.read_keys(text)
        wrong = [k for k, p in keys.public.items() if a.bytes_of(f"keys/{k}.pem") != pem(p)]
        if wrong:
            raise Bad("keys for openssl that are not those of the key set")
    except Bad as bad:
        a.finding("keys", f"The public keys cannot be used: found {bad}.")
        return Keys({}, ())
    return keys


def _seal(a: Auditing, keys: Keys) -> None:
    seal = a.file.seal
    if a.file.sealed_hash() != seal.sha256:
        a.finding("seal", "The file was changed after it was sealed.")
        return
    if not seal.jws:
        a.part("seal", Level.HOLDS, "No byte was changed since it was sealed.")
        return
    try:
        public = _key_of(seal.jws, keys)
        if verify_value(seal.jws, public) != seal.statement():
            raise BadSignature("a seal that signs something else")
    except BadSignature as bad:
        a.finding("seal", f"The seal's signature does not hold: found {bad}.")
        return
    text = f"No byte was changed since it was sealed with {a.key_words(public)}."
    a.part("seal", Level.HOLDS, text)


def _manifest(a: Auditing, manifest: Manifest, text: bytes, keys: Keys) -> None:
    wrong = []
    there = a.file.members.keys() - {MANIFEST, MANIFEST_JWS}
    listed = manifest.members
    wrong += [f"the member {name} is not in the manifest" for name in sorted(there - listed.keys())]
    wrong += [f"the member {name} is missing" for name in sorted(listed.keys() - there)]
    needed = {HOW_TO, JOURNAL, EDITION, KEYS, SUMS} - listed.keys()
    wrong += [f"the member {name} is missing" for name in sorted(needed)]
    for name in sorted(there & listed.keys()):
        try:
            own = a.file.hash(name)
        except Damaged as damage:
            wrong.append(f"the member {name} cannot be taken: found {damage}")
            a.damaged.add(name)
            continue
        if (own, a.file.members[name].size) != (listed[name].sha256, listed[name].size):
            wrong.append(f"the member {name} is not what the manifest says")
        if name.startswith(EVIDENCE) and name != EVIDENCE + own:
            wrong.append(f"the member {name[:21]}… holds other bytes than its name says")
            a.damaged.add(name)
    if a.bytes_of(SUMS) != sums(m for m in listed.values() if m.name != SUMS):
        wrong.append(f"the member {SUMS} is not that of the manifest")
    maker = "signed by nobody"
    jws = a.bytes_of(MANIFEST_JWS)
    if bool(a.file.seal.jws) != (MANIFEST_JWS in a.file.members):
        wrong.append("either the seal or the manifest is signed, and the other is not")
    if jws is not None:
        try:
            maker = _maker(a, manifest, text, jws, keys)
        except BadSignature as bad:
            wrong.append(f"its signature does not hold: found {bad}")
    if wrong:
        a.finding("manifest", f"{upper(wrong[0])}.", wrong[1:])
        return
    level = Level.HOLDS if jws is not None else Level.NOTE
    count = f"{len(listed)} members are all there and as listed"
    a.part("manifest", level, f"{count}, {maker}.")


def _maker(a: Auditing, manifest: Manifest, text: bytes, jws: bytes, keys: Keys) -> str:
    if not jws.endswith(b"\n") or not jws.isascii():
        raise BadSignature("no compact JWS")
    compact = jws[:-1].decode()
    public = _key_of(compact, keys)
    if verify(compact, public) != text:
        raise BadSignature("a signature of another manifest")
    if _kid(compact) != (_kid(a.file.seal.jws) if a.file.seal.jws else ""):
        raise BadSignature("another key than that of the seal")
    doubt = why_not(keys.people, manifest.maker, public, manifest.made)
    if "retired" in doubt:
        raise BadSignature(f"a signature {doubt}")
    a.signed_by = _kid(compact)
    words = f"signed by {manifest.maker or 'nobody named'} with {a.key_words(public)}"
    return words + (f" ({doubt})" if doubt else "")


def _kid(jws: str) -> str:
    """The key a JWS names, "" if none."""
    try:
        header = shape.strict_json(decode(jws.partition(".")[0], "the header"), "a header")
    except (BadSignature, Bad):
        return ""
    kid = header.get("kid", "") if isinstance(header, dict) else ""
    return kid if isinstance(kid, str) else ""


def _key_of(jws: str, keys: Keys) -> bytes:
    public = keys.public.get(_kid(jws))
    if public is None:
        raise BadSignature("a signature of a key that is not in the file")
    return public


def _format_of(manifest: bytes) -> int:
    try:
        value = shape.strict_json(manifest, "a manifest")
    except Bad:
        return 0
    number = value.get("format") if isinstance(value, dict) else 0
    return number if isinstance(number, int) else 0

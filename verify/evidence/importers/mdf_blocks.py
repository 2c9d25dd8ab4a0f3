"""Looks at the blocks of an MDF 4 file before a library walks through them.

A damaged or hostile file may let a chain of blocks run in a circle, name places that do not exist,
or say that it unpacks to terabytes. The library that reads MDF would follow; so the chains are
walked here first, which reads no measured value.

Source: ASAM MDF 4.1, block structure (identification at 0, header at 64; each block begins with
its name, length and links), from memory.
"""

from __future__ import annotations

import struct

_HEAD = 24  # "##XX", 4 reserved bytes, length and number of links, 8 bytes each
_HEADER_AT = 64
_MOST_UNPACKED = 4 * 1024**3
# The first link of these blocks leads to the next one of the same kind.
_CHAINED = frozenset({b"DG", b"CG", b"CN", b"FH", b"CH", b"AT", b"EV", b"SR", b"DL", b"LD"})
# Which links lead on to blocks that are walked through: their place, and what may stand there.
_KEPT = frozenset({b"DT", b"DV", b"DZ", b"DL", b"LD", b"HL"})
_LINKS: dict[bytes, dict[int, frozenset[bytes]]] = {
    b"HD": {
        0: frozenset({b"DG"}),
        1: frozenset({b"FH"}),
        2: frozenset({b"CH"}),
        3: frozenset({b"AT"}),
        4: frozenset({b"EV"}),
    },
    b"DG": {1: frozenset({b"CG"}), 2: _KEPT},
    b"CG": {1: frozenset({b"CN"}), 4: frozenset({b"SR"})},
    b"CN": {1: frozenset({b"CN", b"CA"}), 5: _KEPT | {b"SD", b"AT", b"CG"}},
    b"SR": {1: _KEPT | {b"RD", b"RV"}},
    b"HL": {0: frozenset({b"DL", b"LD"})},
}
_ANY: frozenset[bytes] = frozenset()
_ALL = frozenset({b"DL", b"LD"})
_DATA = frozenset(
    {b"DT", b"SD", b"DV", b"DI", b"RD", b"RV"}
)  # may lack their end after a power cut


def why_not_walked(raw: bytes) -> str:
    """What keeps the blocks of a file from being walked through, or "" where nothing does."""
    if len(raw) < _HEADER_AT + _HEAD:
        return "breaks off in its header"
    if raw[8:9] != b"4":
        return f"has version {raw[8:12].decode('latin-1')}, not 4"
    waiting = [(_HEADER_AT, frozenset({b"HD"}))]
    seen: set[int] = set()
    unpacked = 0
    while waiting:
        at, wanted = waiting.pop()
        chain: set[int] = set()
        while at:
            if at > len(raw) - _HEAD or raw[at : at + 2] != b"##":
                return "names a block that is not there"
            kind = raw[at + 2 : at + 4]
            if wanted and kind not in wanted:
                return "names a block of another kind than it should"
            if at in chain:
                return "has a chain of blocks that runs in a circle"
            if at in seen:
                break  # a block may be named from several places
            seen.add(at)
            chain.add(at)
            size, count = struct.unpack_from("<QQ", raw, at + 8)
            if count > (len(raw) - at - _HEAD) // 8:
                return "has a block with more links than the file has room for"
            if kind == b"DZ":
                if at + _HEAD + 24 > len(raw):
                    return "breaks off in packed data"
                unpacked += struct.unpack_from("<Q", raw, at + _HEAD + 8)[0]
                if unpacked > _MOST_UNPACKED:
                    return f"says that it unpacks to more than {_MOST_UNPACKED / 1e9:.0f} GB"
            elif kind not in _DATA and at + size > len(raw):
                return "breaks off in the middle of a block"
            links = struct.unpack_from(f"<{count}Q", raw, at + _HEAD)
            chained = kind in _CHAINED
            followed = (
                dict.fromkeys(range(1, count), _ANY) if kind in _ALL else _LINKS.get(kind, {})
            )
            waiting.extend(
                (links[place], kinds)
                for place, kinds in followed.items()
                if place < count and links[place]
            )
            at, wanted = (links[0] if chained and count else 0), frozenset({kind})
    return ""

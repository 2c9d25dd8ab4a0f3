"""Signatures: compact JWS (RFC 7515) with Ed25519 (RFC 8037, named as RFC 9864 does).

    value ─canonical→ payload ─sign(key)→ "header.payload.signature" ─verify(public key)→ payload

Pure functions over bytes: no disk, no clock. The header is `{"alg":"Ed25519","kid":…}`, where the
kid is the RFC 7638 thumbprint of the public key. Verifying is strict on purpose, for a reader who
does not trust the writer: one spelling of every part, no algorithm but this one, no key but the one
that is handed in, no header field of unknown meaning. Anybody's JOSE library can check what is
signed here; not everything that such a library signs is taken.

Light at the top: `cryptography` is loaded where a key is used and not before.
"""

from __future__ import annotations

import hashlib
from base64 import b32encode, urlsafe_b64decode, urlsafe_b64encode
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from verify.job.canonical import canonical, parse

__all__ = [
    "BadSignature",
    "SigningKey",
    "fingerprint",
    "jwk",
    "public_of",
    "short",
    "sign",
    "sign_value",
    "verify",
    "verify_value",
]

KEY_BYTES = 32
SIGNATURE_BYTES = 64
# RFC 9864, 2.2, and the name that RFC 8037 gave it before, which it still bears elsewhere.
ALGORITHMS = ("Ed25519", "EdDSA")
_HEADER = frozenset({"alg", "kid", "typ"})
_LONGEST = 1 << 24

# RFC 8032, 5.1: the field's prime.
_P = 2**255 - 19
# The y of the points whose order divides 8. With such a key, one signature fits many messages, so
# that its owner could deny what was signed. A test computes them anew from the curve's equation.
_ORDER_8_Y = 0x05FC536D880238B13933C6D305ACDFD5F098EFF289F4C345B027B2C28F95E826
_SMALL_ORDER_Y = frozenset(
    {
        0,
        1,
        _P - 1,
        _ORDER_8_Y,
        _P - _ORDER_8_Y,
    }
)


class BadSignature(ValueError):
    """Why a signature or a public key is not taken; the text completes "found …"."""


@dataclass(frozen=True, slots=True)
class SigningKey:
    """A private key in memory. seed: the 32 bytes of RFC 8032, 5.1.5; never shown."""

    seed: bytes = field(repr=False)
    public: bytes = field(init=False)

    def __post_init__(self) -> None:
        if len(self.seed) != KEY_BYTES:
            raise ValueError("the seed of an Ed25519 key has 32 bytes")
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        public = Ed25519PrivateKey.from_private_bytes(self.seed).public_key().public_bytes_raw()
        object.__setattr__(self, "public", public)

    @property
    def kid(self) -> str:
        return fingerprint(self.public)


# Public keys


def jwk(public: bytes) -> dict[str, str]:
    """The public key as a JWK (RFC 8037, 2), with its required members alone."""
    return {"crv": "Ed25519", "kty": "OKP", "x": encode(_checked(public))}


def public_of(value: Any) -> bytes:
    """The 32 bytes of a JWK that is written as `jwk` writes it. Raises BadSignature."""
    if not isinstance(value, Mapping) or set(value) != {"crv", "kty", "x"}:
        raise BadSignature("a key that is no JWK with crv, kty and x alone")
    if (value["crv"], value["kty"]) != ("Ed25519", "OKP") or not isinstance(value["x"], str):
        raise BadSignature("a key that is not of Ed25519")
    return _checked(decode(value["x"], "the key"))


def fingerprint(public: bytes) -> str:
    """The key's thumbprint by RFC 7638 (SHA-256, base64url, 43 characters), which is its kid."""
    return encode(_thumb(public))


def short(public: bytes) -> str:
    """A form to read out: the first 80 bits of the thumbprint in base32, as in abcd-2345-….

    To compare by eye and ear; what is to be trusted is named by its whole fingerprint.
    """
    letters = b32encode(_thumb(public)[:10]).decode().lower()
    return "-".join(letters[i : i + 4] for i in range(0, 16, 4))


def _thumb(public: bytes) -> bytes:
    return hashlib.sha256(canonical(jwk(public))).digest()


def _checked(public: bytes) -> bytes:
    if len(public) != KEY_BYTES:
        raise BadSignature("a key that does not have 32 bytes")
    y = int.from_bytes(public, "little") & (2**255 - 1)
    if y >= _P or y in _SMALL_ORDER_Y:
        raise BadSignature("a key that proves nothing, or that is written in another way than one")
    return bytes(public)


# Signing and verifying


def sign(payload: bytes, key: SigningKey) -> str:
    """The compact JWS of `payload`. The same bytes and key always give the same JWS."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    header = canonical({"alg": ALGORITHMS[0], "kid": key.kid})
    signed = f"{encode(header)}.{encode(payload)}"
    made = Ed25519PrivateKey.from_private_bytes(key.seed).sign(signed.encode())
    jws = f"{signed}.{encode(made)}"
    if len(jws) > _LONGEST:
        raise ValueError("a payload that verifying would refuse; sign its hash instead")
    return jws


def sign_value(value: object, key: SigningKey) -> str:
    """The compact JWS of a JSON value in its RFC 8785 form."""
    return sign(canonical(value), key)


def verify(jws: str, public: bytes) -> bytes:
    """The payload, if `public` signed exactly this. Raises BadSignature, and nothing else.

    public: the 32 bytes of the key that is expected; what a JWS says of its key is only compared.
    """
    if not isinstance(jws, str) or not jws.isascii() or len(jws) > _LONGEST:
        raise BadSignature("no compact JWS")
    parts = jws.split(".")
    if len(parts) != 3:
        raise BadSignature("no compact JWS: it has three parts, set apart by full stops")
    header, payload, signature = (
        decode(part, f"the {name}")
        for part, name in zip(parts, ("header", "payload", "signature"), strict=True)
    )
    _check_header(header, _checked(public))
    if len(signature) != SIGNATURE_BYTES:
        raise BadSignature("a signature that does not have 64 bytes")
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        key = Ed25519PublicKey.from_public_bytes(public)
        key.verify(signature, f"{parts[0]}.{parts[1]}".encode())
    except (InvalidSignature, ValueError):
        raise BadSignature(
            "a signature that does not fit: something was changed, or another key made it"
        ) from None
    return payload


def verify_value(jws: str, public: bytes) -> Any:
    """As `verify`, for a payload that must be a JSON value in its RFC 8785 form."""
    payload = verify(jws, public)
    return _strict_json(payload, "the payload")


def _check_header(text: bytes, public: bytes) -> None:
    header = _strict_json(text, "the header", any_order=True)
    if not isinstance(header, dict):
        raise BadSignature("a header that is no JSON object")
    if header.get("alg") not in ALGORITHMS:
        raise BadSignature(f"a signature of the kind {header.get('alg')!r:.40}, not Ed25519")
    if foreign := sorted(header.keys() - _HEADER):
        raise BadSignature(f"a header that asks for more ({', '.join(foreign)[:80]})")
    if "kid" in header and header["kid"] != fingerprint(public):
        raise BadSignature("a signature that names another key")


def _strict_json(text: bytes, what: str, *, any_order: bool = False) -> Any:
    """Parsed; refused where it could be read in two ways (doubled names, numbers, encodings).

    any_order: names may stand in any order and with spaces between, as other writers do it.
    """
    import json

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        if len({name for name, _ in pairs}) != len(pairs):
            raise ValueError("a doubled name")
        return dict(pairs)

    try:
        decoded = text.decode()
        value = json.loads(decoded, object_pairs_hook=once) if any_order else parse(decoded)
        if not any_order and canonical(value) != text:
            raise ValueError("another form")
    except (ValueError, RecursionError):
        raise BadSignature(f"{what} that is no JSON in its one form") from None
    return value


# base64url without padding (RFC 7515, 2), in its one spelling


def encode(data: bytes) -> str:
    return urlsafe_b64encode(data).rstrip(b"=").decode()


def decode(text: str, what: str) -> bytes:
    """Raises BadSignature for padding, foreign signs, and bits after the end that are not 0."""
    try:
        data = urlsafe_b64decode(text + "=" * (-len(text) % 4))
    except ValueError:
        data = b""
    if encode(data) != text:
        raise BadSignature(f"{what} in another form than base64url without padding")
    return data

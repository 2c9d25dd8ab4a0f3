"""Signatures: what is signed verifies, and nothing else does."""

from __future__ import annotations

import json
import subprocess
import sys
from base64 import urlsafe_b64decode

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.conftest import ROOT
from verify.job import jws
from verify.job.jws import BadSignature, SigningKey, sign, sign_value, verify, verify_value

KEY = SigningKey(bytes(range(32)))
OTHER = SigningKey(bytes(range(1, 33)))
VALUE = {"head": "ab" * 32, "seq": 7, "job": "kilo", "words": "é 😂 \n"}
SIGNED = sign_value(VALUE, KEY)


def made(header: object, payload: bytes = b"{}", key: SigningKey = KEY) -> str:
    """A JWS with any header, properly signed all the same."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    text = header if isinstance(header, bytes) else json.dumps(header).encode()
    signed = f"{jws.encode(text)}.{jws.encode(payload)}"
    private = Ed25519PrivateKey.from_private_bytes(key.seed)
    return f"{signed}.{jws.encode(private.sign(signed.encode()))}"


def test_what_was_signed_comes_back() -> None:
    assert verify_value(SIGNED, KEY.public) == VALUE
    assert verify(sign(b"\x00\xff any bytes", KEY), KEY.public) == b"\x00\xff any bytes"
    assert verify(sign(b"", KEY), KEY.public) == b""


def test_the_header_says_the_algorithm_and_the_key_and_nothing_more() -> None:
    header = SIGNED.split(".")[0]
    text = urlsafe_b64decode(header + "=" * (-len(header) % 4)).decode()
    assert text == f'{{"alg":"Ed25519","kid":"{KEY.kid}"}}'


def test_a_signature_is_the_same_however_often_it_is_made() -> None:
    assert sign_value(VALUE, KEY) == SIGNED


@settings(max_examples=400, deadline=None)
@given(at=st.integers(0, len(SIGNED) - 1), other=st.integers(0, 255))
def test_any_changed_byte_is_refused(at: int, other: int) -> None:
    changed = SIGNED[:at] + chr(other) + SIGNED[at + 1 :]
    if changed == SIGNED:
        return
    with pytest.raises(BadSignature):
        verify(changed, KEY.public)


def test_each_byte_with_its_lowest_bit_turned_is_refused() -> None:
    for at, sign_there in enumerate(SIGNED):
        changed = SIGNED[:at] + chr(ord(sign_there) ^ 1) + SIGNED[at + 1 :]
        with pytest.raises(BadSignature):
            verify(changed, KEY.public)


@settings(max_examples=200, deadline=None)
@given(st.binary(min_size=32, max_size=32))
def test_no_other_key_is_taken(public: bytes) -> None:
    if public != KEY.public:
        with pytest.raises(BadSignature):
            verify(made({"alg": "Ed25519"}), public)


@settings(max_examples=200, deadline=None)
@given(st.text() | st.text("abcABC019-_=.+/ \n", max_size=60))
def test_no_text_raises_anything_but_a_bad_signature(text: str) -> None:
    with pytest.raises(BadSignature):
        verify(text, KEY.public)


@pytest.mark.parametrize(
    ("header", "words"),
    [
        ({"alg": "none"}, "of the kind 'none'"),
        ({"alg": "HS256"}, "of the kind 'HS256'"),
        ({"alg": "Ed448"}, "of the kind 'Ed448'"),
        ({"alg": "ed25519"}, "of the kind 'ed25519'"),
        ({"alg": ["Ed25519"]}, "of the kind"),
        ({}, "of the kind None"),
        ({"alg": "Ed25519", "crit": ["exp"]}, r"asks for more \(crit\)"),
        ({"alg": "Ed25519", "crit": ["b64"], "b64": False}, "asks for more"),
        ({"alg": "Ed25519", "jwk": jws.jwk(OTHER.public)}, r"asks for more \(jwk\)"),
        ({"alg": "Ed25519", "jku": "elsewhere"}, r"asks for more \(jku\)"),
        ({"alg": "Ed25519", "kid": OTHER.kid}, "names another key"),
        ({"alg": "Ed25519", "kid": None}, "names another key"),
        (b'{"alg":"none","alg":"Ed25519"}', "no JSON in its one form"),
        (b'{"alg":"Ed25519"', "no JSON in its one form"),
        (b"\xff", "no JSON in its one form"),
        (b"[" * 100_000, "no JSON in its one form"),
        (["alg"], "no JSON object"),
    ],
)
def test_a_header_that_asks_for_anything_else_is_refused(header: object, words: str) -> None:
    with pytest.raises(BadSignature, match=words):
        verify(made(header), KEY.public)


@pytest.mark.parametrize("header", [{"alg": "Ed25519"}, {"alg": "EdDSA"}])
@pytest.mark.parametrize("more", [{}, {"kid": KEY.kid}, {"typ": "JOSE"}])
def test_both_names_of_the_algorithm_are_taken(
    header: dict[str, str], more: dict[str, str]
) -> None:
    assert verify(made(header | more), KEY.public) == b"{}"


@pytest.mark.parametrize(
    "spoilt",
    [
        SIGNED + "=",
        SIGNED + "==",
        SIGNED + "\n",
        " " + SIGNED,
        SIGNED + ".",
        SIGNED.rpartition(".")[0],
        SIGNED.rpartition(".")[0] + ".",
        SIGNED[:-1],
        SIGNED + "AA",
        SIGNED.replace("-", "+").replace("_", "/") + "\x00",
    ],
)
def test_only_one_spelling_is_taken(spoilt: str) -> None:
    with pytest.raises(BadSignature):
        verify(spoilt, KEY.public)


def test_bits_after_the_end_must_be_nought() -> None:
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    last = letters.index(SIGNED[-1])
    assert last % 16 == 0  # 64 bytes leave four bits over
    for more in range(1, 16):
        with pytest.raises(BadSignature, match="another form than base64url"):
            verify(SIGNED[:-1] + letters[last + more], KEY.public)


def test_a_signature_with_the_group_s_order_added_is_refused() -> None:
    """RFC 8032, 5.1.7: S must lie below L, or a second signature could be made of the first."""
    order = 2**252 + 27742317777372353535851937790883648493
    head, _, last = SIGNED.rpartition(".")
    raw = jws.decode(last, "it")
    more = int.from_bytes(raw[32:], "little") + order
    assert more < 2**256
    with pytest.raises(BadSignature, match="does not fit"):
        verify(f"{head}.{jws.encode(raw[:32] + more.to_bytes(32, 'little'))}", KEY.public)


@pytest.mark.parametrize(
    "payload", [b'{"b":1,"a":2}', b'{"a": 1}', b"1.0", b'"\\u0041"', b"", b"x"]
)
def test_a_value_that_is_not_in_its_one_form_is_refused(payload: bytes) -> None:
    signed = sign(payload, KEY)
    assert verify(signed, KEY.public) == payload
    with pytest.raises(BadSignature, match="the payload that is no JSON"):
        verify_value(signed, KEY.public)


# Keys


def test_the_keys_that_prove_nothing_are_those_of_small_order() -> None:
    """Computed from the curve −x² + y² = 1 + d·x²·y² (RFC 8032, 5.1): a point of order 1 or 2 has
    x = 0, so y² = 1; one of order 4 doubles to y = −1, so y = 0; one of order 8 doubles to y = 0,
    so y² = −x², and with that d·y⁴ + 2·y² − 1 = 0."""
    p = 2**255 - 19
    d = -121665 * pow(121666, -1, p) % p

    def root(square: int) -> int | None:
        found = pow(square, (p + 3) // 8, p)
        if found * found % p != square % p:
            found = found * pow(2, (p - 1) // 4, p) % p
        return found if found * found % p == square % p else None

    ys = {0, 1, p - 1}
    inner = root(1 + d)
    assert inner is not None
    for sign_of in (1, -1):
        y = root((-1 + sign_of * inner) * pow(d, -1, p))
        if y is not None:
            ys |= {y, p - y}
    assert len(ys) == 5
    assert ys == jws._SMALL_ORDER_Y


@pytest.mark.parametrize("top", [0, 2**255])
@pytest.mark.parametrize("y", [*sorted(jws._SMALL_ORDER_Y), 2**255 - 19, 2**255 - 18, 2**255 - 1])
def test_a_key_that_proves_nothing_is_refused(y: int, top: int) -> None:
    public = (y + top).to_bytes(32, "little")
    for use in (jws.jwk, jws.fingerprint, jws.short):
        with pytest.raises(BadSignature, match="proves nothing"):
            use(public)
    with pytest.raises(BadSignature, match="proves nothing"):
        verify(SIGNED, public)


def test_with_a_key_of_small_order_one_signature_would_fit_everything() -> None:
    """Why they are refused: the library takes this one for any message (R = the neutral point,
    S = 0), where the key is the neutral point too."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    neutral = (1).to_bytes(32, "little")
    key = Ed25519PublicKey.from_public_bytes(neutral)
    for message in (b"accepted", b"sent back"):
        key.verify(neutral + bytes(32), message)


@pytest.mark.parametrize(
    "value",
    [
        None,
        {},
        {**jws.jwk(KEY.public), "d": "secret"},
        {**jws.jwk(KEY.public), "crv": "X25519"},
        {**jws.jwk(KEY.public), "kty": "EC"},
        {**jws.jwk(KEY.public), "x": 1},
        {**jws.jwk(KEY.public), "x": "é"},
        {**jws.jwk(KEY.public), "x": jws.encode(KEY.public) + "="},
        {**jws.jwk(KEY.public), "x": jws.encode(KEY.public[:31])},
    ],
)
def test_a_jwk_is_written_in_one_way(value: object) -> None:
    assert jws.public_of(jws.jwk(KEY.public)) == KEY.public
    with pytest.raises(BadSignature):
        jws.public_of(value)


def test_the_short_form_is_the_beginning_of_the_fingerprint() -> None:
    from base64 import b32decode

    whole = jws.decode(KEY.kid, "it")
    assert b32decode(jws.short(KEY.public).replace("-", "").upper()) == whole[:10]


def test_a_private_key_is_not_shown() -> None:
    seed = bytes(31) + b"\x07"
    shown = repr(SigningKey(seed))
    assert "seed" not in shown
    assert seed.hex() not in shown
    with pytest.raises(ValueError, match="32 bytes"):
        SigningKey(b"short")


def test_what_could_not_be_verified_is_not_signed() -> None:
    with pytest.raises(ValueError, match="sign its hash instead"):
        sign(bytes(1 << 24), KEY)


def test_the_module_loads_no_cryptography_before_a_key_is_used() -> None:
    code = "import sys, verify.job.bodies; print('cryptography' in sys.modules)"
    run = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert run.stdout == "False\n", run.stderr

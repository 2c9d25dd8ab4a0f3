"""Signatures against the world: published examples, two JOSE libraries, and openssl.

Sources: RFC 8032 7.1 (Ed25519), RFC 8037 App. A (Ed25519 in JOSE), RFC 7638 3.1 (thumbprints),
RFC 7515 App. A.1 (another algorithm, to be refused). The libraries are joserfc and jwcrypto, both
written by others; openssl is the command of the OpenSSL project, with no JOSE in it at all.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import warnings
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.conftest import missing
from verify.job import jws
from verify.job.canonical import canonical
from verify.job.jws import BadSignature, SigningKey, sign, sign_value, verify, verify_value

# RFC 8037, A.1 and A.2: the key of RFC 8032 7.1 test 1.
D = "nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A"
X = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"
SEED = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
PUBLIC = bytes.fromhex("d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a")
KEY = SigningKey(SEED)

# RFC 8037, A.4.
INPUT = "eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc"
SIGNATURE = "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg"

# RFC 7515, A.1: a MAC, whose key everybody who verifies must know.
HS256 = (
    "eyJ0eXAiOiJKV1QiLA0KICJhbGciOiJIUzI1NiJ9"
    ".eyJpc3MiOiJqb2UiLA0KICJleHAiOjEzMDA4MTkzODAsDQogImh0dHA6Ly9leGFtcGxlLmNvbS9pc19yb290Ijp0"
    "cnVlfQ.dBjftJeZ4CVP-mB92K27uhbUJU1p1r_wW1gFWFOEjXk"
)


def test_the_key_of_rfc_8037_and_of_rfc_8032_is_the_same_here() -> None:
    assert jws.decode(D, "d") == SEED
    assert KEY.public == PUBLIC
    assert jws.jwk(PUBLIC) == {"kty": "OKP", "crv": "Ed25519", "x": X}
    assert jws.public_of({"kty": "OKP", "crv": "Ed25519", "x": X}) == PUBLIC


def test_the_thumbprint_is_that_of_rfc_8037_a_3() -> None:
    assert jws.fingerprint(PUBLIC) == "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"
    # RFC 7638, 3: the hash of the required members, in order, without spaces; in hexadecimal.
    text = f'{{"crv":"Ed25519","kty":"OKP","x":"{X}"}}'
    assert hashlib.sha256(text.encode()).hexdigest() == (
        "90facafea9b1556698540f70c0117a22ea37bd5cf3ed3c47093c1707282b4b89"
    )


def test_the_example_of_rfc_8037_a_5_verifies() -> None:
    assert verify(f"{INPUT}.{SIGNATURE}", PUBLIC) == b"Example of Ed25519 signing"


def test_the_same_bytes_are_signed_as_in_rfc_8037_a_4() -> None:
    """Our header is another one; so the bytes are signed by the key alone."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    private = Ed25519PrivateKey.from_private_bytes(KEY.seed)
    assert jws.encode(private.sign(INPUT.encode())) == SIGNATURE
    # RFC 8032, 7.1, test 1: the empty message.
    assert private.sign(b"").hex() == (
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e06522490155"
        "5fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"
    )


@pytest.mark.parametrize("key", [PUBLIC, SigningKey(bytes(32)).public])
def test_the_mac_of_rfc_7515_a_1_is_refused(key: bytes) -> None:
    with pytest.raises(BadSignature, match="of the kind 'HS256'"):
        verify(HS256, key)


def test_a_mac_made_with_our_public_key_is_refused() -> None:
    """An old trick: a verifier that lets the header choose takes the public key for a secret."""
    import hmac

    head = jws.encode(b'{"alg":"HS256"}') + "." + jws.encode(b"{}")
    mac = hmac.digest(PUBLIC, head.encode(), "sha256")
    with pytest.raises(BadSignature, match="of the kind 'HS256'"):
        verify(f"{head}.{jws.encode(mac)}", PUBLIC)


def test_the_unsigned_example_of_rfc_7515_a_5_is_refused() -> None:
    header, payload = "eyJhbGciOiJub25lIn0", HS256.split(".")[1]
    for text in (f"{header}.{payload}.", f"{header}.{payload}.{SIGNATURE}"):
        with pytest.raises(BadSignature):
            verify(text, PUBLIC)


# Other people's libraries

VALUES = st.dictionaries(st.text(), st.text() | st.integers(-(2**53) + 1, 2**53 - 1), max_size=4)
SEEDS = st.binary(min_size=32, max_size=32)
ALGORITHMS = ["Ed25519", "EdDSA"]


@settings(max_examples=30, deadline=None)
@given(value=VALUES, seed=SEEDS)
def test_joserfc_verifies_what_is_signed_here(value: dict[str, object], seed: bytes) -> None:
    from joserfc import jws as joserfc
    from joserfc.jwk import OKPKey

    key = SigningKey(seed)
    theirs = OKPKey.import_key(jws.jwk(key.public))
    assert theirs.thumbprint() == key.kid
    found = joserfc.deserialize_compact(sign_value(value, key), theirs, algorithms=["Ed25519"])
    assert found.payload == canonical(value)
    assert found.headers() == {"alg": "Ed25519", "kid": key.kid}


@settings(max_examples=30, deadline=None)
@given(value=VALUES, seed=SEEDS)
def test_jwcrypto_verifies_what_is_signed_here(value: dict[str, object], seed: bytes) -> None:
    from jwcrypto import jwk
    from jwcrypto import jws as jwcrypto

    key = SigningKey(seed)
    theirs = jwk.JWK(**jws.jwk(key.public))
    assert theirs.thumbprint() == key.kid
    found = jwcrypto.JWS()
    found.allowed_algs = ["Ed25519"]
    found.deserialize(sign_value(value, key), theirs)
    assert found.is_valid
    assert found.payload == canonical(value)


@pytest.mark.parametrize("algorithm", ALGORITHMS)
@settings(max_examples=20, deadline=None)
@given(value=VALUES, seed=SEEDS)
def test_what_joserfc_signs_verifies_here(
    algorithm: str, value: dict[str, object], seed: bytes
) -> None:
    from joserfc import jws as joserfc
    from joserfc.errors import SecurityWarning
    from joserfc.jwk import OKPKey

    key = SigningKey(seed)
    theirs = OKPKey.import_key({**jws.jwk(key.public), "d": jws.encode(seed)})
    header = {"alg": algorithm, "kid": key.kid}
    with warnings.catch_warnings():
        # EdDSA: a name that RFC 9864 deprecates; it is still met.
        warnings.simplefilter("ignore", SecurityWarning)
        signed = joserfc.serialize_compact(header, canonical(value), theirs, algorithms=[algorithm])
    assert verify_value(signed, key.public) == value


@pytest.mark.parametrize("algorithm", ALGORITHMS)
@settings(max_examples=20, deadline=None)
@given(value=VALUES, seed=SEEDS)
def test_what_jwcrypto_signs_verifies_here(
    algorithm: str, value: dict[str, object], seed: bytes
) -> None:
    from jwcrypto import jwk
    from jwcrypto import jws as jwcrypto

    key = SigningKey(seed)
    theirs = jwk.JWK(**jws.jwk(key.public), d=jws.encode(seed))
    made = jwcrypto.JWS(canonical(value))
    made.allowed_algs = [algorithm]
    made.add_signature(theirs, None, json.dumps({"alg": algorithm}))
    assert verify_value(made.serialize(compact=True), key.public) == value


# openssl

# RFC 8410, 4: what stands before the 32 bytes of a public key in its DER form.
DER = bytes.fromhex("302a300506032b6570032100")


def openssl_says(folder: Path, signed: str, public: bytes) -> bool:
    """Whether `openssl pkeyutl -verify` takes the signature, by its exit code."""
    if shutil.which("openssl") is None:
        missing("the openssl command")
    head, _, signature = signed.rpartition(".")
    (folder / "public.der").write_bytes(DER + public)
    (folder / "signed.txt").write_text(head)
    (folder / "signature.bin").write_bytes(jws.decode(signature, "it"))
    run = subprocess.run(
        (
            *("openssl", "pkeyutl", "-verify", "-pubin", "-keyform", "DER"),
            *("-inkey", "public.der", "-rawin", "-in", "signed.txt", "-sigfile", "signature.bin"),
        ),
        cwd=folder,
        capture_output=True,
        text=True,
    )
    assert "Verif" in run.stdout + run.stderr, run.stderr
    return run.returncode == 0


def test_openssl_verifies_the_example_of_rfc_8037(tmp_path: Path) -> None:
    assert openssl_says(tmp_path, f"{INPUT}.{SIGNATURE}", PUBLIC)


def test_openssl_verifies_what_is_signed_here_and_refuses_what_was_changed(tmp_path: Path) -> None:
    signed = sign(b"what was done, when, by whom", KEY)
    assert openssl_says(tmp_path, signed, KEY.public)
    assert not openssl_says(tmp_path, signed, SigningKey(bytes(32)).public)
    head, payload, signature = signed.split(".")
    other = jws.encode(b"what was done, when, by whon")
    assert not openssl_says(tmp_path, f"{head}.{other}.{signature}", KEY.public)
    assert payload != other

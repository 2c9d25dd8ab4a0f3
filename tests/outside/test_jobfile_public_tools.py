"""A job file checked with nothing of ours: unzip, sha256sum, sed, basenc and openssl, following the
page in the file to the letter, and two JOSE libraries of others.

The tools are GNU coreutils, Info-ZIP and OpenSSL 3; the signatures are compact JWS (RFC 7515) with
Ed25519 (RFC 8037, RFC 9864), the keys a JWK set (RFC 7517) and PEM (RFC 8410).
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.conftest import missing
from tests.job.jobfiles import KEY, file_of, members, whole_job
from verify.job.entry import hide
from verify.job.jobfile_page import how_to_check

TOOLS = ("unzip", "sha256sum", "sed", "cut", "basenc", "openssl", "bash", "seq", "cmp", "grep")


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    for tool in TOOLS:
        if shutil.which(tool) is None:
            missing(f"the program {tool}")
    folder = tmp_path_factory.mktemp("by-hand")
    desk = whole_job(folder)
    digest, kept = hide("the van of the bakery, half past seven")
    from verify.job import bodies
    from verify.terminal.desk import Secrets

    apart = Secrets()
    apart.kept[digest] = kept
    desk.write("note", bodies.note_body(desk.live(), {"note": digest}), apart)
    (folder / "job.zip").write_bytes(file_of(desk, personal={digest: kept}))
    return folder


def commands(number: int) -> str:
    """The commands of one numbered section of the page: its indented lines."""
    section = re.split(r"(?m)^(?=\d\. )", how_to_check())[number]
    assert section.startswith(f"{number}. ")
    return "\n".join(line for line in section.splitlines() if line.startswith("    "))


def shell(text: str, folder: Path, **words: str) -> str:
    for name, value in words.items():
        text = text.replace(name, value)
    done = subprocess.run(
        ["bash", "-eu", "-c", text], cwd=folder, capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def checked(folder: Path) -> Path:
    said = shell(commands(2), folder, FILE="job.zip")
    assert ": FAILED" not in said
    assert said.count(": OK") == len(members((folder / "job.zip").read_bytes())) - 3
    assert said.rstrip().endswith("\n1")
    return folder / "checked"


def test_the_seal_is_what_sha256sum_says(folder: Path) -> None:
    lines = commands(1).splitlines()
    shown = shell(lines[0], folder, FILE="job.zip")
    found = re.search(r"SHA-256 of the (\d+) bytes before this text is\n([0-9a-f]{64})\n", shown)
    assert found is not None
    own = shell(lines[1], folder, FILE="job.zip", N=found[1])
    assert own == f"{found[2]}  -\n"


def test_unzip_finds_nothing_wrong(folder: Path) -> None:
    assert "No errors detected" in shell("unzip -t job.zip", folder)


def test_evidence_bears_its_hash_as_its_name(checked: Path) -> None:
    for line in shell("sha256sum evidence/*", checked).splitlines():
        digest, name = line.split("  ")
        assert name == f"evidence/{digest}"


def test_openssl_verifies_the_manifest_and_every_signature(checked: Path) -> None:
    text = commands(3)
    said = shell(text, checked, KID=KEY.kid)
    assert json.loads(said[: said.index("}") + 1])["kid"] == KEY.kid
    assert "Signature Verified Successfully" in said
    assert said.endswith(KEY.kid), "the fingerprint that the page computes"
    for signature in ("signatures/15.jws", "signatures/20.jws"):
        # Its payload is a statement and not the manifest: without the comparison.
        other = text.replace("part 2 manifest.jws | cmp - manifest.json", "")
        said = shell(other.replace("manifest.jws", signature), checked, KID=KEY.kid)
        assert "Signature Verified Successfully" in said


def test_openssl_refuses_a_changed_manifest(checked: Path) -> None:
    text = commands(3).replace("> signed\n", "> signed; printf x >> signed\n")
    with pytest.raises(AssertionError, match="Signature Verification Failure"):
        shell(text, checked, KID=KEY.kid)


def test_the_chain_is_followed_with_sed_and_sha256sum(checked: Path) -> None:
    manifest = json.loads((checked / "manifest.json").read_text())
    loop, decode = commands(4).split("    part 2 ")
    assert shell(loop, checked) == f"head {manifest['head']}\n"
    part = commands(3)[: commands(3).index("    part 2")]
    said = json.loads(shell(f"{part}part 2 {decode}", checked, ENTRY="15"))
    entries = [json.loads(line) for line in (checked / "journal.jsonl").read_text().splitlines()]
    assert (said["seq"], said["head"], said["job"]) == (14, entries[13]["digest"], "tester")


def test_a_changed_entry_is_found_by_the_same_commands(checked: Path, tmp_path: Path) -> None:
    text = (checked / "journal.jsonl").read_text()
    loop = commands(4).split("    part 2 ")[0]
    (tmp_path / "journal.jsonl").write_text(text.replace('"text":"9"', '"text":"8"', 1))
    assert "CHANGED\n" in shell(loop, tmp_path)
    lines = text.splitlines(keepends=True)
    (tmp_path / "journal.jsonl").write_text("".join(lines[:4] + lines[5:]))
    assert "BROKEN LINK\n" in shell(loop, tmp_path)


def test_the_edition_is_the_one_of_the_first_line(checked: Path) -> None:
    first = json.loads((checked / "journal.jsonl").read_text().splitlines()[0])
    assert shell("sha256sum edition.json", checked).startswith(first["body"]["edition"])


def test_a_personal_value_is_what_its_digest_stands_for(checked: Path) -> None:
    (row,) = json.loads((checked / "personal.json").read_text())
    said = shell(commands(6), checked, SALT=row["salt"], VALUE=row["value"])
    assert said == f"{row['digest']}  -\n"


def test_joserfc_verifies_manifest_signatures_and_seal(checked: Path, folder: Path) -> None:
    from joserfc import jws
    from joserfc.jwk import KeySet

    keys = KeySet.import_key_set(
        {"keys": json.loads((checked / "keys.json").read_text())["keys"]}  # type: ignore[arg-type]
    )
    manifest = (checked / "manifest.json").read_bytes()
    comment = shell("unzip -z job.zip", folder)
    seal = re.search(r"signed: (\S+)", comment)
    assert seal is not None
    signed = [p.read_text().strip() for p in sorted((checked / "signatures").iterdir())]
    for text in ((checked / "manifest.jws").read_text().strip(), seal[1], *signed):
        key = keys.get_by_kid(KEY.kid)
        payload = jws.deserialize_compact(text, key, algorithms=["Ed25519"]).payload
        assert payload == manifest or json.loads(payload)["seq" if text in signed else "sealed"]


def test_jwcrypto_verifies_the_manifest(checked: Path) -> None:
    from jwcrypto import jwk, jws

    rows = json.loads((checked / "keys.json").read_text())["keys"]
    keys = jwk.JWKSet.from_json(json.dumps({"keys": rows}))
    token = jws.JWS()
    token.allowed_algs = ["Ed25519", "EdDSA"]
    token.deserialize((checked / "manifest.jws").read_text().strip())
    token.verify(keys.get_key(KEY.kid))
    assert token.payload == (checked / "manifest.json").read_bytes()


def test_openssl_reads_the_keys_as_the_jwk_set_gives_them(checked: Path) -> None:
    from verify.job.jws import encode

    der = subprocess.run(
        ["openssl", "pkey", "-pubin", "-in", f"keys/{KEY.kid}.pem", "-outform", "DER"],
        cwd=checked,
        capture_output=True,
        check=True,
    ).stdout
    rows = json.loads((checked / "keys.json").read_text())["keys"]
    assert [r["x"] for r in rows if r["kid"] == KEY.kid] == [encode(der[-32:])]

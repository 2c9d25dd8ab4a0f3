"""The PDF report, opened by readers that are not ours: pypdf, PDFium, and the standards' own marks.

Sources: ISO 32000-1 (structure, embedded files), ISO 19005-3 (PDF/A-3: XMP marks, embedded fonts,
associated files), ISO 14289-1 (PDF/UA-1), as far as their marks can be read; no validator here.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import subprocess
import sys
import zlib
from functools import cache
from pathlib import Path
from typing import Any

import pypdf
import pypdfium2
import pytest

from tests.conftest import ROOT
from tests.report import jobs
from tests.terminal.walks import keysback
from verify.job.entry import Entry, verify_chain
from verify.report.document import Mark, Reader, Stage
from verify.report.letters import NO_LETTER
from verify.report.pdf import EDITION, RECORD, to_pdf
from verify.terminal.cmd_report import report_of
from verify.terminal.desk import Desk

ALL = [r.value for r in Reader]


@cache
def van_pdf(reader: str) -> bytes:
    return to_pdf(jobs.van_report(reader))


def pdf_of(desk: Desk, reader: str, *, unmask: bool = False) -> bytes:
    return to_pdf(report_of(desk.journal, desk.job, reader, unmask=unmask))


def opened(data: bytes) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(data), strict=True)


def text_of(data: bytes) -> str:
    """By PDFium, in reading order; breaks of lines are blanks."""
    document = pypdfium2.PdfDocument(data)
    try:
        pages = [p.get_textpage().get_text_bounded() for p in document]
    finally:
        document.close()
    return " ".join(" ".join(pages).split())


def plain(text: str) -> str:
    return re.sub(r"\W+", "", text)


def everything(data: bytes) -> bytes:
    """The bytes as they are, and every stream in them unpacked."""
    found = [data]
    for start in re.finditer(rb"stream\r?\n", data):
        try:
            found.append(zlib.decompressobj().decompress(data[start.end() :]))
        except zlib.error:
            continue
    return b"\n".join(found)


# ---- the file --------------------------------------------------------------------------------


@pytest.mark.parametrize("reader", ALL)
def test_it_says_of_itself_that_it_is_archivable_and_accessible(reader: str) -> None:
    own = opened(van_pdf(reader))
    metadata = own.trailer["/Root"]["/Metadata"].get_data().decode()
    assert re.search(r"pdfaid:part>3<|pdfaid:part=\"3\"", metadata)
    assert re.search(r"pdfaid:conformance>A<|pdfaid:conformance=\"A\"", metadata)
    assert re.search(r"pdfuaid:part>1<|pdfuaid:part=\"1\"", metadata)
    root = own.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"].value is True
    assert str(root["/Lang"]).startswith("en")
    assert "/StructTreeRoot" in root
    assert root["/OutputIntents"]
    assert not own.is_encrypted
    assert "job" in own.metadata.title


@pytest.mark.parametrize("reader", ALL)
def test_every_font_is_inside(reader: str) -> None:
    found = set()
    for page in opened(van_pdf(reader)).pages:
        for font in page["/Resources"].get("/Font", {}).values():
            own: Any = font.get_object()
            below: Any = own.get("/DescendantFonts", [own])[0].get_object()
            descriptor = below["/FontDescriptor"]
            assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(descriptor), own
            found.add(str(own["/BaseFont"]))
    assert any("IBMPlexSans" in name for name in found), found


@pytest.mark.parametrize("reader", ALL)
def test_the_record_and_the_edition_are_attached_as_they_are(reader: str) -> None:
    own = opened(van_pdf(reader))
    report = jobs.van_report(reader)
    assert own.attachments[RECORD] == [report.record]
    assert own.attachments[EDITION] == [report.edition]
    (content,) = own.attachments[EDITION]
    session = jobs.van_desk().session()
    assert hashlib.sha256(content).hexdigest() == session.edition
    (lines,) = own.attachments[RECORD]
    entries = tuple(Entry(**json.loads(line)) for line in lines.decode().splitlines())
    verify_chain(entries)
    assert entries == session.history
    # ISO 19005-3, 6.8: every attached file is associated, and says how.
    associated = own.trailer["/Root"]["/AF"]
    assert {str(f.get_object()["/AFRelationship"]) for f in associated} == {"/Source"}


def test_every_picture_has_its_words() -> None:
    own = opened(van_pdf("workshop"))
    told = []

    def walk(node: Any) -> None:
        node = node.get_object() if hasattr(node, "get_object") else node
        if isinstance(node, list):
            for item in node:
                walk(item)
        elif isinstance(node, dict):
            if node.get("/S") == "/Figure":
                told.append(str(node.get("/Alt", "")))
            if "/K" in node:
                walk(node["/K"])

    walk(own.trailer["/Root"]["/StructTreeRoot"])
    report = jobs.van_report("workshop")
    stages = [b for s in report.sections for b in s.blocks if isinstance(b, Stage)]
    alts = [f.alt for s in stages for f in s.figures]
    alts += [v.strip_alt for s in stages for v in s.verdicts if v.strip]
    assert len(told) == len(alts) + 1, "and the QR code"
    assert set(alts) <= set(told)
    assert all(told)


# ---- what stands in it -------------------------------------------------------------------------


def test_the_customer_gets_one_page() -> None:
    assert len(opened(van_pdf("customer")).pages) == 1
    for desk in (jobs.stopped(), jobs.corrected(), jobs.opened()):
        assert len(opened(pdf_of(desk, "customer")).pages) == 1


def test_however_much_was_said_the_customer_gets_one_page() -> None:
    desk = jobs.typed(jobs.small(), "It shakes and stalls at every light. " * 200, "none",
                      "!cannot", "the wrench is away " * 60, "!cannot", "no meter " * 90,
                      "!cannot", "no reader " * 90, "2", "hurry " * 90, "1", "1",
                      "!cannot", "no adapter " * 90)  # fmt: skip
    data = pdf_of(desk, "customer")
    assert len(opened(data).pages) == 1
    assert plain("not a statutory roadworthiness test") in plain(text_of(data))


def test_every_verdict_can_be_read_in_the_workshops_report() -> None:
    said = plain(text_of(van_pdf("workshop")))
    stages = [b for s in jobs.van_report("workshop").sections for b in s.blocks
              if isinstance(b, Stage)]  # fmt: skip
    boxes = [v for s in stages for v in s.verdicts]
    assert len(boxes) >= 15
    for box in boxes:
        for words in (box.check, box.word, box.number, box.limits, box.source, box.settle):
            assert plain(words) in said, words
    for stage in stages:
        assert plain(stage.title) in said


@pytest.mark.parametrize("reader", ALL)
def test_nothing_is_clipped(reader: str) -> None:
    """Each letter lies within its page, with room for a printer's edge (5 mm)."""
    edge = 5 / 25.4 * 72
    document = pypdfium2.PdfDocument(van_pdf(reader))
    try:
        for page in document:
            width, height = page.get_size()
            text = page.get_textpage()
            assert text.count_chars() > 20
            for place in range(text.count_chars()):
                if not text.get_text_range(place, 1).strip():
                    continue
                left, bottom, right, top = text.get_charbox(place)
                assert edge <= left, place
                assert right <= width - edge, text.get_text_range(place, 40)
                assert edge <= bottom
                assert top <= height - edge
    finally:
        document.close()


@pytest.mark.parametrize("reader", ALL)
def test_no_two_lines_lie_on_each_other(reader: str) -> None:
    """No letter's middle lies inside another letter of another line."""
    document = pypdfium2.PdfDocument(van_pdf(reader))
    try:
        for page in document:
            text = page.get_textpage()
            boxes = [
                (*text.get_charbox(i), i)
                for i in range(text.count_chars())
                if text.get_text_range(i, 1).strip()
            ]
            boxes.sort(key=lambda b: b[0])
            for at, (left, bottom, right, top, own) in enumerate(boxes):
                for other in boxes[at + 1 : at + 400]:
                    if other[0] >= right:
                        break
                    x = (other[0] + other[2]) / 2
                    y = (other[1] + other[3]) / 2
                    over = left < x < right and bottom < y < top and abs(own - other[4]) > 3
                    assert not over, (text.get_text_range(own, 30),
                                      text.get_text_range(other[4], 30))  # fmt: skip
    finally:
        document.close()


def test_stop_is_unmistakable() -> None:
    """On the page as a picture: a dark panel across its width, and the words in large letters."""
    data = pdf_of(jobs.stopped(), "customer")
    document = pypdfium2.PdfDocument(data)
    try:
        page = document[0]
        picture = page.render(scale=1, grayscale=True).to_numpy().squeeze()
        text = page.get_textpage()
        found = text.search("DO NOT DRIVE").get_next()
        assert found is not None
        box = text.get_charbox(found[0])
    finally:
        document.close()
    dark = (picture < 40).mean(axis=1)
    assert (dark > 0.6).sum() >= 40, "40 points of height are dark over most of the width"
    assert box[3] - box[1] >= 14, "a capital of 14 points at least"
    assert jobs.van_report("customer").head.mark is Mark.GO
    assert "DO NOT DRIVE" not in text_of(van_pdf("customer"))


# ---- masks -------------------------------------------------------------------------------------


@pytest.mark.parametrize("reader", ALL)
@pytest.mark.parametrize(("car", "secret"), [(jobs.VIN, jobs.VIN), (jobs.PLATE, jobs.PLATE)])
def test_a_masked_car_is_nowhere_in_the_file(reader: str, car: str, secret: str) -> None:
    desk = jobs.recorded(car=car, model=f"2019 Brindle {secret}")
    data = pdf_of(desk, reader)
    compact = secret.replace("-", "")
    for form in (secret, compact):
        assert form.encode() not in everything(data)
        assert form.encode("utf-16-be") not in everything(data)
        assert form not in text_of(data)
    for page in opened(data).pages:
        assert plain(secret) not in plain(page.extract_text())
    unmasked = pdf_of(desk, reader, unmask=True)
    assert plain(secret) in plain(text_of(unmasked)), "the search would have found it"


# ---- always the same ---------------------------------------------------------------------------


def test_two_processes_in_other_places_and_times_write_the_same_bytes(tmp_path: Path) -> None:
    store = tmp_path / "store"
    assert keysback("demo", "--store", str(store)).returncode == 0
    (row,) = json.loads(keysback("jobs", "--json", "--store", str(store)).stdout)
    found = []
    for place, zone, kind in (("a", "UTC", "pdf"), ("b", "Asia/Kolkata", "pdf"),
                              ("a", "UTC", "html"), ("b", "Asia/Kolkata", "html")):  # fmt: skip
        folder = tmp_path / f"{place}{kind}"
        folder.mkdir()
        path = folder / f"x.{kind}"
        done = subprocess.run(
            [sys.executable, "-m", "verify", "report", row["job"], "--for", "workshop",
             "--store", str(store), "-o", str(path)],
            cwd=folder, capture_output=True, text=True, timeout=120,
            env={**os.environ, "TZ": zone, "PYTHONPATH": str(ROOT), "PYTHONHASHSEED": (place == "a"
                 and "1") or "2"},
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        found.append(hashlib.sha256(path.read_bytes()).hexdigest())
    assert found[0] == found[1]
    assert found[2] == found[3]


def test_the_date_is_the_jobs_own() -> None:
    made = opened(van_pdf("customer")).metadata.creation_date
    assert made is not None
    assert made.isoformat()[:10] == jobs.van_desk().session().updated[:10]


# ---- letters -----------------------------------------------------------------------------------


def test_other_scripts_are_set_and_what_no_font_has_is_marked() -> None:
    said = "Ревёт на холостых · Ż őű ğ · ρπμ · \U0001f697 車が揺れる ➜ ½"
    data = pdf_of(jobs.typed(jobs.small(), said, "none", "!pause"), "workshop")
    text = text_of(data)
    assert "Ревёт на холостых" in text
    assert "Ż őű ğ" in text
    assert "\U0001f697" not in text
    assert NO_LETTER in text


def test_what_was_typed_is_text_and_never_markup() -> None:
    nasty = '#panic("x") $x$ *bold* <label> @ref \\ `raw` #sys.inputs = heading // comment {{x}}'
    data = pdf_of(jobs.typed(jobs.small(), nasty, "none", "!pause"), "workshop")
    assert plain(nasty) in plain(text_of(data))

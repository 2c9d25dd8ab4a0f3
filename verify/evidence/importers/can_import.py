"""Bus logs with standard diagnostic answers as recordings.

The readers give frames, `can_answers` what the control units said; here that becomes channels. A
log in which nobody asked the standard questions holds nothing that is known here, and is refused:
a recording without a single channel would only look like evidence.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import BinaryIO

from verify.errors import UserError
from verify.evidence.channels import layout_key
from verify.evidence.importers.can_answers import Answers, answers_of
from verify.evidence.importers.can_frames import Log
from verify.evidence.importers.can_table import is_frame_table, read_frame_table
from verify.evidence.importers.can_text import is_text_log, read_log
from verify.evidence.importers.events import events_to_recording
from verify.evidence.importers.port import HEAD_BYTES, Importer, Layout, refusal
from verify.evidence.importers.table_columns import Draft, check_headers, decide
from verify.evidence.recording import Recording


class CanTextImporter:
    """Bus logs as text: candump, ASC, TRC, and tables with a frame a row."""

    name = "can-text"
    version = 3

    def accepts(self, head: bytes) -> bool:
        return is_text_log(head) or is_frame_table(head)

    def look(self, stream: BinaryIO, source_name: str) -> Layout:
        return look_at(_read(stream, source_name), source_name)

    def read(
        self,
        stream: BinaryIO,
        source_name: str,
        *,
        mapping: Mapping[str, str] | None = None,
        interval_s: float | None = None,
    ) -> Recording:
        log = _read(stream, source_name)
        return log_to_recording(log, source_name, self, mapping, interval_s)


class CanBlfImporter:
    """Bus logs in binary form (BLF); needs the extra `can`."""

    name = "can-blf"
    version = 3

    def accepts(self, head: bytes) -> bool:
        return head.startswith(b"LOGG")

    def look(self, stream: BinaryIO, source_name: str) -> Layout:
        from verify.evidence.importers.can_blf import read_blf

        return look_at(read_blf(stream, source_name), source_name)

    def read(
        self,
        stream: BinaryIO,
        source_name: str,
        *,
        mapping: Mapping[str, str] | None = None,
        interval_s: float | None = None,
    ) -> Recording:
        from verify.evidence.importers.can_blf import read_blf

        log = read_blf(stream, source_name)
        return log_to_recording(log, source_name, self, mapping, interval_s)


def _read(stream: BinaryIO, source_name: str) -> Log:
    head = stream.read(HEAD_BYTES)
    stream.seek(0)
    if is_text_log(head):
        return read_log(stream, source_name, head)
    return read_frame_table(stream, source_name)


def look_at(log: Log, source_name: str) -> Layout:
    answers = _answers(log, source_name)
    return Layout(layout_key(p.header for p in answers.proposals), answers.proposals, True)


def log_to_recording(
    log: Log,
    source_name: str,
    importer: Importer,
    mapping: Mapping[str, str] | None,
    interval_s: float | None,
) -> Recording:
    """Arguments and errors as `Importer.read`. Of the buses nothing is kept but the answers."""
    if interval_s is not None:
        raise told_interval(source_name)
    said = {k: v.strip() for k, v in (mapping or {}).items()}
    answers = _answers(log, source_name)
    try:
        check_headers(said, [p.header for p in answers.proposals])
        draft = Draft(repairs=[*log.repairs, *answers.repairs])
        uses = decide(answers.proposals, said, "", draft)
        draft.unmapped.extend(answers.unknown)
        return events_to_recording(
            answers.events, uses, draft, source_name=source_name, sha256=log.sha256,
            importer=importer.name, version=importer.version, rows=answers.messages,
        )  # fmt: skip
    except UserError as error:
        raise error.within(file=source_name) from None


def told_interval(source_name: str) -> UserError:
    return refusal(
        "an interval that was told, and a time at each reading in the file",
        source_name,
        expected="one of the two",
        next="leave the interval out",
    )


def _answers(log: Log, source_name: str) -> Answers:
    answers = answers_of(log.frames)
    if answers is not None:
        return answers
    raise refusal(
        "a bus log without answers to the standard questions (service 01)",
        source_name,
        expected="answers of a control unit, on the identifiers 7E8 to 7EF or 18DAF1xx",
        next="log again while a reader asks for engine speed, vehicle speed and the other values, "
        "or export decoded values as a table",
    )

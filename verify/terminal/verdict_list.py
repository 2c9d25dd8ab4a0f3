"""Many checks' results on one screen, in the order in which a bay needs them.

What failed, in full; what is open, with what settles it, asked once where it is the same; what
passed, a line each; and what this recording does not speak of, in one sentence. Pure: makes
renderables, prints nothing. `show_verdict` has the forms for one result.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from rich.console import Group, RenderableType
from rich.text import Text

from verify.evidence.verdict import CheckResult
from verify.terminal.marks import MARKS, STYLES, WORDS
from verify.terminal.not_judged import not_judged
from verify.terminal.screen import rows
from verify.terminal.show_verdict import (
    band_text,
    head_line,
    labelled,
    measured,
    sentence,
    verdict_block,
)
from verify.terminal.tongue import check_name, said, tr, why
from verify.words import Verdict

__all__ = ["arranged", "folded", "not_judged", "tally"]

IN_FULL = "What each needs: --all"


def arranged(
    results: Sequence[CheckResult],
    system: str = "metric",
    *,
    needed: Collection[str] = (),
    more: str = IN_FULL,
) -> list[RenderableType]:
    """The results in the order above; each renderable stands apart from the next by a blank line.

    system: "metric" or "us", for numbers and limits. needed: checks that a step must pass; they are
    never folded, because somebody must know what settles them. more: where to find what is folded.
    """
    failed = [r for r in results if r.verdict is Verdict.FAIL]
    passed = [r for r in results if r.verdict is Verdict.PASS]
    rest = [r for r in results if r.verdict is Verdict.UNDECIDED]
    shown: list[RenderableType] = [verdict_block(r, system=system) for r in failed]
    nothing = [r for r in rest if not_judged(r) and r.check not in needed]
    shown += _open(r for r in rest if r not in nothing)
    if passed:
        shown.append(_passes(passed, system))
    if nothing:
        shown.append(folded(nothing, more))
    return shown


def _open(results: Iterable[CheckResult]) -> list[RenderableType]:
    """Undecided results. Those that the same doing settles stand together above it, and those that
    say the same are one."""
    groups: dict[str, dict[tuple[str, str], list[CheckResult]]] = {}
    for result in results:
        own = groups.setdefault(result.settle, {})
        own.setdefault((result.finding, result.why), []).append(result)
    shown: list[RenderableType] = []
    for settle, alike in groups.items():
        lines: list[RenderableType] = []
        for same in alike.values():
            names, r = ", ".join(check_name(r.check) for r in same), same[0]
            lines += [head_line(r, names), labelled("", why(r.check, r.finding, sentence(r.why)))]
        if settle:
            label = tr("settles it") if len(alike) == 1 else tr("settles all")
            lines.append(labelled(label, said(sentence(settle))))
        shown.append(Group(*lines))
    return shown


def _passes(results: Sequence[CheckResult], system: str) -> RenderableType:
    wide = max(len(check_name(r.check)) for r in results)
    word = f"{MARKS[Verdict.PASS]} {tr(WORDS[Verdict.PASS])}"
    pairs = []
    for result in results:
        label = Text(word, style=STYLES[Verdict.PASS])
        label.append("  ")
        label.append(check_name(result.check), style="bold default")
        pairs.append((label, _short(result, system)))
    block: RenderableType = rows(pairs, len(word) + 2 + wide, indent=0)
    return block


def _short(result: CheckResult, system: str) -> str:
    """The number and its band without their sources, or the sentence where there is none."""
    number = measured(result, system, coverage=False)
    band = band_text(result.limits, system)
    if number and band and result.uncertainty is not None and shows_it_alone(result):
        return f"{number} ({band})"
    return why(result.check, result.finding, sentence(result.why), brief=True)


def shows_it_alone(result: CheckResult) -> bool:
    """Whether the number with twice its uncertainty lies within the limits. Where it does not and
    the check passed all the same, other evidence decided, and only the sentence says which."""
    limits, value = result.limits, result.value
    if limits is None or value is None:
        return True
    doubt = 2.0 * (result.uncertainty or 0.0)
    above = limits.upper is not None and value + doubt > limits.upper
    return not above and not (limits.lower is not None and value - doubt < limits.lower)


def folded(results: Sequence[CheckResult], more: str = "") -> RenderableType:
    """In one sentence what this recording does not speak of. more: where that is to be found."""
    by_reason: dict[str, list[str]] = {}
    for result in results:
        words = said(result.why).rstrip(".").removeprefix("the recording has ").replace(";", ",")
        by_reason.setdefault(words, []).append(check_name(result.check))
    text = Text(tr("Not judged, so undecided: "), style="bold")
    told = "; ".join(f"{', '.join(names)}: {words}" for words, names in by_reason.items())
    text.append(f"{told}.", style="not bold")
    if more:
        text.append(f" {more}", style="dim not bold")
    return text


def tally(results: Sequence[CheckResult], needed: Collection[str] = ()) -> Text:
    """One line for the foot of the screen: how many of each, and which failed.

    needed: checks that are counted as undecided even where there was nothing to judge.
    """
    failed = [check_name(r.check) for r in results if r.verdict is Verdict.FAIL]
    silent = sum(1 for r in results if not_judged(r) and r.check not in needed)
    still_open = sum(1 for r in results if r.verdict is Verdict.UNDECIDED) - silent
    passed = sum(1 for r in results if r.verdict is Verdict.PASS)
    parts = []
    if failed:
        parts.append((Verdict.FAIL, tr("failed: {checks}", checks=", ".join(failed))))
    if still_open:
        parts.append((Verdict.UNDECIDED, tr("{n} undecided", n=still_open)))
    if passed:
        parts.append((Verdict.PASS, tr("{n} passed", n=passed)))
    line = Text(tr("In short: "), style="bold")
    for number, (verdict, words) in enumerate(parts):
        line.append(" · " if number else "", style="not bold")
        line.append(f"{MARKS[verdict]} {words}", style=STYLES[verdict])
    if silent:
        line.append((" · " if parts else "") + tr("{n} not judged", n=silent), style="not bold")
    return line

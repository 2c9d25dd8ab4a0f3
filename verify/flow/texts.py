"""The texts of a flow or part that people read, and side files that hold them in another language.

    tree ─texts_of→ {path: text}
    side file (tree of the same shape, {en, de} at each text) ─read_side→ texts in that language

Beside `load`, which pins side files with the edition and builds the graph from trees whose texts
were replaced (`in_words`): the graph, and all that reads it, need not know of languages.

A side file has the shape of its flow, so that an author sees what belongs where, and holds the
English beside each translation: whoever translates reads both, and an English text that was changed
marks its translation as stale by itself. A fingerprint would do so too, but nobody can read one.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from verify.errors import Problem, nearest
from verify.flow.text import Path, Tree
from verify.words import ENGLISH, LANGUAGES

WAS = "was"
"""Beside a text whose English has changed: the translation of before, for whoever looks again."""

LONGEST_SHORT = 120
LONGEST_TEXT = 2000

# What people read of each group; other fields are names, numbers and conditions. Not among them:
# the source of limits, which is stored with each verdict and stays as it is written.
_TOP = ("title", "repair")
_SPEC = ("title", "say")
_STEP = ("title", "say", "owner", "why", "optional", "least_reason", "order_spec")
_LATER = ("settle", "by")
_TOLD = ("question", "passes", "fails", "unsure")
_ENDING = ("title", "advice", "owner", "who")
# Fields as long as a row of a list (`Short` in the model); the others may be paragraphs.
_SHORT = frozenset(("title", "by", "passes", "fails", "unsure"))
_SHORT_GROUPS = frozenset(("answers", "items", "second_look"))


@dataclass(frozen=True, slots=True)
class Side:
    """A side file as read. texts: path in the flow → text; problems: why it cannot be used."""

    language: str
    data: Mapping[str, Any]
    texts: Mapping[Path, str]
    problems: tuple[Problem, ...] = ()


def texts_of(data: Mapping[str, Any]) -> dict[Path, str]:
    """Every text of a flow's or part's tree that people read, in the order of the file.

    The tree need not be valid: what is no text is left out here and refused by the model.
    """
    return {path: " ".join(text.split()) for path, text in _texts(data)}


def _texts(data: Mapping[str, Any]) -> Iterator[tuple[Path, str]]:
    yield from _fields((), data, _TOP)
    yield from _fields(("second_look",), _group(data, "second_look"), None)
    for name, spec in _group(data, "specs").items():
        yield from _fields(("specs", name), spec, _SPEC)
    for name, step in _group(data, "steps").items():
        at: Path = ("steps", name)
        yield from _fields(at, step, _STEP)
        for key, known in (("answers", None), ("items", None), ("told", _TOLD), ("later", _LATER)):
            yield from _fields((*at, key), _group(step, key), known)
    for name, ending in _group(data, "endings").items():
        yield from _fields(("endings", name), ending, _ENDING)


def _group(data: Any, key: str) -> Mapping[str, Any]:
    found = data.get(key) if isinstance(data, dict) else None
    return found if isinstance(found, dict) else {}


def _fields(at: Path, group: Any, known: tuple[str, ...] | None) -> Iterator[tuple[Path, str]]:
    if isinstance(group, dict):
        for name, value in group.items():
            if isinstance(value, str) and (known is None or name in known):
                yield (*at, name), value


def in_words(tree: Tree, texts: Mapping[Path, str]) -> Tree:
    """The tree with these texts in place of its own; lines and columns stay those of the flow."""

    def put(node: Any, at: Path) -> Any:
        if isinstance(node, dict):
            return {name: put(value, (*at, name)) for name, value in node.items()}
        return texts.get(at, node)

    return replace(tree, data=put(tree.data, ()))


def read_side(side: Tree, flow: Tree, language: str) -> Side:
    """A side file held against the flow or part that it translates. Never raises.

    Its problems: a text that is missing, one for something that is not there, one whose English has
    changed, one of the wrong form, one that loses a number or a placeholder of the English.
    """
    reader = _Reader(side, language)
    reader.head(flow)
    wanted = texts_of(flow.data)
    reader.walk(side.data, (), wanted)
    reader.missing(wanted)
    problems = sorted(reader.problems, key=lambda p: (p.line, p.column))
    return Side(language, side.data, reader.texts, tuple(problems))


def stored_side(data: Mapping[str, Any], flow: Tree, language: str) -> Side:
    """A side file out of a stored edition, where it was whole when the job was opened."""
    return read_side(Tree.unmarked(dict(data), f"edition, {language}"), flow, language)


class _Reader:
    def __init__(self, side: Tree, language: str) -> None:
        self.side, self.language = side, language
        self.name = LANGUAGES.get(language, language)
        self.texts: dict[Path, str] = {}
        self.stands: set[Path] = set()  # something was said of these
        self.problems: list[Problem] = []

    def say(self, path: Path, problem: Problem, *, key: bool = False) -> None:
        line, column = (self.side.key_place if key else self.side.place)(path)
        self.problems.append(
            problem.within(
                file=self.side.source, line=line, column=column, field=".".join(map(str, path))
            )
        )

    def head(self, flow: Tree) -> None:
        kind = "part" if "keysback_part" in flow.data else "flow"
        for name, expected in (
            ("keysback_words", 1),
            (kind, flow.data.get("id")),
            ("language", self.language),
        ):
            found = self.side.data.get(name)
            if found != expected or isinstance(found, bool):
                self.say(
                    (name,),
                    Problem(
                        found=f'"{found}"' if name in self.side.data else f'no field "{name}"',
                        expected=f'"{name}: {expected}"',
                        next=f'write "{name}: {expected}"',
                    ),
                )
        self.heads = ("keysback_words", "flow", "part", "language")

    def walk(self, node: Any, at: Path, wanted: Mapping[Path, str]) -> None:
        """Goes down as far as the flow has groups; what it finds at a text is read as one."""
        below = {path[len(at)] for path in wanted if path[: len(at)] == at and len(path) > len(at)}
        for name, value in node.items():
            path = (*at, name)
            if not at and name in self.heads:
                continue
            if path in wanted:
                self.text(path, value, wanted[path])
            elif name not in below:
                self.not_there(path, below, wanted)
            elif isinstance(value, dict):
                self.walk(value, path, wanted)
            else:
                self.stands |= {p for p in wanted if p[: len(path)] == path}
                self.say(
                    path,
                    Problem(
                        "text" if isinstance(value, str) else f"a {_kind(value)}",
                        "fields: " + ", ".join(sorted(_next(wanted, path))[:6]),
                        "write them below it, as in the flow",
                    ),
                )

    def not_there(self, path: Path, below: set[str | int], wanted: Mapping[Path, str]) -> None:
        known = sorted(map(str, below))
        what = "step of the flow" if path[:-1] == ("steps",) else "text"
        where = f' of "{path[-2]}"' if len(path) > 1 and what == "text" else ""
        guess = nearest(str(path[-1]), known)
        meant: Path = (*path[:-1], guess)
        # What it stands for is not missing as well.
        self.stands |= {p for p in wanted if guess and p[: len(meant)] == meant}
        self.say(
            path,
            Problem(
                found=f'"{path[-1]}"',
                expected=f"a {what}{where}: " + ", ".join(known[:12]),
                next=f'write "{guess}"' if guess else "remove it",
            ),
            key=True,
        )

    def text(self, path: Path, value: Any, english: str) -> None:
        self.stands.add(path)
        own = self.language
        if not isinstance(value, dict):
            form = f"{{{ENGLISH}: …, {own}: …}}"
            self.say(
                path,
                Problem(
                    "text alone" if isinstance(value, str) else f"a {_kind(value)}",
                    f"the English and its translation: {form}",
                    "write both; keysback flows translate does it",
                ),
            )
            return
        if self.wrong_fields(path, value):
            return
        here, there = " ".join(value[ENGLISH].split()), " ".join(value[own].split())
        if here != english:
            self.say(
                (*path, ENGLISH),
                Problem(
                    f'a translation of "{here}"',
                    f'one of "{english}", which stands in the flow now',
                    f"look at the {self.name} again; keysback flows translate puts the new "
                    "English beside it",
                ),
            )
        elif not there:
            self.say((*path, own), self.lacks(english))
        elif (lost := _lost(english, there)) is not None:
            self.say((*path, own), lost)
        elif len(there) > (most := _longest(path)):
            self.say(
                (*path, own),
                Problem(f"{len(there)} characters", f"at most {most}", "say it in fewer words"),
            )
        else:
            self.texts[path] = there

    def wrong_fields(self, path: Path, value: Mapping[str, Any]) -> bool:
        """Says what is wrong with the fields of one text."""
        before = len(self.problems)
        for name in value:
            if name not in (ENGLISH, self.language, WAS):
                self.say(
                    (*path, name),
                    Problem(
                        f'"{name}"', f"{ENGLISH} and {self.language}", "remove it, or rename it"
                    ),
                    key=True,
                )
        for name in (ENGLISH, self.language):
            if name not in value:
                self.say(
                    path,
                    Problem(
                        f"no {name}",
                        "the English that was translated"
                        if name == ENGLISH
                        else f"its {self.name}",
                        f'add "{name}:"',
                    ),
                )
            elif not isinstance(value[name], str):
                kind = _kind(value[name])
                self.say((*path, name), Problem(f"a {kind}", "text", "put it in quotes"))
        return len(self.problems) > before

    def lacks(self, english: str) -> Problem:
        return Problem(
            found=f"no {self.name} text",
            expected=f'the {self.name} of "{english}"',
            next="translate it; keysback flows translate lists what is open",
        )

    def missing(self, wanted: Mapping[Path, str]) -> None:
        said: set[Path] = set()
        for path, english in wanted.items():
            if path in self.stands:
                continue
            there = self.side.real_path(path)
            group: Path = tuple(path[: len(there) + 1])
            inside = [p for p in wanted if p[: len(group)] == group]
            if group in said:
                continue
            said.add(group)
            line, column = self.side.place(path)
            problem = self.lacks(english)
            if len(inside) > 1:
                problem = problem._replace(
                    found=f'no {self.name} for "{group[-1]}"',
                    expected=f"the {self.name} of its {len(inside)} texts",
                )
            field = ".".join(map(str, group))
            self.problems.append(
                problem.within(file=self.side.source, line=line, column=column, field=field)
            )


def _next(wanted: Mapping[Path, str], at: Path) -> set[str]:
    return {str(p[len(at)]) for p in wanted if p[: len(at)] == at}


def _kind(value: object) -> str:
    match value:
        case list():
            return "list"
        case dict():
            return "group of fields"
        case bool():
            return "word of yes or no"
    return "number"


def _longest(path: Path) -> int:
    short = path[-1] in _SHORT or (len(path) > 1 and path[-2] in _SHORT_GROUPS)
    return LONGEST_SHORT if short else LONGEST_TEXT


# "2,500" and "2.500" are one number in two languages, and so are "1.5" and "1,5".
_NUMBER = re.compile(r"\d+(?:[.,]\d+)*")
_BRACES = re.compile(r"\{[^{}]*\}")


def _lost(english: str, there: str) -> Problem | None:
    """A number or placeholder of the English that the translation lacks or adds; None for none.

    A wait of 5 s that becomes 50 s, or a torque, is no matter of style.
    """
    for pattern, what in ((_NUMBER, "number"), (_BRACES, "placeholder")):
        wants, has = (
            sorted(re.sub("[.,]", "", m) for m in pattern.findall(text))
            for text in (english, there)
        )
        for word in sorted({*wants, *has}):
            if (n := has.count(word)) != (m := wants.count(word)):
                return Problem(
                    found=f"the {what} {word} {_times(n)}",
                    expected=f'{_times(m)}, as in "{english}"',
                    next=f"write the {what}s as the English has them",
                )
    return None


def _times(count: int) -> str:
    return {0: "nowhere", 1: "once", 2: "twice"}.get(count, f"{count} times")

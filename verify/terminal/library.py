"""Where flows and parts come from: the packaged library, or files a person names."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from verify import tables
from verify.errors import Problem, UserError, unknown
from verify.flow.graph import Catalogue, Graph
from verify.flow.load import Loaded, read_translation, text_to_flow, text_to_part
from verify.words import Audience


def flow_names() -> tuple[str, ...]:
    """Ids of the packaged flows."""
    return _names("flows")


def part_names() -> tuple[str, ...]:
    return _names("flows/parts")


def _names(folder: str) -> tuple[str, ...]:
    """A dot within the name makes it a side file ("relearn.de.yaml"): ids have none."""
    names = (n.removesuffix(".yaml") for n in tables.listing(folder, ".yaml"))
    return tuple(n for n in names if "." not in n)


def read_text(path: Path) -> str:
    """A text file, UTF-8. Raises UserError naming the file."""
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise UserError(
            Problem(
                found=f"a byte that is no UTF-8 text (at byte {error.start + 1})",
                expected="a text file",
                next="save the file as UTF-8, or check that it is the right one",
                file=str(path),
            )
        ) from None
    except OSError as error:
        raise UserError(
            Problem(
                found=f"a file that cannot be read ({error.strerror})",
                expected="a readable file",
                next="check the name and the permissions",
                file=str(path),
            )
        ) from None


class Parts:
    """Looks a part up beside the flow's own file first (in `parts/`), then in the library."""

    def __init__(self, folder: Path | None = None) -> None:
        self.folder = folder

    def __call__(self, name: str) -> tuple[str, str] | None:
        place = self.place(name)
        if isinstance(place, Path):
            return read_text(place), str(place)
        return packaged(place) if place is not None else None

    def place(self, name: str) -> Path | str | None:
        """The file of a part: a path, or the name of a packaged file."""
        if self.folder is not None:
            for path in (self.folder / "parts" / f"{name}.yaml", self.folder / f"{name}.yaml"):
                if path.is_file() and "keysback_part" in read_text(path):
                    return path
        return f"flows/parts/{name}.yaml" if name in part_names() else None


class Sides:
    """Looks up side files: beside the file that they translate, wherever that was found.

    place: of the flow itself, a path or the name of a packaged file. parts: where its parts are.
    """

    def __init__(self, place: Path | str, parts: Parts) -> None:
        self.place, self.parts = place, parts

    def __call__(self, name: str) -> dict[str, tuple[str, str]]:
        place = self.parts.place(name) if name else self.place
        return sides_of(place) if place is not None else {}


def place_of(name: str) -> Path | str:
    """The file of a flow or part: a path, or the name of a packaged file. Raises UserError."""
    for folder, names in (("flows", flow_names()), ("flows/parts", part_names())):
        if name in names:
            return f"{folder}/{name}.yaml"
    path = Path(name)
    if path.suffix in (".yaml", ".yml") or path.exists():
        return path
    raise UserError(unknown(name, (*flow_names(), *part_names()), "flow or part"))


def read_place(place: Path | str) -> tuple[str, str]:
    """(text, name to show) of what `place_of` found. Raises UserError."""
    return packaged(place) if isinstance(place, str) else (read_text(place), str(place))


def side_beside(place: Path | str, language: str) -> Path:
    """Where the side file of a flow or part belongs; of a packaged one, in the folder at hand."""
    folder = Path() if isinstance(place, str) else place.parent
    return folder / f"{Path(place).stem}.{language}.yaml"


def sides_of(place: Path | str) -> dict[str, tuple[str, str]]:
    """language → (text, name to show) of the side files of a flow or part.

    place: a path, or the name of a packaged file ("flows/parts/relearn.yaml").
    """
    file = Path(place)
    if isinstance(place, str):
        there = tables.listing(str(file.parent), ".yaml")
    else:
        there = tuple(sorted(p.name for p in file.parent.glob("*.yaml")))
    found = {}
    for name in there:
        language = name.removeprefix(f"{file.stem}.").removesuffix(".yaml")
        if name == f"{file.stem}.{language}.yaml" and "." not in language:
            beside = file.parent / name
            read = packaged(beside.as_posix()) if isinstance(place, str) else None
            found[language] = read or (read_text(beside), str(beside))
    return found


def packaged(file: str) -> tuple[str, str]:
    """(text, name to show) of a packaged file."""
    return tables.read_bytes(file).decode("utf-8"), file


def load_flow(name: str, catalogue: Catalogue, language: str = "") -> Loaded:
    """A packaged flow by its id, or a flow file by its path, in English or in `language`.

    Raises UserError, also where the flow is not complete in that language."""
    path = Path(name)
    place: Path | str = path
    if name in flow_names():
        place = f"flows/{name}.yaml"
    elif path.suffix not in (".yaml", ".yml") and not path.exists():
        raise UserError(unknown(name, flow_names(), "flow"))
    text, file = read_place(place)
    parts = Parts(place.parent if isinstance(place, Path) else None)
    return text_to_flow(
        text,
        file,
        parts,
        catalogue,
        known_parts=part_names(),
        sides=Sides(place, parts),
        language=language,
    )


def languages_of(
    name: str, catalogue: Catalogue
) -> tuple[tuple[str, ...], Mapping[str, tuple[Problem, ...]]]:
    """(languages beside English in which a flow or part is whole, others → what is open)."""
    place = place_of(name)
    files = sides_of(place)
    if not files:
        return (), {}
    text, source = read_place(place)
    if not any(line.startswith("keysback_part") for line in text.splitlines()):
        loaded = load_flow(name, catalogue)
        return loaded.languages, loaded.untranslated
    read = {code: read_translation(text, source, side, code)[1] for code, side in files.items()}
    open_ = {code: side.problems for code, side in read.items() if side and side.problems}
    return tuple(code for code in read if code not in open_), open_


def load_any(name: str, catalogue: Catalogue) -> Graph:
    """As `load_flow`, and parts too: a part comes as a graph of its own."""
    if name in part_names():
        text, file = packaged(f"flows/parts/{name}.yaml")
        return text_to_part(text, file, Parts(), catalogue, known_parts=part_names())
    path = Path(name)
    if name not in flow_names() and path.is_file():
        text = read_text(path)
        if any(line.startswith("keysback_part") for line in text.splitlines()):
            folder = path.parent.parent if path.parent.name == "parts" else path.parent
            return text_to_part(text, name, Parts(folder), catalogue, known_parts=part_names())
    return load_flow(name, catalogue).graph


def audience_of(graph: Graph, wanted: str | None, file: str) -> Audience:
    """Whose way is meant by `--as`; the first the flow is for, where nobody is named.

    Raises UserError for somebody the flow is not for.
    """
    who = Audience(wanted) if wanted else graph.audiences[0]
    if who not in graph.audiences:
        raise UserError(
            Problem(
                found=f"the {who.value}'s way",
                expected=" or ".join(graph.audiences),
                next="leave --as out, or name somebody the flow is for",
                file=file,
                field="--as",
            )
        )
    return who

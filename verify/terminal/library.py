"""Where flows and parts come from: the packaged library, or files a person names."""

from __future__ import annotations

from pathlib import Path

from verify import tables
from verify.errors import Problem, UserError, unknown
from verify.flow.graph import Catalogue, Graph
from verify.flow.load import Loaded, text_to_flow, text_to_part


def flow_names() -> tuple[str, ...]:
    """Ids of the packaged flows."""
    return tuple(n.removesuffix(".yaml") for n in tables.listing("flows", ".yaml"))


def part_names() -> tuple[str, ...]:
    return tuple(n.removesuffix(".yaml") for n in tables.listing("flows/parts", ".yaml"))


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
        if self.folder is not None:
            for path in (self.folder / "parts" / f"{name}.yaml", self.folder / f"{name}.yaml"):
                if path.is_file():
                    text = read_text(path)
                    if "keysback_part" in text:
                        return text, str(path)
        return packaged(f"flows/parts/{name}.yaml") if name in part_names() else None


def packaged(file: str) -> tuple[str, str]:
    """(text, name to show) of a packaged file."""
    return tables.read_bytes(file).decode("utf-8"), file


def load_flow(name: str, catalogue: Catalogue) -> Loaded:
    """A packaged flow by its id, or a flow file by its path. Raises UserError."""
    if name in flow_names():
        text, file = packaged(f"flows/{name}.yaml")
        return text_to_flow(text, file, Parts(), catalogue, known_parts=part_names())
    path = Path(name)
    if path.suffix in (".yaml", ".yml") or path.exists():
        return text_to_flow(
            read_text(path), name, Parts(path.parent), catalogue, known_parts=part_names()
        )
    raise UserError(unknown(name, flow_names(), "flow"))


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

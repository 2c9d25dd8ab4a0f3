"""The same work on every column of a table, or on every check, side by side where columns are long.

numpy and pyarrow let other threads run while they go through a column, so two cores halve the
time. The order of the results is that of what the work is done on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextvars import copy_context
from typing import TypeVar

Column = TypeVar("Column")
Result = TypeVar("Result")

# Below this, starting threads costs more than they save.
LONG_ROWS = 200_000
_WORKERS = 4


def of_each(
    work: Callable[[Column], Result],
    columns: Iterable[Column],
    rows: int,
    *,
    workers: int = _WORKERS,
) -> list[Result]:
    """`work` of each column, in their order. rows: how long they are. workers: at once, at most.

    Each runs in a copy of the caller's context. Raises what `work` raises, for the first column
    for which it does.
    """
    if rows < LONG_ROWS:
        return [work(c) for c in columns]
    from concurrent.futures import ThreadPoolExecutor

    def alongside(column: Column) -> Callable[[], Result]:
        context = copy_context()
        return lambda: context.run(work, column)

    with ThreadPoolExecutor(workers) as pool:
        return list(pool.map(lambda run: run(), (alongside(c) for c in columns)))

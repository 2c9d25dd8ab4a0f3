"""The kill test of the store at length: python benchmarks/kills.py [KILLS] [SEED]

Prints how many acknowledged answers were looked for and what the kills met; stops with the
reason at the first answer lost, half written or doubled, and at the first lock that survived.
"""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from tests.drive.store_kills import run


def main(kills: int, seed: int) -> None:
    folder = Path(tempfile.mkdtemp())
    start = time.perf_counter()
    try:
        account = run(folder, kills, seed)
    finally:
        shutil.rmtree(folder)
    figures = {
        name: value for name, value in vars(account).items() if name not in ("heads", "leftovers")
    }
    print(json.dumps({**figures, "seed": seed, "seconds": round(time.perf_counter() - start, 1)}))


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:]]
    main(*(given + [5000, 1][len(given) :]))

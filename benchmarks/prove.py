"""How long proving takes, and how that grows with the flow.

    python benchmarks/prove.py [--bound] [--library] [--json]

The flow is made up: for each 100 steps 5 recordings put to 4 checks each, 10 branches on outcomes
up to 20 steps back, and 3 cycles bounded by attempts; 20 promises in all; every step required, and
a gate at the end. Targets: 2,000 steps in at most 5 s; from 500 to 4,000 steps growing no faster
than n·log n. With --library all flows and parts of the library, after imports and loading, each
once: at most 1.5 s, told as a ratio to a bare breadth-first search over as many states and edges.
With --bound also a flow of two million states, which must be refused, not hang.
Sizes take turns in one process, ROUNDS times each; the median of the processor's seconds counts
(one thread, nothing waited for, so on a quiet machine these are the seconds of the clock).
"""

from __future__ import annotations

import argparse
import json
import math
import random
import resource
import statistics
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from tests.flow.rule_flows import too_big
from tests.flow.small import flow, go, look, step
from verify.flow.graph import Branch, Catalogue, Graph, Look, Step
from verify.flow.proof import ProvenFlow, prove
from verify.words import Group, Verdict

ROUNDS = 5
SIZES = (500, 1000, 2000, 4000)
SECONDS_FOR_2000 = 5.0
LIBRARY_S = 1.5
CHECKS = Catalogue(
    checks={
        f"check-{n}": {
            "settled": Verdict.PASS,
            "too-high": Verdict.FAIL,
            "too-low": Verdict.FAIL,
            "adapting": Verdict.UNDECIDED,
            "too-short": Verdict.UNDECIDED,
        }
        for n in range(8)
    },
    hazards={},
    activities={"remedy": ()},
)
LATER = {"group": Group.COMPLAINT, "later": ("Drive on.", "1 week")}


def long_flow(steps: int, seed: int = 0) -> Graph:
    """A flow of `steps` steps (and a gate) that proves."""
    rng = random.Random(seed)
    names = [f"s{i}" for i in range(steps)]
    made: dict[str, Step] = {}
    open_ended: set[int] = set()  # steps left on more than one outcome
    for block in range(0, steps, 100):
        size = min(100, steps - block)
        places = list(range(block, block + size))
        # A cycle takes its step and the one after, which remedies.
        cycles = set(rng.sample(places[:-1:4], 3 * size // 100))
        remedies = {i + 1 for i in cycles}
        others = [i for i in places if i not in cycles | remedies]
        records = set(rng.sample(others, 5 * size // 100))
        looking = set(
            rng.sample(
                [i for i in places if i > 20 and i not in cycles | remedies | records],
                min(10 * size // 100, max(0, len(places) - 40)),
            )
        )
        for i in places:
            back = [j for j in range(i - 20, i) if j in open_ended] if i in looking else []
            made[names[i]] = _step(
                rng, names, i, i in records, i in cycles, i in remedies, [names[j] for j in back]
            )
            if i not in looking | cycles:
                open_ended.add(i)
    gate = step("gate", "enough", go("hand-back", "handed-back"),
                go("proof-to-follow", "to-follow"), go("neither", "diagnosis"))  # fmt: skip
    return flow(
        *made.values(),
        gate,
        endings=("handed-back", "to-follow", "diagnosis", "tow"),
        promises=_promises(rng, names, made),
    )


def _step(
    rng: random.Random,
    names: list[str],
    i: int,
    record: bool,
    cycle: bool,
    remedy: bool,
    back: list[str],
) -> Step:
    name = names[i]
    onward = names[i + 1] if i + 1 < len(names) else "enough"
    if record:
        checks = tuple(sorted(rng.sample(sorted(CHECKS.checks), 4)))
        high = look("fail", findings={checks[0]: ["too-high"]})
        other = look("fail", findings={checks[0]: ["too-low", "pass", "undecided"]})
        return step(
            "record", name, go("pass", onward), go(["undecided", "cannot"], onward),
            go(high, "diagnosis"), go(other, "diagnosis"), checks=checks, **LATER,
        )  # fmt: skip
    if cycle:
        past_remedy = names[i + 2] if i + 2 < len(names) else "enough"
        return step(
            "ask", name, go("yes", past_remedy), go(look("no", attempts=(1, 3)), onward),
            go(look("no", attempts=(3, None)), "diagnosis"), go("cannot", "diagnosis"),
        )  # fmt: skip
    if remedy:
        return step("do", name, go("done", names[i - 1]), go("cannot", "diagnosis"),
                    does=["remedy"], optional=True)  # fmt: skip
    if back:
        # The step looked back at passed, was left open, or (a way round) was not visited.
        earlier = rng.choice(back)
        good: Look = look(["yes", "pass", "done"])
        rest: Look = look(["no", "fail", "undecided", "cannot", "not-visited"])
        branches: list[Branch] = [
            go(look("yes"), onward, earlier={earlier: good}),
            go(look("yes"), onward, earlier={earlier: rest}),
            go(["no", "cannot"], "diagnosis"),
        ]
        return step("ask", name, *branches)
    # An open answer goes on to the gate at the end; one that failed may not (`failed-to-follow`).
    return step(
        "ask", name, go("yes", onward), go(["no", "cannot"], onward), unsure=["no"], **LATER
    )


def _promises(
    rng: random.Random, names: list[str], made: dict[str, Step]
) -> list[tuple[str, str, str]]:
    """Ten of each kind that hold: of steps on every walk, and of steps that must have passed."""
    always = [n for n in names if "remedy" not in made[n].does]
    strict = [n for n in always if made[n].group is Group.SAFE]
    found = []
    for kind, among in (("before", always), ("never", strict)):
        for _ in range(10):
            first = rng.randrange(len(among) - 1)
            then = rng.choice(always[always.index(among[first]) + 1 :])
            found.append((kind, among[first], then))
    return found


def seconds(graph: Graph) -> float:
    begin = time.process_time()
    result = prove(graph, CHECKS)
    taken = time.process_time() - begin
    if not isinstance(result, ProvenFlow):
        raise SystemExit(f"the made-up flow does not prove: {result[:3]}")
    return taken


def measure() -> dict[str, object]:
    flows = {n: long_flow(n) for n in SIZES}
    taken: dict[int, list[float]] = {n: [] for n in SIZES}
    for _ in range(ROUNDS):
        for n, graph in flows.items():
            taken[n].append(seconds(graph))
    times = {n: statistics.median(found) for n, found in taken.items()}
    logs = [(math.log(n), math.log(t)) for n, t in times.items()]
    mean_x = statistics.fmean(x for x, _ in logs)
    mean_y = statistics.fmean(y for _, y in logs)
    slope = sum((x - mean_x) * (y - mean_y) for x, y in logs)
    slope /= sum((x - mean_x) ** 2 for x, _ in logs)
    small, large = SIZES[0], SIZES[-1]
    return {
        "seconds": {n: round(t, 3) for n, t in times.items()},
        "exponent": round(slope, 3),
        "growth": round(times[large] / times[small], 2),
        "growth_allowed": round(large * math.log(large) / (small * math.log(small)), 2),
        "seconds_allowed_2000": SECONDS_FOR_2000,
    }


def bound() -> dict[str, object]:
    """The flow of two million states, to the true bound."""
    _, broken = too_big()
    begin = time.perf_counter()
    result = prove(broken, CHECKS)
    taken = time.perf_counter() - begin
    refused = isinstance(result, tuple) and [f.rule for f in result] == ["too-big"]
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
    return {"refused": refused, "seconds": round(taken, 1), "peak_MiB": peak}


def whole_library() -> dict[str, object]:
    """Seconds of proving every flow and part once, in a process that proved none before."""
    from verify.flow.product import Plan, explore
    from verify.job.catalogue import catalogue
    from verify.terminal import library

    checks = catalogue()
    start = time.process_time()
    names = (*library.flow_names(), *library.part_names())
    graphs = {name: library.load_any(name, checks) for name in names}
    loading = time.process_time() - start
    each = {}
    for name, graph in graphs.items():
        start = time.process_time()
        assert isinstance(prove(graph, checks), ProvenFlow), name
        each[name] = time.process_time() - start
    bare = 0.0
    states = edges = 0
    for graph in graphs.values():
        product = explore(Plan(graph, checks))
        onward = [[edge.target for edge in out] for out in product.edges]
        start = time.process_time()
        seen, waiting = set(product.starts), [*product.starts]
        for state in waiting:
            for target in onward[state]:
                if target not in seen:
                    seen.add(target)
                    waiting.append(target)
        bare += time.process_time() - start
        states += len(onward)
        edges += sum(map(len, onward))
    total = sum(each.values())
    slowest = sorted(each, key=lambda name: -each[name])[:5]
    return {
        "flows_and_parts": len(each),
        "states": states,
        "edges": edges,
        "loading_s": round(loading, 3),
        "proving_s": round(total, 3),
        "goal_s": LIBRARY_S,
        "met": total <= LIBRARY_S,
        "x_bare_search": round(total / bare, 1),
        "slowest_s": {name: round(each[name], 3) for name in slowest},
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--bound", action="store_true", help="also go to the bound of states")
    parser.add_argument("--library", action="store_true", help="also the whole library")
    parser.add_argument("--json", action="store_true", help="print figures only")
    options = parser.parse_args()
    found = measure()
    if options.bound:
        found["bound"] = bound()
    if options.library:
        found["library"] = whole_library()
    if options.json:
        print(json.dumps(found))
    else:
        for name, value in found.items():
            print(f"{name:>22}: {value}")
    times = found["seconds"]
    assert isinstance(times, dict)
    good = times[2000] <= SECONDS_FOR_2000
    good = good and found["growth"] <= found["growth_allowed"]  # type: ignore[operator]
    good = good and (not options.bound or found["bound"]["refused"])  # type: ignore[index]
    good = good and (not options.library or found["library"]["met"])  # type: ignore[index]
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())

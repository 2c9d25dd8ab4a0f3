"""Why a branch cannot be taken, in words: the reason that lies nearest, not a proof.

That it cannot is `rehearse`'s to know; here only what explains it best is looked for.
"""

from __future__ import annotations

from verify.flow.graph import GATE_OUTCOMES, Branch, Graph, Look, Step, look_holds
from verify.flow.phrases import audience_words, listed, sorted_titles, titled
from verify.flow.rehearse import Rehearsal
from verify.flow.rehearse_board import HAND_BACK, NEITHER, TO_FOLLOW, Board, Item
from verify.flow.rehearse_search import Search
from verify.flow.spaces import without_attempts


def why_not(found: Rehearsal, item: Item) -> str:
    """A sentence without its full stop."""
    name, number = item
    step = found.graph.steps[name]
    who = [board.chart.audience for board in found.boards]
    people = listed([audience_words(a) for a in who], "or")
    boards = [b for b in found.boards if any(s.at == name for s in b.chart.states)]
    if not boards:
        return f"{people} never comes to this step"
    if number < 0:
        return f"{people} never comes to this step where it could be stopped"
    branch = step.branches[number]
    only = branch.when.audience
    if only is not None:
        boards = [b for b in boards if b.chart.audience is only]
        if only not in found.graph.audiences:
            return f"it is for {audience_words(only)}, and the flow is not"
        if only not in who:
            return f"only {audience_words(only)} takes it"
        if not boards:
            return f"only {audience_words(only)} takes it, who never comes to this step"
    reason = _counted(boards, step, branch)
    if not reason and step.kind == "gate" and branch.when.own.outcome is not None:
        reason = _gate(found.graph, boards, name, branch.when.own.outcome)
    if reason:
        return reason
    unseen = [n for n, look in branch.when.earlier if _must_be_visited(look)]
    unseen = [n for n in unseen if all(s.at != n for b in boards for s in b.chart.states)]
    if unseen:
        return f"{people} never comes to {listed(sorted_titles(found.graph, unseen))}"
    asked = sorted_titles(found.graph, (other for other, _ in branch.when.earlier))
    if asked:
        return f"what it asks of {listed(asked)} never comes together when this is asked"
    return "no walk comes to this step in a way that takes it"


def _must_be_visited(look: Look) -> bool:
    return not look_holds(without_attempts(look), None, 0)


def _counted(boards: list[Board], step: Step, branch: Branch) -> str:
    attempts = branch.when.own.attempts
    most = max((s.attempt for b in boards for s in b.chart.states if s.at == step.name), default=0)
    if attempts is None or not most or most >= attempts[0]:
        return ""
    times = "once" if most == 1 else f"{most} times"
    return f"without a corrected answer the step is asked {times} at most"


def _gate(graph: Graph, boards: list[Board], name: str, labels: frozenset[str]) -> str:
    """Of the steps that a gate looks at, each alone: what is never passed, or never open."""
    passed = still_open = 0
    for board in boards:
        search = Search(board)
        for state, there in enumerate(board.chart.states):
            if there.at == name:
                passed |= search.may_pass[state]
                still_open |= search.may_open[state]
    board = boards[0]
    words = []
    for label in GATE_OUTCOMES:
        if label not in labels:
            continue
        needed = {HAND_BACK: board.required, TO_FOLLOW: board.must}.get(label, 0)
        never = [n for n, bit in board.bit_of.items() if bit & needed & ~passed]
        may_wait = board.required & ~board.must
        if never:
            titles = listed([titled(graph.steps[n]) for n in never])
            words.append(f"{titles} can never have passed when this is decided")
        elif label == NEITHER and not still_open & board.must:
            words.append("all that the car must pass has passed whenever this is decided")
        elif label == TO_FOLLOW and not still_open & may_wait:
            words.append("nothing that may stay open can be open when this is decided")
    return "; ".join(words)
